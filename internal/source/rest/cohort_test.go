package rest_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// crowd is a server with patients a to e, each with a study, and a source that reads some of them.
type crowd struct {
	*delivered
	t      *testing.T
	server *fakefhir.Server
	client *fhirhttp.Client
	cursor string
}

func newCrowd(t *testing.T) *crowd {
	t.Helper()
	c := &crowd{&delivered{newest: map[string]state{}}, t, fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient", "ImagingStudy"}}), nil, ""}
	for _, id := range strings.Fields("a b c d e") {
		c.server.Put("Patient", id, `"active":true`)
		c.study("s-"+id, id)
	}
	c.server.Advance(time.Hour)
	var err error
	c.client, err = fhirhttp.New(fhirhttp.Options{Base: c.server.Base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *crowd) study(id, patient string) {
	c.server.Put("ImagingStudy", id, `"status":"available","subject":{"reference":"Patient/`+patient+`"}`)
}

func (c *crowd) poll(who rest.Cohort) (got string, errs []error) {
	c.t.Helper()
	return c.pollTypes(who, "Patient", "ImagingStudy")
}

func (c *crowd) pollTypes(who rest.Cohort, types ...string) (got string, errs []error) {
	c.t.Helper()
	c.server.Asked()
	s := rest.New(c.client, rest.Options{Name: "main", Types: types, Patients: who, Now: c.server.Now})
	for b, err := range s.Fetch(c.t.Context(), c.cursor) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for _, raw := range b.Resources {
			c.take(c.t, raw.Body)
		}
		c.cursor = b.Cursor
	}
	var refs []string
	for ref := range c.newest {
		refs = append(refs, ref[strings.IndexByte(ref, '/')+1:])
	}
	slices.Sort(refs)
	return strings.Join(refs, " "), errs
}

func named(ids ...string) rest.Cohort {
	return func(context.Context) ([]string, error) { return ids, nil }
}

// Q44: a server that searches by patient only is read patient by patient. Who is new is read in full, the others from
// the last time on; who failed is read in full the next time; who is no longer listed is read on.
func TestQ44PatientByPatient(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	if got, errs := c.poll(named("Patient/a", "Patient/b")); got != "a b s-a s-b" || len(errs) > 0 {
		t.Fatal(got, errs)
	}
	for _, line := range c.server.Asked() {
		if !strings.Contains(line, "patient=Patient%2F") && !strings.Contains(line, "_id=") {
			t.Errorf("everything was asked for: %s", line)
		}
	}
	c.server.Advance(time.Hour)
	c.study("t-a", "a")
	if got, errs := c.poll(named("Patient/b", "Patient/c")); got != "a b c s-a s-b s-c t-a" || len(errs) > 0 {
		t.Fatal(got, errs)
	}
	full := 0
	for _, line := range c.server.Asked() {
		if !strings.Contains(line, "_lastUpdated") {
			full++
		}
	}
	if full != 2 {
		t.Errorf("%d of the searches had no moment, want those of the new patient", full)
	}
	c.server.Advance(time.Hour)
	c.study("t-b", "b")
	c.server.Break("500", 1)
	if _, errs := c.poll(named()); len(errs) == 0 {
		t.Fatal("no error")
	}
	c.server.Heal()
	c.server.Advance(time.Hour)
	if got, errs := c.poll(named()); got != "a b c s-a s-b s-c t-a t-b" || len(errs) > 0 {
		t.Fatal(got, errs)
	}
	if got, errs := c.poll(func(context.Context) ([]string, error) { return nil, errors.New("gone") }); len(errs) != 1 || got == "" {
		t.Error(got, errs)
	}
}

// A type that comes later is read in full of those who were read before, and from then on like the others.
func TestTypeThatComesLater(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	if got, errs := c.pollTypes(named("Patient/a", "Patient/b"), "Patient"); got != "a b" || len(errs) > 0 {
		t.Fatal(got, errs)
	}
	c.server.Advance(time.Hour)
	if got, errs := c.poll(named("Patient/a", "Patient/b")); got != "a b s-a s-b" || len(errs) > 0 {
		t.Fatal(got, errs)
	}
	c.server.Advance(time.Hour)
	if _, errs := c.poll(named("Patient/a", "Patient/b")); len(errs) > 0 {
		t.Fatal(errs)
	}
	for _, line := range c.server.Asked() {
		if !strings.Contains(line, "_lastUpdated") {
			t.Errorf("everything was asked for again: %s", line)
		}
	}
}

// Members of a Group or List are read, those marked as gone too.
func TestCohortOnServer(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	c.server.Put("Group", "g", `"member":[{"entity":{"reference":"Patient/a"}},{"entity":{"reference":"http://x.invalid/Patient/b/_history/3"},"inactive":true}]`)
	c.server.Put("List", "l", `"entry":[{"item":{"reference":"Patient/c"},"deleted":true},{"item":{"display":"Testa Quay-34"}}]`)
	for _, one := range []struct {
		who  rest.Cohort
		ids  string
		kind fault.Kind
	}{
		{rest.Group(c.client, "g"), "[Patient/a Patient/b]", fault.None},
		{rest.List(c.client, "l"), "[Patient/c]", fault.Invalid},
		{rest.List(c.client, "none"), "[]", fault.NotFound},
	} {
		ids, err := one.who(t.Context())
		if fmt.Sprint(ids) != one.ids || fault.KindOf(err) != one.kind || err != nil && strings.Contains(err.Error(), "Quay") {
			t.Error(ids, err)
		}
	}
}

func TestCohortFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "patients.txt")
	write := func(text string) ([]string, error) {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return rest.File(path)(t.Context())
	}
	if ids, err := write("\ufeff# implants\na\r\n\n  Patient/b # since March\na\n"); err != nil || fmt.Sprint(ids) != "[Patient/a Patient/b]" {
		t.Error(ids, err)
	}
	ids, err := write("a\n  Testa Quay\nb\nx/y\n")
	want := "read patients: " + path + ":2:3: an id of a patient is expected here: letters, digits, - and . only, at most 64\n" +
		path + ":4:1: an id of a patient is expected here: letters, digits, - and . only, at most 64"
	if fmt.Sprint(ids) != "[Patient/a Patient/b]" || err == nil || err.Error() != want {
		t.Errorf("%v %v", ids, err)
	}
	if _, err := rest.File(path + "x")(t.Context()); fault.KindOf(err) != fault.NotFound {
		t.Error(err)
	}
}

func FuzzParseIDs(f *testing.F) {
	f.Add("a\nPatient/b # x\n\n")
	f.Add("Patient/Patient/a")
	f.Fuzz(func(t *testing.T, text string) {
		ids, _ := rest.ParseIDs("x", []byte(text))
		for _, id := range ids {
			if !strings.HasPrefix(id, "Patient/") || strings.ContainsAny(id, " \n#") {
				t.Errorf("%q", id)
			}
		}
	})
}
