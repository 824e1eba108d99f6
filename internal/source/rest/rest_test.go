package rest_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
)

// rig is a server with a clock; answer says what it has for a request.
type rig struct {
	*rest.Source
	t      *testing.T
	cursor string
	asked  []string
	date   string
	counts bool // it answers counts as it answers searches
	answer func(q *http.Request) (status int, body string)
}

func start(t *testing.T, types ...string) *rig {
	return startWith(t, rest.Options{Name: "main", Types: types})
}

func startWith(t *testing.T, o rest.Options) *rig {
	t.Helper()
	r := &rig{t: t, date: "Tue, 30 Jun 2026 12:00:00 GMT"}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		w.Header()["Date"] = nil
		if q.URL.Query().Get("_summary") == "count" && !r.counts { // it does not count
			fmt.Fprint(w, page(""))
			return
		}
		if q.URL.Query().Get("_summary") == "" {
			r.asked = append(r.asked, strings.TrimPrefix(q.URL.Path, "/fhir/")+" "+q.URL.Query().Get("_lastUpdated"))
		}
		status, body := r.answer(q)
		if r.date != "" {
			w.Header().Set("Date", r.date)
		}
		w.WriteHeader(status)
		fmt.Fprint(w, body)
	}))
	t.Cleanup(s.Close)
	c, err := fhirhttp.New(fhirhttp.Options{Base: s.URL + "/fhir", Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	o.Now = func() time.Time { return time.Date(2026, 6, 30, 13, 0, 0, 0, time.UTC) }
	r.Source = rest.New(c, o)
	return r
}

func (r *rig) fetch() (ids string, issues []fhir.Issue, errs []error) {
	r.t.Helper()
	r.asked = nil
	for b, err := range r.Fetch(r.t.Context(), r.cursor) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for _, raw := range b.Resources {
			_, id := fhir.Peek(raw.Body)
			ids += id
		}
		issues = append(issues, b.Issues...)
		r.cursor = unmarked.ReplaceAllString(b.Cursor, "")
	}
	return ids, issues, errs
}

// unmarked takes the mark of the server off a cursor: it differs at each run.
var unmarked = regexp.MustCompile(`,?"server":\{"what":"[0-9a-f]{16}"\}`)

func page(next string, entries ...string) string {
	b := `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"` + map[bool]string{true: "self", false: "next"}[next == ""] + `","url":"` + next + `"}]`
	if len(entries) > 0 {
		b += `,"entry":[` + strings.Join(entries, ",") + `]`
	}
	return b + "}"
}

func one(id string) string { return of("Patient", id) }

func of(typ, id string) string {
	return `{"resource":{"resourceType":"` + typ + `","id":"` + id + `","language":"pt","status":"completed"}}`
}

// The place of a type is the server's clock at its first page less ten minutes, and it moves only with the last page.
func TestCursor(t *testing.T) {
	t.Parallel()
	r := start(t, "Patient", "Procedure")
	r.answer = func(q *http.Request) (int, string) {
		switch {
		case q.URL.Path == "/fhir/Procedure":
			return 200, page("")
		case q.URL.Query().Get("p") == "2":
			r.date = "Tue, 30 Jun 2026 12:30:00 GMT" // later than the first page
			return 200, page("", one("b"))
		}
		return 200, page("Patient?p=2", one("a"), `{"search":{"mode":"include"}}`)
	}
	var cursors []string
	for b, err := range r.Fetch(t.Context(), "") {
		if err != nil {
			t.Fatal(err)
		}
		cursors = append(cursors, unmarked.ReplaceAllString(b.Cursor, ""))
	}
	patient := `"Patient":{"from":"2026-06-30T11:50:00Z","full":"2026-06-30T11:50:00Z","count":2}`
	want := []string{`{}`, `{` + patient + `}`, `{` + patient + `,"Procedure":{"from":"2026-06-30T12:20:00Z","full":"2026-06-30T12:20:00Z"}}`}
	if fmt.Sprint(cursors) != fmt.Sprint(want) {
		t.Errorf("%v", cursors)
	}
	if got := fmt.Sprint(r.asked); got != "[Patient  Patient  Procedure ]" {
		t.Errorf("asked %v", got)
	}
	r.cursor = cursors[2]
	if ids, _, errs := r.fetch(); ids != "ab" || len(errs) > 0 || r.asked[0] != "Patient ge2026-06-30T11:50:00Z" || r.asked[2] != "Procedure ge2026-06-30T12:20:00Z" {
		t.Errorf("%q %v, asked %q", ids, errs, r.asked)
	}
}

// A type that fails keeps its place, whether at the first page or later; the others go on.
func TestFailingType(t *testing.T) {
	t.Parallel()
	r := start(t, "Patient", "Procedure")
	r.answer = func(q *http.Request) (int, string) {
		switch {
		case q.URL.Query().Get("p") == "2":
			return 500, "x"
		case q.URL.Path == "/fhir/Patient":
			return 200, page("Patient?p=2", one("a"))
		}
		return 200, page("", of("Procedure", "b"))
	}
	ids, _, errs := r.fetch()
	want := `{"Patient":{"tried":1},"Procedure":{"from":"2026-06-30T11:50:00Z","full":"2026-06-30T11:50:00Z","count":1}}`
	if ids != "ab" || len(errs) != 1 || fault.KindOf(errs[0]) != fault.Unavailable || r.cursor != want {
		t.Errorf("%q %v %s", ids, errs, r.cursor)
	}
}

// A server that reports an error among its entries may have held something back.
func TestOutcomeAmongEntries(t *testing.T) {
	t.Parallel()
	for severity, want := range map[string]string{
		"error":   `{"Patient":{"from":"2026-06-30T11:50:00Z","tried":1}}`,
		"warning": `{"Patient":{"from":"2026-06-30T11:50:00Z","full":"2026-06-30T11:50:00Z","count":1}}`,
	} {
		r := start(t, "Patient")
		r.answer = func(*http.Request) (int, string) {
			return 200, page("", one("a"), `{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"`+severity+`","code":"incomplete"}]}}`)
		}
		ids, issues, errs := r.fetch()
		if ids != "a" || len(issues) > 0 || r.cursor != want || (len(errs) == 1) != (severity == "error") || len(errs) == 1 && !strings.Contains(errs[0].Error(), "error incomplete") {
			t.Errorf("%s: %q %v %v %s", severity, ids, issues, errs, r.cursor)
		}
	}
}

// Without the server's clock everything is asked for again; a clock that was put back moves the place back:
// what is stamped from now on must not lie before it.
func TestClocks(t *testing.T) {
	t.Parallel()
	r := start(t, "Patient")
	r.answer = func(*http.Request) (int, string) { return 200, page("", one("a")) }
	r.date = ""
	if ids, _, errs := r.fetch(); ids != "a" || len(errs) > 0 || r.cursor != `{"Patient":{"count":1}}` {
		t.Error(ids, errs, r.cursor)
	}
	r.cursor, r.date = `{"Patient":"2026-06-30T13:00:00Z"}`, "Tue, 30 Jun 2026 12:00:00 GMT"
	if _, _, errs := r.fetch(); len(errs) > 0 || !strings.HasPrefix(r.cursor, `{"Patient":{"from":"2026-06-30T11:50:00Z"`) {
		t.Error(errs, r.cursor)
	}
}

func TestOverlapHasALeast(t *testing.T) {
	t.Parallel()
	r := start(t, "Patient")
	r.answer = func(*http.Request) (int, string) { return 200, page("") }
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Date", r.date)
		fmt.Fprint(w, page(""))
	}))
	t.Cleanup(s.Close)
	c, err := fhirhttp.New(fhirhttp.Options{Base: s.URL})
	if err != nil {
		t.Fatal(err)
	}
	for b := range rest.New(c, rest.Options{Types: []string{"Patient"}, Overlap: time.Second}).Fetch(t.Context(), "") {
		if unmarked.ReplaceAllString(b.Cursor, "") != `{"Patient":{"from":"2026-06-30T11:57:50Z","full":"2026-06-30T11:57:50Z"}}` {
			t.Error(b.Cursor)
		}
	}
}

func TestBadCursorAndStopping(t *testing.T) {
	t.Parallel()
	r := start(t, "Patient", "Procedure")
	r.answer = func(*http.Request) (int, string) { return 200, page("", one("a")) }
	r.cursor = "x"
	if _, _, errs := r.fetch(); len(errs) != 1 || fault.KindOf(errs[0]) != fault.Damaged || len(r.asked) > 0 {
		t.Error(errs)
	}
	for range r.Fetch(t.Context(), "") {
		break
	}
	if len(r.asked) != 1 {
		t.Error(r.asked)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for range r.Fetch(ctx, "") {
		cancel()
	}
	if len(r.asked) != 2 {
		t.Error(r.asked)
	}
}

// What the server says it cannot search is passed over, but for what surveillance
// cannot do without; a server that says nothing of use is asked for everything.
func TestDiscover(t *testing.T) {
	t.Parallel()
	statement := func(types ...string) string {
		for i, typ := range types {
			types[i] = `{"type":"` + typ + `","interaction":[{"code":"search-type"}]}`
		}
		return `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server","resource":[` + strings.Join(types, ",") + `]}]}`
	}
	for _, one := range []struct {
		status      int
		says, asked string
	}{
		{200, statement("Patient", "Task"), "metadata Patient Procedure Task"},
		{200, statement("Patient", "Procedure", "Task", "Condition"), "metadata Patient Procedure Condition Task"},
		{200, statement(), "metadata Patient Procedure Condition Task"},
		{404, `{"resourceType":"OperationOutcome"}`, "metadata Patient Procedure Condition Task"},
	} {
		r := startWith(t, rest.Options{Name: "main", Types: []string{"Patient", "Procedure", "Condition", "Task"}, Discover: true})
		r.answer = func(q *http.Request) (int, string) {
			if q.URL.Path == "/fhir/metadata" {
				return one.status, one.says
			}
			return 200, page("")
		}
		if _, _, errs := r.fetch(); len(errs) > 0 {
			t.Errorf("%s: %v", one.says, errs)
		}
		if got := strings.Join(strings.Fields(strings.Join(r.asked, " ")), " "); got != one.asked {
			t.Errorf("%s: asked for %s, want %s", one.says, got, one.asked)
		}
	}
}
