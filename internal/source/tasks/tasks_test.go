package tasks_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/source/tasks"
	"perennial/internal/testkit/fakefhir"
)

// ours are the members of a Task of a site.
func ours(site string, n int, status string) string {
	return fmt.Sprintf(`"identifier":[{"system":"%s","value":"%s"}],"status":%q`, fhir.TokenSystem(site), fhir.Token(site, fmt.Sprint(n)), status)
}

type reader struct {
	t      *testing.T
	fake   *fakefhir.Server
	s      *tasks.Source
	cursor string
}

func newReader(t *testing.T, params bool, missed func() bool) *reader {
	t.Helper()
	r := &reader{t: t, fake: fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})}
	c, err := fhirhttp.New(fhirhttp.Options{Base: r.fake.Base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	o := rest.Options{Name: "tasks", Types: []string{"Task"}, Now: r.fake.Now}
	if params {
		o.Params = tasks.Params("a")
	}
	r.s = tasks.New(tasks.Options{Site: "a", From: rest.New(c, o), Missed: missed})
	return r
}

// read gives the statuses of what comes, sorted, and the error.
func (r *reader) read() (list []string, err error) {
	r.t.Helper()
	for b, e := range r.s.Fetch(r.t.Context(), r.cursor) {
		if e != nil {
			err = e
			continue
		}
		for _, raw := range b.Resources {
			_, rest, _ := strings.Cut(string(raw.Body), `"status":"`)
			status, _, _ := strings.Cut(rest, `"`)
			list = append(list, status)
			if raw.FullURL != "" {
				r.t.Errorf("its address: %s", raw.FullURL)
			}
		}
		r.cursor = b.Cursor
	}
	slices.Sort(list)
	return list, err
}

// Only what the site itself wrote comes back, whether the server heeds the
// identifier or not; then only what changed, for one request.
func TestOnlyOurs(t *testing.T) {
	t.Parallel()
	for _, heeds := range []bool{true, false} {
		r := newReader(t, heeds, nil)
		if r.s.Name() != "tasks" {
			t.Error(r.s.Name())
		}
		r.fake.Put("Task", "1", ours("a", 1, "requested"))
		r.fake.Put("Task", "2", ours("a", 2, "accepted"))
		r.fake.Put("Task", "3", ours("b", 1, "rejected"))
		r.fake.Put("Task", "4", `"status":"failed"`)
		r.fake.Advance(time.Hour)
		if got, err := r.read(); err != nil || !slices.Equal(got, []string{"accepted", "requested"}) {
			t.Errorf("%v %v", got, err)
		}
		r.fake.Advance(time.Hour)
		r.fake.Asked()
		if got, err := r.read(); err != nil || got != nil {
			t.Errorf("nothing new: %v %v", got, err)
		}
		if asked := r.fake.Asked(); len(asked) != 1 {
			t.Errorf("asked %q", asked)
		}
		r.fake.Put("Task", "1", ours("a", 1, "on-hold"))
		if got, err := r.read(); err != nil || !slices.Equal(got, []string{"on-hold"}) {
			t.Errorf("%v %v", got, err)
		}
	}
}

// A server that finds none of the Tasks that were sent there is not silent about
// it: an error says so, until one came.
func TestNoneIsFound(t *testing.T) {
	t.Parallel()
	missed := true
	r := newReader(t, true, func() bool { return missed })
	for range 2 {
		if _, err := r.read(); fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), "does not come back") || fault.HintOf(err) == "" {
			t.Error(err)
		}
	}
	r.fake.Put("Task", "1", ours("a", 1, "requested"))
	if got, err := r.read(); err != nil || len(got) != 1 {
		t.Errorf("%v %v", got, err)
	}
	missed = false
	r.fake.Advance(time.Hour)
	if _, err := r.read(); err != nil { // the overlap gives it once more
		t.Error(err)
	}
	r.fake.Advance(time.Hour)
	if got, err := r.read(); err != nil || len(got) != 0 {
		t.Errorf("%v %v", got, err)
	}
}
