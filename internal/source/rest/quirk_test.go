package rest_test

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// small is a server with three patients and a source that reads it.
type small struct {
	*crowd
	source *rest.Source
}

func newSmall(t *testing.T, o rest.Options) *small {
	t.Helper()
	c := newCrowd(t)
	o.Name, o.Now = "main", c.server.Now
	if o.Types == nil {
		o.Types = []string{"Patient", "ImagingStudy"}
	}
	return &small{c, rest.New(c.client, o)}
}

func (s *small) look() (n int, errs []error) {
	s.t.Helper()
	s.server.Asked()
	for b, err := range s.source.Fetch(s.t.Context(), s.cursor) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		n += len(b.Resources)
		s.cursor = b.Cursor
	}
	return n, errs
}

// A look that finds nothing new costs one request a type, or less.
func TestNothingNew(t *testing.T) {
	t.Parallel()
	for _, discover := range []bool{false, true} {
		s := newSmall(t, rest.Options{Discover: discover})
		if n, errs := s.look(); n != 10 || len(errs) > 0 {
			t.Fatal(n, errs)
		}
		for range 3 {
			s.server.Advance(time.Hour)
			if n, errs := s.look(); n != 0 || len(errs) > 0 {
				t.Fatal(n, errs)
			}
			if asked := s.server.Asked(); len(asked) != 2 {
				t.Errorf("%q", asked)
			}
		}
	}
}

// With a type that the server does not have the statement is asked for in its place.
func TestNothingNewOnFewTypes(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{Discover: true, Types: []string{"Patient", "ImagingStudy", "Device"}})
	for range 2 {
		if _, errs := s.look(); len(errs) > 0 {
			t.Fatal(errs)
		}
		s.server.Advance(time.Hour)
	}
	s.server.Asked()
	if _, errs := s.look(); len(errs) > 0 || len(s.server.Asked()) > 3 {
		t.Error(errs)
	}
}

// Q28: what is no longer there is told once, and nothing is handed on in its place.
func TestQ28AbsenceIsNoDeletion(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{})
	s.look()
	s.server.Delete("ImagingStudy", "s-a")
	for i := range 10 {
		s.server.Advance(23 * time.Hour)
		n, errs := s.look()
		switch told := len(errs) == 1 && strings.Contains(errs[0].Error(), "1 fewer"); {
		case told && n == 9 && i >= 6:
			s.server.Advance(time.Hour)
			if n, errs := s.look(); n != 0 || len(errs) > 0 {
				t.Errorf("told twice: %d %v", n, errs)
			}
			return
		case n != 0 || len(errs) > 0:
			t.Fatalf("look %d: %d %v", i, n, errs)
		}
	}
	t.Error("never told")
}

// Q33: the next link stands on the root of the server, not on the type, and is followed.
func TestQ33NextLinkOnRoot(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{Count: 2})
	if n, errs := s.look(); n != 10 || len(errs) > 0 {
		t.Error(n, errs)
	}
	onRoot := 0
	for _, line := range s.server.Asked() {
		if strings.Contains(line, "_getpages=") && !strings.Contains(line, "Patient") && !strings.Contains(line, "ImagingStudy") {
			onRoot++
		}
	}
	if onRoot != 4 {
		t.Errorf("%d pages stood on the root, want 2 of each type", onRoot)
	}
}

// Q46: nothing hangs on how a server reads tokens and dates: the only filters are the patient, and the moment of change
// with its prefix, in UTC.
func TestQ46PlainFilters(t *testing.T) {
	t.Parallel()
	for name, who := range map[string]rest.Cohort{"all": nil, "by patient": named("Patient/a", "Patient/b")} {
		s := newSmall(t, rest.Options{Patients: who})
		for range 2 {
			if _, errs := s.look(); len(errs) > 0 {
				t.Fatal(errs)
			}
			for _, line := range s.server.Asked() {
				_, query, _ := strings.Cut(line, "?")
				q, err := url.ParseQuery(query)
				for key := range q {
					if !slices.Contains([]string{"_count", "_id", "_lastUpdated", "_total", "_summary", "_getpages", "patient"}, key) {
						t.Errorf("%s: asked by %s", name, key)
					}
				}
				if at := q.Get("_lastUpdated"); err != nil || at != "" && (!strings.HasPrefix(at, "ge") || !strings.HasSuffix(at, "Z")) {
					t.Errorf("%s: asked %s, %v", name, line, err)
				}
			}
			s.server.Advance(time.Hour)
		}
	}
}

// Q39: everything is read again after the days that are set, so that what was stamped long before it was committed is found.
func TestQ39Reconciliation(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{Reconcile: 48 * time.Hour})
	s.look()
	s.server.Advance(time.Hour)
	s.look()
	s.server.PutLate("ImagingStudy", "late", `"status":"available"`, 40*time.Minute)
	for _, want := range []int{0, 0, 0, 11} {
		if n, errs := s.look(); n != want || len(errs) > 0 {
			t.Errorf("%d resources, want %d; %v", n, want, errs)
		}
		s.server.Advance(24 * time.Hour)
	}
}

// Q39: a cursor of an older version, which held moments alone, is read, and everything is read once more.
func TestQ39OldCursor(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{})
	s.cursor = `{"ImagingStudy":"2026-06-30T12:30:00Z","Patient":"2026-06-30T12:30:00Z"}`
	if n, errs := s.look(); n != 10 || len(errs) > 0 {
		t.Error(n, errs)
	}
}

// Q40: a server that leaves the patient out of a search is refused, since others' data would come.
func TestQ40PatientNotHeeded(t *testing.T) {
	t.Parallel()
	r := startWith(t, rest.Options{Name: "main", Types: []string{"ImagingStudy"}, Patients: named("Patient/a")})
	r.answer = func(q *http.Request) (int, string) {
		return 200, `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"self","url":"http://x.invalid/ImagingStudy?_count=200"}],"entry":[` + of("ImagingStudy", "other") + `]}`
	}
	if ids, _, errs := r.fetch(); ids != "" || len(errs) != 1 || fault.KindOf(errs[0]) != fault.Invalid {
		t.Error(ids, errs)
	}
}

// Q43: a search whose count can never be reached is no success, but it is not read in full for ever either; and a site may
// say that the counts are not to be believed.
func TestQ43CountNeverReached(t *testing.T) {
	t.Parallel()
	answer := func(q *http.Request) (int, string) {
		return 200, `{"resourceType":"Bundle","type":"searchset","total":3,"entry":[{"resource":{"resourceType":"Patient","id":"a","active":true,"meta":{"lastUpdated":"2026-06-30T12:00:00Z"}}}]}`
	}
	full := 0
	r := startCounting(t, rest.Options{Name: "main", Types: []string{"Patient"}})
	r.answer = answer
	for range 12 {
		if ids, _, errs := r.fetch(); len(errs) != 1 || ids == "" || !strings.Contains(errs[0].Error(), "did not come") && !strings.Contains(errs[0].Error(), "owed") {
			t.Error(ids, errs)
		}
		if r.asked[0] == "Patient " {
			full++
		}
	}
	if full < 3 || full > 6 {
		t.Errorf("everything was read %d times of 12", full)
	}
	r = startCounting(t, rest.Options{Name: "main", Types: []string{"Patient"}, IgnoreCounts: true})
	r.answer = answer
	if ids, _, errs := r.fetch(); ids != "a" || len(errs) > 0 {
		t.Error(ids, errs)
	}
}

// startCounting is a rig whose server answers counts as it answers searches.
func startCounting(t *testing.T, o rest.Options) *rig {
	r := startWith(t, o)
	r.counts = true
	return r
}

// Q56: searches go by POST where that is set, with no parameter in the address, and a long one goes so in any case.
func TestQ56SearchByPost(t *testing.T) {
	t.Parallel()
	s := newSmall(t, rest.Options{Post: true})
	if n, errs := s.look(); n != 10 || len(errs) > 0 {
		t.Error(n, errs)
	}
	for _, line := range s.server.Asked() {
		if !strings.HasPrefix(line, "POST ") || strings.Contains(line, "=") {
			t.Errorf("asked %s", line)
		}
	}
}

// Every quirk of searching and of answers has a fault, or a test of its name here or in package fhirhttp.
func TestQuirksAreCovered(t *testing.T) {
	t.Parallel()
	have := map[string]bool{"Q56": true}
	for _, f := range fakefhir.Faults() {
		have[f.Bug] = true
		if f.What == "" || f.Name == "" {
			t.Errorf("%q is not described", f.Name)
		}
	}
	for n := 31; n <= 44; n++ {
		if q := fmt.Sprintf("Q%d", n); !have[q] && q != "Q33" {
			t.Errorf("%s has no fault", q)
		}
	}
	for _, q := range []string{"Q47", "Q48", "Q49", "A9", "A10", "A12", "A13", "R7", "D1"} {
		if !have[q] {
			t.Errorf("%s has no fault", q)
		}
	}
}

// BenchmarkFirstRead reads 2,000 patients and 75,000 other resources for the first time.
func BenchmarkFirstRead(b *testing.B) {
	s := fakefhir.Start(b, fakefhir.Options{Types: []string{"Patient", "Procedure", "ImagingStudy", "Observation"}})
	filler := `"note":[{"text":"` + strings.Repeat("an invented remark about nobody in particular; ", 8) + `"}]`
	for i := range 2000 {
		s.Put("Patient", fmt.Sprintf("p%d", i), `"active":true,"name":[{"family":"Quay","given":["Testa"]}]`)
	}
	for i := range 75_000 {
		typ := []string{"Procedure", "ImagingStudy", "Observation"}[i%3]
		s.Put(typ, fmt.Sprintf("r%d", i), fmt.Sprintf(`"status":"completed","subject":{"reference":"Patient/p%d"},"code":{"coding":[{"system":"http://loinc.org","code":"36141-0"}]},`, i%2000)+filler)
	}
	s.Advance(time.Hour)
	client, err := fhirhttp.New(fhirhttp.Options{Base: s.Base})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		n := 0
		for batch, err := range rest.New(client, rest.Options{Name: "main", Types: []string{"Patient", "Procedure", "ImagingStudy", "Observation"}, Now: s.Now}).Fetch(context.Background(), "") {
			if err != nil {
				b.Fatal(err)
			}
			n += len(batch.Resources)
		}
		if n != 77_000 {
			b.Fatal(n)
		}
	}
}

// A look at everything can be had before its time, type by type and patient by patient.
func TestWhole(t *testing.T) {
	t.Parallel()
	for name, who := range map[string]rest.Cohort{"types": nil, "patients": func(context.Context) ([]string, error) { return []string{"Patient/a", "Patient/b"}, nil }} {
		s := newSmall(t, rest.Options{Patients: who})
		if _, errs := s.look(); len(errs) > 0 {
			t.Fatal(errs)
		}
		s.server.Advance(time.Hour)
		if n, errs := s.look(); n != 0 || len(errs) > 0 {
			t.Fatal(name, n, errs)
		}
		n := 0
		for b, err := range s.source.Whole().Fetch(t.Context(), s.cursor) {
			if err != nil {
				t.Fatal(name, err)
			}
			n, s.cursor = n+len(b.Resources), b.Cursor
		}
		if want := map[string]int{"types": 10, "patients": 4}[name]; n != want {
			t.Errorf("%s: %d resources, want %d", name, n, want)
		}
		if n, errs := s.look(); n != 0 || len(errs) > 0 {
			t.Errorf("%s: after it: %d %v", name, n, errs)
		}
	}
}
