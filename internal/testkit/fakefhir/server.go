// Package fakefhir is a FHIR R4 server in memory for tests: search by _lastUpdated, _id, patient and identifier with
// paging by opaque links, POST _search, _summary=count, _elements, read, history, create (also on condition), update
// with If-Match, metadata; and it can be told to misbehave in one of many named ways. See Faults.
//
// Its clock stands until it is moved, and its chances come from a seed, so a test that fails fails again.
package fakefhir

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"
)

// Options of a server.
type Options struct {
	Types []string  // that it has; nil: those that were put
	Start time.Time // its clock; zero: 30 June 2026, noon
	Page  int       // most resources on a page; 0: 1000
	Total bool      // Bundle.total on every page
}

// Server is one server. Its methods may be called while it is asked.
type Server struct {
	Base string // address, ends in /fhir

	o      Options
	mu     sync.Mutex
	now    time.Time
	tables map[string]*table
	tokens map[string]*cursor
	serial int
	fault  *Fault
	rng    *rand.Rand
	hits   int
	always bool // the fault strikes each time
	asked  []string
}

// table is one type.
type table struct {
	rows    []*row
	byID    map[string]*row
	byToken map[string][]*row // system|value, of every version
}

// identifiers finds what may be looked for by identifier.
var identifiers = regexp.MustCompile(`"system":"([^"]*)","value":"([^"]*)"`)

// index notes by which identifiers a row can be found.
func (t *table) index(r *row, fields string) {
	for _, m := range identifiers.FindAllStringSubmatch(fields, -1) {
		if token := m[1] + "|" + m[2]; !slices.Contains(t.byToken[token], r) {
			t.byToken[token] = append(t.byToken[token], r)
		}
	}
}

// row is one resource with its history, oldest first.
type row struct {
	typ, id string
	past    []version
}

type version struct {
	n       int
	stamp   time.Time // meta.lastUpdated
	visible time.Time // when the transaction was committed
	fields  string    // the members after meta, each with a comma before it
	deleted bool
}

// Start starts a server, which ends with the test.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	if o.Start.IsZero() {
		o.Start = time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	}
	if o.Page <= 0 {
		o.Page = 1000
	}
	s := &Server{o: o, now: o.Start, tables: map[string]*table{}, tokens: map[string]*cursor{}, rng: rand.New(rand.NewPCG(1, 1))}
	for _, typ := range o.Types {
		s.table(typ)
	}
	h := httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(h.Close)
	s.Base = h.URL + "/fhir"
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

// Put stores a version of a resource. Fields are its members after resourceType, id and meta: `"status":"x"`.
func (s *Server) Put(typ, id, fields string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(typ, id, fields, s.now)
}

// PutLate stores a version that was stamped some time before it is committed, which is now.
func (s *Server) PutLate(typ, id, fields string, before time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(typ, id, fields, s.now.Add(-before))
}

func (s *Server) put(typ, id, fields string, stamp time.Time) *row {
	t := s.table(typ)
	r := t.byID[id]
	if r == nil {
		r = &row{typ: typ, id: id}
		t.byID[id] = r
		t.rows = append(t.rows, r)
	}
	if fields != "" && fields[0] != ',' {
		fields = "," + fields
	}
	if n := len(r.past); n > 0 && !stamp.After(r.past[n-1].stamp) {
		stamp = r.past[n-1].stamp.Add(time.Millisecond) // of one resource, a later version is stamped later
	}
	v := version{n: len(r.past) + 1, stamp: stamp, visible: s.now, fields: fields}
	if s.fault != nil && s.fault.late && s.hit() {
		v.visible = s.now.Add(time.Duration(s.rng.IntN(480)) * time.Second)
	}
	r.past = append(r.past, v)
	t.index(r, fields)
	return r
}

// Delete deletes a resource.
func (s *Server) Delete(typ, id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if r := s.table(typ).byID[id]; r != nil {
		r.past = append(r.past, version{n: len(r.past) + 1, stamp: s.now, visible: s.now, deleted: true})
	}
}

func (s *Server) table(typ string) *table {
	t := s.tables[typ]
	if t == nil {
		t = &table{byID: map[string]*row{}, byToken: map[string][]*row{}}
		s.tables[typ] = t
	}
	return t
}

// latest is the newest version that is committed; nil: there is none, or it is deleted.
func (s *Server) latest(r *row) *version {
	for i := len(r.past) - 1; i >= 0; i-- {
		if v := &r.past[i]; !v.visible.After(s.now) {
			if v.deleted {
				return nil
			}
			return v
		}
	}
	return nil
}

// Truth is what a faultless search would give now: "Type/id" → body.
func (s *Server) Truth() map[string]string {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := map[string]string{}
	for typ, t := range s.tables {
		for _, r := range t.rows {
			if v := s.latest(r); v != nil {
				all[typ+"/"+r.id] = body(r, v)
			}
		}
	}
	return all
}

// stampForm is how lastUpdated is written.
const stampForm = "2006-01-02T15:04:05.000Z"

func body(r *row, v *version) string {
	return `{"resourceType":"` + r.typ + `","id":"` + r.id + `","meta":{"versionId":"` + fmt.Sprint(v.n) + `","lastUpdated":"` + v.stamp.UTC().Format(stampForm) + `"}` + v.fields + "}"
}

// Asked lists the requests since the last call: method and what stands after the base, and whether a creation was asked
// for on condition.
func (s *Server) Asked() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	asked := s.asked
	s.asked = nil
	return asked
}

// Break switches a fault on, with a seed for its chances. It panics where there is no such fault.
func (s *Server) Break(name string, seed uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range append(Faults(), WriteFaults()...) {
		if f.Name == name {
			s.fault, s.rng, s.hits = &f, rand.New(rand.NewPCG(seed, 7)), 0
			return
		}
	}
	panic("no fault is called " + name)
}

// BreakAlways is Break of a fault that strikes each time.
func (s *Server) BreakAlways(name string) {
	s.Break(name, 1)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.always = true
}

// Heal switches the fault off, and says how often it struck.
func (s *Server) Heal() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fault, s.always = nil, false
	return s.hits
}

// hit says whether the fault strikes this time.
func (s *Server) hit() bool {
	if s.always || s.rng.Float64() < 0.6 {
		s.hits++
		return true
	}
	return false
}

// types lists the types that the server has.
func (s *Server) types() (list []string) {
	for typ := range s.tables {
		list = append(list, typ)
	}
	sort.Strings(list)
	return list
}

// metadata is the CapabilityStatement.
func (s *Server) metadata(version string, types []string) string {
	var b strings.Builder
	b.WriteString(`{"resourceType":"CapabilityStatement","status":"active","kind":"instance","fhirVersion":"` + version + `","format":["json"],"rest":[{"mode":"server","resource":[`)
	for i, typ := range types {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`{"type":"` + typ + `","versioning":"versioned-update","conditionalCreate":true,"interaction":[{"code":"read"},{"code":"vread"},{"code":"search-type"},{"code":"create"},{"code":"update"}],` +
			`"searchParam":[{"name":"_id","type":"token"},{"name":"_lastUpdated","type":"date"},{"name":"patient","type":"reference"},{"name":"identifier","type":"token"}]}`)
	}
	b.WriteString(`],"interaction":[{"code":"batch"}]}]}`)
	if s.fault != nil && s.fault.said != nil {
		s.hits++
		return s.fault.said(b.String())
	}
	return b.String()
}
