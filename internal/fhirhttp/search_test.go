package fhirhttp_test

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
)

// D1: an answer nested deeper than anything in FHIR is refused, what stands in a text is no nesting.
func TestDeepJSON(t *testing.T) {
	t.Parallel()
	for body, kind := range map[string]fault.Kind{
		`{"resourceType":"Bundle","x":` + strings.Repeat("[", 127) + strings.Repeat("]", 127) + `}`: fault.None,
		`{"resourceType":"Bundle","x":` + strings.Repeat("[", 128) + strings.Repeat("]", 128) + `}`: fault.Invalid,
		`{"resourceType":"Bundle","x":"\\\"` + strings.Repeat("[", 300) + `"}`:                      fault.None,
	} {
		r := start(t, func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, body) })
		if _, err := r.pages(t); fault.KindOf(err) != kind {
			t.Errorf("%.60s: %v", body, err)
		}
	}
}

// Q42: an OperationOutcome in place of a Bundle is told in its codes, without its free text.
func TestQ42OutcomeInPlaceOfBundle(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"too-costly","diagnostics":"Testa Quay-34"}]}`)
	})
	_, err := r.pages(t)
	if fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), "error too-costly") || strings.Contains(err.Error(), "Quay") {
		t.Error(err)
	}
}

// Q36: the same page under another address is an error; empty pages may come between, but not without end.
func TestQ36PagesThatRepeat(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		page  func(n int) string
		pages int
		kind  fault.Kind
	}{
		{"the same page again", func(n int) string { return bundle(fmt.Sprintf("Patient?p=%d", n+1), "a") }, 1, fault.Unavailable},
		{"empty ones between", func(n int) string {
			if n == 40 {
				return bundle("", "b")
			}
			return bundle(fmt.Sprintf("Patient?p=%d", n+1))
		}, 1, fault.None},
		{"empty ones without end", func(n int) string { return bundle(fmt.Sprintf("Patient?p=%d", n+1)) }, 0, fault.Unavailable},
	} {
		n := 0
		r := start(t, func(w http.ResponseWriter, _ *http.Request) {
			n++
			io.WriteString(w, c.page(n))
		})
		if got, err := r.pages(t); len(got) != c.pages || fault.KindOf(err) != c.kind || n > 200 {
			t.Errorf("%s: %v %v after %d pages", c.name, got, err, n)
		}
	}
}

// Q56: a search too long for an address goes by POST, a server without it is asked by GET, and either is tried again.
func TestQ56SearchByPost(t *testing.T) {
	t.Parallel()
	var asked []string
	status := map[string]int{}
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		_ = q.ParseForm()
		asked = append(asked, fmt.Sprintf("%s %s %d", q.Method, q.URL.Path, len(q.Form.Get("_id"))))
		if s := status[q.Method]; s != 0 {
			delete(status, "GET")
			w.WriteHeader(s)
			return
		}
		io.WriteString(w, bundle("", "a"))
	})
	search := func(n int, post bool) string {
		asked = nil
		for _, err := range r.Ask(t.Context(), fhirhttp.Ask{Type: "Patient", Params: url.Values{"_id": {strings.Repeat("a", n)}}, Post: post}) {
			if err != nil {
				t.Error(err)
			}
		}
		return strings.Join(asked, ", ")
	}
	if got := search(10, false); got != "GET /fhir/Patient 10" {
		t.Error(got)
	}
	if got := search(10, true) + ", " + search(2000, false); got != "POST /fhir/Patient/_search 10, POST /fhir/Patient/_search 2000" {
		t.Error(got)
	}
	status["POST"] = 405
	if got := search(10, true); got != "POST /fhir/Patient/_search 10, GET /fhir/Patient 10" {
		t.Error(got)
	}
}

// Count asks once and believes only a number.
func TestCount(t *testing.T) {
	t.Parallel()
	for total, want := range map[string]string{`,"total":7`: "7 true", ``: "-1 false", `,"total":"7"`: "-1 false", `,"total":-3`: "-1 false"} {
		r := start(t, func(w http.ResponseWriter, q *http.Request) {
			if q.URL.RawQuery != "_lastUpdated=ge2026&_summary=count" {
				t.Errorf("asked %s", q.URL.RawQuery)
			}
			io.WriteString(w, `{"resourceType":"Bundle","type":"searchset"`+total+`}`)
		})
		n, ok, err := r.Count(t.Context(), fhirhttp.Ask{Type: "Patient", Params: url.Values{"_count": {"5"}, "_lastUpdated": {"ge2026"}}})
		if fmt.Sprint(n, ok) != want || err != nil {
			t.Errorf("%s: %d %v %v", total, n, ok, err)
		}
	}
}
