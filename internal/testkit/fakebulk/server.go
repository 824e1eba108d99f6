// Package fakebulk is a server of FHIR Bulk Data exports in memory for tests: kick-off, status, manifest, files in
// several parts, deletions, errors, cancelling; and it can be told to misbehave in one of many named ways. See Faults.
//
// Its clock stands until it is moved.
package fakebulk

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"
)

// Options of a server.
type Options struct {
	Lines int    // most lines in a file; 0: 1000
	Polls int    // how often an export says that it is not done; 0: it is done at once
	Retry string // Retry-After of such an answer; empty: none
	Token string // bearer token that the API wants; empty: none
	Files string // where files lie: "" with the API, for which no token is needed; "token": with the API, with the token; "elsewhere": on another server
}

// Server is one server. Its methods may be called while it is asked.
type Server struct {
	Base      string // address, ends in /fhir
	Elsewhere string // origin of the other server

	o       Options
	mu      sync.Mutex
	now     time.Time
	rows    map[string]row
	exports map[string]*export
	serial  int
	fault   string
	asked   []string
}

type row struct {
	ref     string // "Type/id"
	body    string
	stamp   time.Time
	deleted bool
}

// export is a snapshot.
type export struct {
	moment time.Time
	polls  int
	files  map[string][]string // "output/Patient-0" → lines
}

// Start starts a server, which ends with the test.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	if o.Lines <= 0 {
		o.Lines = 1000
	}
	s := &Server{o: o, now: time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC), rows: map[string]row{}, exports: map[string]*export{}}
	api, far := httptest.NewServer(http.HandlerFunc(s.serve)), httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(api.Close)
	t.Cleanup(far.Close)
	s.Base, s.Elsewhere = api.URL+"/fhir", strings.Replace(far.URL, "127.0.0.1", "localhost", 1)
	return s
}

// Now is the server's clock.
func (s *Server) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Advance moves the server's clock.
func (s *Server) Advance(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(d)
}

// Put stores a resource. Fields are its members after resourceType, id and meta: `"status":"x"`.
func (s *Server) Put(typ, id, fields string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if fields != "" {
		fields = "," + fields
	}
	stamp := s.now.Format("2006-01-02T15:04:05.000Z")
	body := `{"resourceType":"` + typ + `","id":"` + id + `","meta":{"lastUpdated":"` + stamp + `"}` + fields + "}"
	s.rows[typ+"/"+id] = row{ref: typ + "/" + id, body: body, stamp: s.now}
}

// Delete deletes a resource.
func (s *Server) Delete(typ, id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rows[typ+"/"+id] = row{ref: typ + "/" + id, stamp: s.now, deleted: true}
}

// Truth is what there is: "Type/id" → body.
func (s *Server) Truth() map[string]string {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := map[string]string{}
	for ref, r := range s.rows {
		if !r.deleted {
			all[ref] = r.body
		}
	}
	return all
}

// Asked lists the requests since the last call: method, path and query, and "token" where one came.
func (s *Server) Asked() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	asked := s.asked
	s.asked = nil
	return asked
}

// Open counts the exports that nobody has ended.
func (s *Server) Open() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.exports)
}

// Break switches a fault on, "" all off. It panics where there is no such fault.
func (s *Server) Break(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := Faults()[name]; !ok && name != "" {
		panic("no fault is called " + name)
	}
	s.fault = name
}

// snapshot makes the files of an export: of some types, and of what changed at a moment or after it.
func (s *Server) snapshot(types string, since time.Time) *export {
	e := &export{moment: s.now, files: map[string][]string{}}
	var refs []string
	for ref := range s.rows {
		refs = append(refs, ref)
	}
	sort.Strings(refs)
	n := map[string]int{}
	for _, ref := range refs {
		r := s.rows[ref]
		typ, _, _ := strings.Cut(ref, "/")
		if r.stamp.Before(since) || types != "" && !strings.Contains(","+types+",", ","+typ+",") || r.deleted && since.IsZero() {
			continue
		}
		name, line := "output/"+typ, r.body
		if r.deleted {
			name, line = "deleted/Bundle", `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"DELETE","url":"`+ref+`"}}]}`
		}
		part := fmt.Sprintf("%s-%d", name, n[name]/s.o.Lines)
		e.files[part] = append(e.files[part], line)
		n[name]++
	}
	return e
}
