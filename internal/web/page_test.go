package web_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

func get(t testing.TB, s *web.Server, path string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "127.0.0.1:8420"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// page asks for a page that must be there and reads it as a browser does.
func page(t testing.TB, s *web.Server, path string) (*html.Node, string) {
	t.Helper()
	w := get(t, s, path)
	if w.Code != http.StatusOK {
		t.Fatalf("%s: status %d", path, w.Code)
	}
	root, err := html.Parse(strings.NewReader(w.Body.String()))
	if err != nil {
		t.Fatal(err)
	}
	return root, w.Body.String()
}

// all gives every element of a name.
func all(n *html.Node, name string) (list []*html.Node) {
	if n.Type == html.ElementNode && n.Data == name {
		list = append(list, n)
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		list = append(list, all(c, name)...)
	}
	return list
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(text(c) + " ")
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

var paths = []string{"/", "/?rows=all", "/?standing=overdue&sort=window&dir=down", "/questions", "/status", "/patients/rich-1"}

// Every page has what a screen reader, a keyboard and the law of the house need.
func TestStructure(t *testing.T) {
	t.Parallel()
	s := server(t, someWard(60))
	for _, path := range paths {
		root, body := page(t, s, path)
		checkFrame(t, path, root)
		for _, th := range all(root, "th") {
			if sc := attr(th, "scope"); sc != "col" && sc != "row" {
				t.Errorf("%s: a th without scope: %s", path, text(th))
			}
		}
		for _, table := range all(root, "table") {
			if len(all(table, "caption")) != 1 {
				t.Errorf("%s: a table without caption", path)
			}
		}
		for _, sel := range all(root, "select") {
			if sel.Parent.Data != "label" || text(sel.Parent) == "" {
				t.Errorf("%s: a choice without label", path)
			}
		}
		for _, svg := range all(root, "svg") {
			if attr(svg, "aria-hidden") != "true" && (attr(svg, "role") != "img" || len(all(svg, "title")) == 0) {
				t.Errorf("%s: a drawing that says nothing to those who do not see it", path)
			}
		}
		if len(all(root, "script"))+len(all(root, "style"))+len(all(root, "iframe")) > 0 || strings.Contains(body, " style=") || strings.Contains(body, " on") && strings.Contains(body, " onclick=") {
			t.Errorf("%s: script or style inside the page", path)
		}
		if strings.Contains(body, "ZgotmplZ") || strings.Contains(body, "&lt;no value") || strings.Contains(body, "%!") {
			t.Errorf("%s: a template went wrong", path)
		}
	}
}

func checkFrame(t *testing.T, path string, root *html.Node) {
	t.Helper()
	if attr(all(root, "html")[0], "lang") != "en" || len(all(root, "h1")) != 1 || len(all(root, "main")) != 1 || len(all(root, "nav")) == 0 || text(all(root, "title")[0]) == "" {
		t.Errorf("%s: lang, h1, main, nav or title", path)
	}
	if skip := all(root, "a")[0]; attr(skip, "href") != "#content" || attr(all(root, "main")[0], "id") != "content" {
		t.Errorf("%s: no link that skips to the content", path)
	}
	foot := text(all(root, "footer")[0])
	for _, words := range []string{"Not for emergencies", "reads no images and replaces no clinician", "proposes and never orders", "Device labelling, a study's protocol and local policy win", "A quiet list is not proof of safety"} {
		if !strings.Contains(foot, words) {
			t.Errorf("%s: the footer does not say %q", path, words)
		}
	}
	ids := map[string]bool{}
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if id := attr(n, "id"); id != "" {
			if ids[id] {
				t.Errorf("%s: the id %s stands twice", path, id)
			}
			ids[id] = true
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
}

// standingPlan is a plan with one visit of each standing.
func standingPlan() web.Patient {
	p := &surveil.Plan{Patient: "st", AsOf: today(), Surveillance: surveil.StateActive, FollowUp: surveil.RungLost, RungSince: today() - 9, Identifiers: []string{"a|1"}}
	m := surveil.Implant{ID: "Procedure/x", Class: "evar", Index: day.On(day.Of(2020, 1, 31)), Protocol: "p@1", Draft: true, Next: 2}
	for i, st := range []surveil.Standing{surveil.Done, surveil.Excused, surveil.Missed, surveil.Overdue, surveil.Booked, surveil.Open, surveil.Upcoming, surveil.Undecided} {
		at := day.Of(2020+i, 6, 1)
		v := surveil.Visit{Implant: m.ID, Clock: 1, Series: "main", Step: "y" + string(rune('1'+i)), Target: day.On(at), Opens: day.On(at - 90), Closes: day.On(at + 90), Standing: st, Cite: "Invented source 2020", Evidence: "MEM-H",
			Why: []surveil.Reason{{Rule: "protocol-step", From: m.Index, To: day.On(at), Word: "p@1", Facts: []string{"Procedure/x"}}, {Rule: "upcoming", From: day.On(at - 90)}}}
		if st == surveil.Done {
			v.Timing, v.Result, v.Study, v.StudyDate = "late", "awaited", "ImagingStudy/1", day.On(at+100)
		}
		m.Visits = append(m.Visits, v)
		p.Work = append(p.Work, surveil.Work{Key: "k" + v.Step, Kind: surveil.WorkArrange, Urgency: "routine", Implant: m.ID, Visit: v.Key(), By: at + 90, Why: v.Why})
	}
	p.Implants = []surveil.Implant{m}
	return web.Patient{Plan: p, Chart: &chart.Chart{Patient: "st", Name: "Standing Sample"}}
}

// Every standing is on the pages with a word and a shape of its own, as a bar
// and in the table, on the list and on the patient's page.
func TestEveryStandingIsShown(t *testing.T) {
	t.Parallel()
	p := standingPlan()
	w := &ward{patients: map[string]web.Patient{"st": p}, list: web.Worklist{AsOf: today(), Rows: web.Rows(&p)}}
	s := server(t, w)
	for _, path := range []string{"/", "/patients/st"} {
		root, _ := page(t, s, path)
		shapes := map[string]string{}
		for _, span := range all(root, "span") {
			if word, ok := strings.CutPrefix(attr(span, "class"), "st st-"); ok && len(all(span, "path")) == 1 {
				if !strings.Contains(strings.ReplaceAll(text(span), " ", "-"), word) && word != "lost" {
					t.Errorf("%s: %s says %q", path, word, text(span))
				}
				shapes[word] = attr(all(span, "path")[0], "d")
			}
		}
		seen := map[string]string{}
		for _, st := range []string{"done", "excused", "missed", "overdue", "booked", "open", "upcoming", "undecided"} {
			d := shapes[st]
			if d == "" || seen[d] != "" {
				t.Errorf("%s: %s has no shape or that of %q", path, st, seen[d])
			}
			seen[d] = st
		}
	}
	root, body := page(t, s, "/patients/st")
	near, whole, ok := strings.Cut(body, `class="roll"`)
	if !ok || strings.Count(near, `class="today"`) != 1 || strings.Count(whole, `class="today"`) != 1 {
		t.Error("the drawing for a phone, or the whole one, does not show today")
	}
	for st, want := range map[string]int{"done": 0, "missed": 0, "booked": 1, "open": 1, "upcoming": 1} {
		if n := strings.Count(near, "bar bar-"+st+"\""); n != want {
			t.Errorf("the drawing for a phone has %d bars for %s, want %d", n, st, want)
		}
	}
	for _, st := range []string{"done", "excused", "missed", "overdue", "booked", "open", "upcoming", "undecided"} {
		if strings.Count(whole, "bar bar-"+st+"\"") != 1 {
			t.Errorf("the timeline has no bar for %s", st)
		}
	}
	words := text(root)
	for _, want := range []string{"draft protocol", "No clinician has signed this protocol off", "Invented source 2020", "MEM-H", "from memory (sure)", "report awaited", "late", "Under surveillance, lost", "today", "Procedure/x"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Dates are written for people, and no page shows a machine's date.
func TestDatesAreForPeople(t *testing.T) {
	t.Parallel()
	s := server(t, someWard(40))
	for _, path := range paths {
		root, _ := page(t, s, path)
		words := text(all(root, "main")[0])
		if i := strings.Index(words, "2026-0"); i >= 0 {
			t.Errorf("%s: a machine's date: %s", path, words[max(0, i-40):i+20])
		}
		if !strings.Contains(words, "as of 3 Mar 2026") {
			t.Errorf("%s: no as-of date", path)
		}
	}
}

func TestPatientPage(t *testing.T) {
	t.Parallel()
	root, _ := page(t, server(t, someWard(0)), "/patients/rich-1")
	words := text(root)
	for _, want := range []string{"Quillfeather, Ada Isolde", "HB-0044719", "+1 555 0100", "booked date 4 Dec 2025 passed, no study", "TEVAR, 1 Sep 2022", "aorta5", "Invented main body 28-16", "LOT7",
		"travelling, asked for next year", "Taken back by Dr Fenwick Oxlip , 11 Oct 2021 12:00", "not recognised", "taken back", "waits for a person", "did not come", "answered 9 Jan 2026", "Accept it?", "appointment, 14 Apr 2026"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// An implant without a date has no visits because of that, and not because no
// protocol is for it; the page shows no empty table, and does not say that there
// is nothing to do.
func TestImplantWithoutDate(t *testing.T) {
	t.Parallel()
	w := someWard(0)
	c := &chart.Chart{Patient: "history", Name: "Quay-34, Testa"}
	c.Histories = []chart.History{{Source: chart.Source{Ref: "Condition/evar"}, Class: "evar", Zone: "aorta-abdominal"}}
	w.add(web.Patient{Chart: c})
	root, _ := page(t, server(t, w), "/patients/history")
	words := text(root)
	for _, want := range []string{"Unresolved", "EVAR, date not known", "they follow from the date of the operation", "Nothing but to answer the questions"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, not := range []string{"No protocol names this class", "Nothing is to be done now", "Target"} {
		if strings.Contains(words, not) {
			t.Errorf("the page says %q", not)
		}
	}
}

// What fails says so with a number, and nothing of the patient.
func TestErrors(t *testing.T) {
	t.Parallel()
	w := someWard(0)
	s := server(t, w)
	for path, want := range map[string]int{"/patients/nobody": 404, "/patients/" + strings.Repeat("x", 4000): 404, "/nothing": 404, "/patients/": 404} {
		got := get(t, s, path)
		if got.Code != want || !strings.Contains(got.Body.String(), "Number of this failure") || strings.Contains(got.Body.String(), "nobody") {
			t.Errorf("%s: %d", path[:min(30, len(path))], got.Code)
		}
	}
	for kind, want := range map[fault.Kind]int{fault.Unavailable: 503, fault.Canceled: 503, fault.Damaged: 500, fault.Internal: 500, fault.Denied: 403} {
		w := &ward{err: fault.New(kind, "x", "", errors.New("Quillfeather")), patients: w.patients}
		for _, path := range []string{"/", "/worklist.csv", "/questions", "/status", "/patients/rich-1"} {
			if got := get(t, server(t, w), path); got.Code != want || strings.Contains(got.Body.String(), "Quillfeather") {
				t.Errorf("%v %s: %d", kind, path, got.Code)
			}
		}
	}
	r := httptest.NewRequest(http.MethodPost, "/", nil)
	r.Host = "localhost"
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, r)
	if rec.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", rec.Code)
	}
}

// panicking is a clinic with a defect.
type panicking struct{ ward }

func (panicking) Worklist(context.Context) (web.Worklist, error) { panic("Quillfeather") }

func TestPanicIsAPage(t *testing.T) {
	t.Parallel()
	got := get(t, server(t, &panicking{}), "/")
	if got.Code != 500 || strings.Contains(got.Body.String(), "Quillfeather") || !strings.Contains(got.Body.String(), "Number of this failure") {
		t.Errorf("%d", got.Code)
	}
}

func TestHealth(t *testing.T) {
	t.Parallel()
	w := someWard(0)
	check := func(name string, code int, words string) {
		t.Helper()
		if got := get(t, server(t, w), "/healthz"); got.Code != code || strings.TrimSpace(got.Body.String()) != words {
			t.Errorf("%s: %d %q", name, got.Code, got.Body.String())
		}
	}
	check("a silent source", 200, "attention")
	w.status.Alarms, w.status.Sources = nil, w.status.Sources[:1]
	check("all well", 200, "ok")
	w.status.Sums[0].Total++
	check("a broken sum", 200, "attention")
	w.err = errors.New("gone")
	check("no store", 503, "failed: the store cannot be read")
}

// A sum that does not add up is seen at a glance: another sign, another word.
func TestBrokenSum(t *testing.T) {
	t.Parallel()
	w := someWard(0)
	w.status.Sums[1].Parts[0].N -= 2
	root, body := page(t, server(t, w), "/status")
	words := text(root)
	if strings.Count(words, "It adds up.") != 2 || !strings.Contains(words, "≠") || !strings.Contains(words, "398 added up") || !strings.Contains(words, "It does not add up") || strings.Count(body, "sum broken") != 1 {
		t.Error("the broken sum does not show")
	}
	for _, want := range []string{"never", "the server answered 503", "silent for too long", "Go-live has not been said"} {
		if want == "never" {
			w.status.Sources[0].Success = time.Time{}
			root, _ = page(t, server(t, w), "/status")
			words = text(root)
		}
		if !strings.Contains(words, want) {
			t.Errorf("the status does not say %q", want)
		}
	}
}

// The patient's page shows the proposed scan days and until when work is
// snoozed; the worklist counts what is snoozed.
func TestScansAndSnoozedWorkAreShown(t *testing.T) {
	t.Parallel()
	p := standingPlan()
	p.Plan.Scans = []surveil.Scan{{From: today() - 9, To: day.Of(2026, 4, 30), Serves: []string{"Procedure/x/y1", "Procedure/x/aorta5"},
		Kinds: []chart.Kind{chart.CTAngiogram, chart.CTPlain}, Covers: chart.Abdomen | chart.Pelvis}}
	p.Plan.Work[0].Snoozed = day.Of(2026, 5, 6)
	w := &ward{patients: map[string]web.Patient{"st": p}, list: web.Worklist{AsOf: today(), Rows: web.Rows(&p)[1:], Snoozed: 1}}
	s := server(t, w)
	_, body := page(t, s, "/patients/st")
	for _, want := range []string{"One scan day serves: y1, aorta5, any day from today to 30 Apr 2026.", "CT angiogram or CT without contrast, showing abdomen, pelvis", "snoozed until 6 May 2026"} {
		if strings.Count(body, want) != 1 {
			t.Errorf("the page does not say %q once", want)
		}
	}
	if _, body := page(t, s, "/"); !strings.Contains(body, "; 1 snoozed until a later day.") {
		t.Error("the worklist does not count what is snoozed")
	}
}
