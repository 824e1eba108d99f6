package fakefhir

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// answer is what goes out.
type answer struct {
	status int
	header http.Header
	body   []byte
}

func outcome(status int, severity, code string) *answer {
	return &answer{status: status, header: http.Header{}, body: []byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"` + severity + `","code":"` + code + `"}]}`)}
}

func (s *Server) serve(w http.ResponseWriter, q *http.Request) {
	a := s.answer(q)
	if a == nil {
		panic(http.ErrAbortHandler)
	}
	for k, v := range a.header {
		w.Header()[k] = v
	}
	s.mu.Lock()
	wire := (func(http.ResponseWriter, *http.Request, *answer))(nil)
	if s.fault != nil && s.fault.wire != nil && a.status == http.StatusOK && s.hit() {
		wire = s.fault.wire
	}
	s.mu.Unlock()
	if wire != nil {
		wire(w, q, a)
		return
	}
	if strings.Contains(q.Header.Get("Accept-Encoding"), "gzip") && len(a.body) > 1000 {
		a.body = pack(a.body)
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.WriteHeader(a.status)
	_, _ = w.Write(a.body)
}

func pack(b []byte) []byte {
	var out bytes.Buffer
	z, _ := gzip.NewWriterLevel(&out, gzip.BestSpeed)
	_, _ = z.Write(b)
	_ = z.Close()
	return out.Bytes()
}

// answer makes the answer; nil breaks the connection.
func (s *Server) answer(q *http.Request) *answer {
	body, _ := io.ReadAll(q.Body)
	s.mu.Lock()
	defer s.mu.Unlock()
	path := strings.Trim(strings.TrimPrefix(q.URL.Path, "/fhir"), "/")
	asked := strings.TrimSpace(q.Method + " " + path + " " + q.URL.RawQuery)
	if q.Header.Get("If-None-Exist") != "" || bytes.Contains(body, []byte(`"ifNoneExist":`)) {
		asked += " on condition"
	}
	s.asked = append(s.asked, asked)
	if s.fault != nil && s.fault.deny != nil && s.fault.strikes(path) {
		if a, done := s.fault.deny(s, q); done {
			return s.dated(a)
		}
	}
	return s.dated(s.route(q, path, body))
}

// dated adds the server's clock.
func (s *Server) dated(a *answer) *answer {
	if a == nil {
		return nil
	}
	if a.header == nil {
		a.header = http.Header{}
	}
	if a.header.Get("Content-Type") == "" {
		a.header.Set("Content-Type", "application/fhir+json; charset=utf-8")
	}
	a.header.Set("Date", s.now.UTC().Format(http.TimeFormat))
	if s.fault != nil && s.fault.date != nil && s.hit() {
		s.fault.date(s, a.header)
	}
	return a
}

func (s *Server) route(q *http.Request, path string, body []byte) *answer {
	parts := strings.Split(path, "/")
	switch {
	case len(q.URL.RawQuery) > maxLink:
		return outcome(404, "error", "not-found")
	case path == "metadata":
		version, types := "4.0.1", s.types()
		if s.fault != nil && s.fault.says != nil {
			s.hits++
			version, types = s.fault.says(version, types)
		}
		return &answer{status: 200, body: []byte(s.metadata(version, types))}
	case path == "" && q.Method == http.MethodGet:
		return s.next(q.URL.Query().Get("_getpages"))
	case path == "" && q.Method == http.MethodPost:
		return s.batch(q, body)
	case s.tables[parts[0]] == nil:
		return outcome(404, "error", "not-supported")
	case len(parts) == 1 && q.Method == http.MethodGet:
		return s.search(parts[0], q.URL.Query(), q)
	case len(parts) == 2 && parts[1] == "_search" && q.Method == http.MethodPost:
		form, err := url.ParseQuery(string(body))
		if err != nil {
			return outcome(400, "error", "invalid")
		}
		return s.search(parts[0], form, q)
	case len(parts) == 1 && q.Method == http.MethodPost, len(parts) == 2 && q.Method == http.MethodPut:
		return s.write(parts, body, q.Header)
	case q.Method == http.MethodGet && (len(parts) == 2 || len(parts) >= 3 && parts[2] == "_history"):
		return s.read(parts)
	}
	return outcome(405, "error", "not-supported")
}

func (s *Server) search(typ string, q url.Values, r *http.Request) *answer {
	if names := unknown(q); len(names) > 0 {
		if strings.Contains(r.Header.Get("Prefer"), "handling=strict") {
			return outcome(400, "error", "not-supported")
		}
		for _, name := range names {
			q.Del(name)
		}
	}
	if q.Get("_summary") == "count" {
		p := page{typ: typ, kind: "searchset", self: s.Base + "/" + typ + "?" + q.Encode(), total: len(s.find(typ, q))}
		return &answer{status: 200, body: p.write()}
	}
	return s.give(s.first(typ, q))
}

func (s *Server) next(token string) *answer {
	c := s.tokens[token]
	if c == nil {
		return outcome(410, "error", "expired")
	}
	return s.give(s.pageAt(c.moved(c.at)))
}

// give writes a page, spoilt where a fault spoils pages.
func (s *Server) give(p *page) *answer {
	if s.fault != nil && s.fault.page != nil && s.hit() {
		s.fault.page(s, p)
	}
	return &answer{status: 200, body: p.write()}
}

// read gives a resource, one of its versions or all of them.
func (s *Server) read(parts []string) *answer {
	r := s.tables[parts[0]].byID[parts[1]]
	if r == nil {
		return outcome(404, "error", "not-found")
	}
	switch len(parts) {
	case 2:
		v := s.latest(r)
		if v == nil {
			return outcome(410, "error", "deleted")
		}
		return &answer{status: 200, body: []byte(body(r, v)), header: http.Header{"Etag": {etag(v)}}}
	case 3:
		p := page{kind: "history", total: len(r.past)}
		for i := len(r.past) - 1; i >= 0; i-- {
			if v := &r.past[i]; !v.deleted {
				p.entries = append(p.entries, s.entry(hit{r: r, v: v}, ""))
			}
		}
		return &answer{status: 200, body: p.write()}
	}
	n, _ := strconv.Atoi(parts[3])
	if n < 1 || n > len(r.past) || r.past[n-1].deleted {
		return outcome(404, "error", "not-found")
	}
	v := &r.past[n-1]
	return &answer{status: 200, body: []byte(body(r, v)), header: http.Header{"Etag": {etag(v)}}}
}

func etag(v *version) string { return fmt.Sprintf(`W/"%d"`, v.n) }

// fieldsOf takes the members of a resource that is written, but type, id and meta.
func fieldsOf(body []byte) (string, bool) {
	var all map[string]json.RawMessage
	if json.Unmarshal(body, &all) != nil {
		return "", false
	}
	for _, name := range []string{"resourceType", "id", "meta"} {
		delete(all, name)
	}
	text, _ := json.Marshal(all)
	return strings.TrimSuffix(strings.TrimPrefix(string(text), "{"), "}"), true
}

// write makes or replaces a resource, unless a fault of writing strikes.
func (s *Server) write(parts []string, body []byte, h http.Header) *answer {
	f := s.fault
	if f == nil || f.write == nil || f.only != "" && (f.only == "POST") != (len(parts) == 1) || !s.hit() {
		return s.written(parts, body, h)
	}
	return f.write(s, parts, func() *answer { return s.written(parts, body, h) })
}

func (s *Server) written(parts []string, body []byte, h http.Header) *answer {
	if len(parts) == 1 {
		return s.create(parts[0], body, h.Get("If-None-Exist"))
	}
	return s.update(parts[0], parts[1], body, h.Get("If-Match"))
}

func (s *Server) create(typ string, body []byte, condition string) *answer {
	if condition != "" {
		q, err := url.ParseQuery(condition)
		switch found := s.find(typ, q); {
		case err != nil || len(found) > 1:
			return outcome(412, "error", "multiple-matches")
		case len(found) == 1:
			return s.stored(200, found[0].r)
		}
	}
	fields, ok := fieldsOf(body)
	if !ok {
		return outcome(400, "error", "structure")
	}
	s.serial++
	return s.stored(201, s.put(typ, fmt.Sprintf("new-%d", s.serial), fields, s.now))
}

func (s *Server) update(typ, id string, body []byte, match string) *answer {
	fields, ok := fieldsOf(body)
	if !ok {
		return outcome(400, "error", "structure")
	}
	if r := s.tables[typ].byID[id]; match != "" && (r == nil || etag(&r.past[len(r.past)-1]) != match) {
		return outcome(412, "error", "conflict")
	}
	return s.stored(200, s.put(typ, id, fields, s.now))
}

func (s *Server) stored(status int, r *row) *answer {
	v := &r.past[len(r.past)-1]
	return &answer{status: status, body: []byte(body(r, v)),
		header: http.Header{"Etag": {etag(v)}, "Location": {fmt.Sprintf("%s/%s/%s/_history/%d", s.Base, r.typ, r.id, v.n)}}}
}
