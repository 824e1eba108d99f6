package rest_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"perennial/internal/fhirhttp"
)

// picky stands in front of the crowd's server and finds patients in one form only: as Patient/id, or by the bare id.
// In the other form it finds nothing, and says no word.
type picky struct {
	*crowd
	slash bool
}

func newPicky(t *testing.T, slash bool) *picky {
	p := &picky{newCrowd(t), slash}
	s := httptest.NewServer(p)
	t.Cleanup(s.Close)
	var err error
	if p.client, err = fhirhttp.New(fhirhttp.Options{Base: s.URL, Tries: 1, Aliases: []string{strings.TrimPrefix(strings.Split(p.server.Base, "/")[2], "/")}}); err != nil {
		t.Fatal(err)
	}
	return p
}

// ServeHTTP passes the search on, in the form that the server behind knows.
func (p *picky) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if who := q.Get("patient"); who != "" {
		if strings.HasPrefix(who, "Patient/") != p.slash {
			who = "nobody"
		}
		q.Set("patient", "Patient/"+strings.TrimPrefix(who, "Patient/"))
	}
	resp, err := http.Get(p.server.Base + r.URL.Path + "?" + q.Encode())
	if err != nil {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	defer resp.Body.Close()
	w.Header().Set("Content-Type", resp.Header.Get("Content-Type"))
	w.Header().Set("Date", resp.Header.Get("Date"))
	w.WriteHeader(resp.StatusCode)
	_, _ = io.Copy(w, resp.Body)
}

// forms counts the searches of studies by the form of the patient.
func (p *picky) forms() (slash, bare int) {
	for _, line := range p.server.Asked() {
		if at := strings.Index(line, "patient="); at >= 0 {
			if text, _ := url.QueryUnescape(line[at:]); strings.HasPrefix(text, "patient=Patient/nobody") {
				bare++ // asked in the form that finds nothing
			} else {
				slash++
			}
		}
	}
	return slash, bare
}

// Q45: a server that finds patients by one form of their id only is asked in that form, once it is known which; while
// it is not, both are tried.
func TestQ45PatientIdForms(t *testing.T) {
	t.Parallel()
	for _, slash := range []bool{true, false} {
		p := newPicky(t, slash)
		p.server.Put("Patient", "empty", `"active":true`)
		if got, errs := p.poll(named("Patient/a", "Patient/b", "Patient/empty")); got != "a b empty s-a s-b" || len(errs) > 0 {
			t.Fatalf("slash %v: %q %v", slash, got, errs)
		}
		if right, wrong := p.forms(); right < 3 || wrong > 1 {
			t.Errorf("slash %v: %d searches in the right form, %d in the wrong one", slash, right, wrong)
		}
		p.server.Advance(time.Hour)
		p.study("t-a", "a")
		if got, errs := p.poll(named("Patient/a", "Patient/b")); got != "a b empty s-a s-b t-a" || len(errs) > 0 {
			t.Fatalf("slash %v: %q %v", slash, got, errs)
		}
		if _, wrong := p.forms(); wrong != 0 {
			t.Errorf("slash %v: %d searches in the wrong form when it was known", slash, wrong)
		}
		if strings.Contains(p.cursor, `"bare":true`) == slash {
			t.Errorf("slash %v: the cursor is %s", slash, p.cursor)
		}
		// The server changes its mind: the next patient who is new tells it, and nothing is lost.
		p.slash = !slash
		p.server.Advance(time.Hour)
		p.study("u-a", "a")
		if _, errs := p.poll(named("Patient/a", "Patient/b", "Patient/c")); len(errs) > 0 {
			t.Fatal(errs)
		}
		p.server.Advance(time.Hour)
		if got, errs := p.poll(named()); got != "a b c empty s-a s-b s-c t-a u-a" || len(errs) > 0 {
			t.Errorf("slash %v: %q %v", slash, got, errs)
		}
	}
}

// Where nobody has anything the two forms cost twice the requests, and only while everything is asked for.
func TestQ45NothingToFind(t *testing.T) {
	t.Parallel()
	p := newPicky(t, true)
	p.server.Put("Patient", "empty", `"active":true`)
	for _, want := range []int{2, 1} {
		if got, errs := p.poll(named("Patient/empty")); got != "empty" || len(errs) > 0 {
			t.Fatal(got, errs)
		}
		if right, wrong := p.forms(); right+wrong != want {
			t.Errorf("%d searches, want %d", right+wrong, want)
		}
		p.server.Advance(time.Hour)
	}
}
