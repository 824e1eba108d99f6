package fhirserve_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/demo"
	"perennial/internal/fhirserve"
	"perennial/internal/gate"
	"perennial/internal/kv/memkv"
)

// rig is an endpoint over a clinic in memory whose clock can be moved.
type rig struct {
	t    testing.TB
	c    *clinic.Clinic
	s    *fhirserve.Server
	h    http.Handler
	now  *time.Time
	log  *bytes.Buffer
	seen *[]fhirserve.Access
}

// june is when the tests begin.
func june() time.Time { return time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC) }

// patients are n invented patients with one EVAR each.
func patients(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `{"resourceType":"Patient","id":"q%d","identifier":[{"system":"urn:mrn","value":"Q-%d"}],"name":[{"family":"Quay-%d","given":["Testa"]}]}`+"\n", i, i, i)
		fmt.Fprintf(&b, `{"resourceType":"Procedure","id":"q%d-evar","status":"completed","subject":{"reference":"Patient/q%d"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2024-03-%02d"}`+"\n", i, i, i%28+1)
	}
	return b.String()
}

// newRig is an endpoint that knows these resources.
func newRig(t testing.TB, resources string, change func(*fhirserve.Options)) *rig {
	t.Helper()
	now := june()
	w, err := assess.Prepare(assess.Options{Shipped: config.Files})
	if err != nil {
		t.Fatal(err)
	}
	db := memkv.New()
	if err := clinic.Init(t.Context(), db, now); err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, now: &now, log: &bytes.Buffer{}, seen: new([]fhirserve.Access)}
	r.c, err = clinic.New(t.Context(), clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Site: "site-1", Now: func() time.Time { return *r.now }})
	if err != nil {
		t.Fatal(err)
	}
	r.take(resources)
	var mu sync.Mutex
	o := fhirserve.Options{Clinic: r.c, Now: func() time.Time { return *r.now }, Log: slog.New(slog.NewTextHandler(r.log, nil)), Version: "1", Seen: func(a fhirserve.Access) {
		mu.Lock()
		defer mu.Unlock()
		a.Took = 0
		*r.seen = append(*r.seen, a)
	}}
	if change != nil {
		change(&o)
	}
	if r.s, err = fhirserve.New(o); err != nil {
		t.Fatal(err)
	}
	r.h = r.s.Handler()
	return r
}

// take takes resources in.
func (r *rig) take(resources string) {
	r.t.Helper()
	if _, err := r.c.Import(r.t.Context(), "test", clinic.Batches("test", strings.NewReader(resources))); err != nil {
		r.t.Fatal(err)
	}
}

// ask makes a request; headers are pairs of name and value.
func (r *rig) ask(method, address, body string, headers ...string) *http.Response {
	r.t.Helper()
	q := httptest.NewRequest(method, "http://127.0.0.1:8420"+address, strings.NewReader(body))
	q.RemoteAddr = "127.0.0.1:5000"
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			q.Host = headers[i+1]
		} else {
			q.Header.Set(headers[i], headers[i+1])
		}
	}
	w := httptest.NewRecorder()
	r.h.ServeHTTP(w, q)
	return w.Result()
}

// page is what the tests look at of a Bundle.
type page struct {
	ResourceType string
	Total        int
	Link         []struct{ Relation, URL string }
	Entry        []struct {
		FullURL  string
		Search   struct{ Mode string }
		Resource json.RawMessage
	}
}

// head is what the tests look at of a resource.
type head struct {
	ResourceType, ID, Status string
	Meta                     struct{ VersionID, LastUpdated string }
	For, Subject             struct{ Reference string }
	Issue                    []struct{ Severity, Code, Diagnostics string }
	Identifier               []struct{ System, Value string }
	Target                   []struct{ Reference string }
	URL, Version             string
}

// get asks for an address, and wants a status.
func (r *rig) get(address string, status int, headers ...string) []byte {
	r.t.Helper()
	resp := r.ask(http.MethodGet, address, "", headers...)
	body, _ := io.ReadAll(resp.Body)
	if resp.StatusCode != status {
		r.t.Fatalf("%s: %d, not %d: %.300s", address, resp.StatusCode, status, body)
	}
	return body
}

func (r *rig) search(address string, headers ...string) page {
	r.t.Helper()
	var p page
	if err := json.Unmarshal(r.get(address, http.StatusOK, headers...), &p); err != nil || p.ResourceType != "Bundle" {
		r.t.Fatalf("%s: %v", address, err)
	}
	return p
}

func (p page) heads(t testing.TB) (list []head) {
	t.Helper()
	for _, e := range p.Entry {
		var h head
		if err := json.Unmarshal(e.Resource, &h); err != nil {
			t.Fatal(err)
		}
		list = append(list, h)
	}
	return list
}

// next is the address of the next page; empty where there is none.
func (p page) next() string {
	for _, l := range p.Link {
		if l.Relation == "next" {
			return strings.TrimPrefix(l.URL, "http://127.0.0.1:8420")
		}
	}
	return ""
}

// walk follows a search to its end, calling each after each page.
func (r *rig) walk(address string, each func()) (all []head) {
	r.t.Helper()
	for n := 0; address != "" && n < 1000; n++ {
		p := r.search(address)
		all = append(all, p.heads(r.t)...)
		if address = p.next(); each != nil {
			each()
		}
	}
	return all
}

// cohort is the demonstration cohort.
func cohort(on day.Day) string {
	var b strings.Builder
	for _, line := range demo.Cohort(on) {
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.String()
}

func guarded(file string) func(*fhirserve.Options) {
	return func(o *fhirserve.Options) { o.Gate = gate.Gate{}; o.Gate.Token.File = file }
}

func gateOf(file string) (g gate.Gate) {
	g.Token.File = file
	return g
}
