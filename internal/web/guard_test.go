package web_test

import (
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

func pow24(v float64) float64 { return math.Pow(v, 2.4) }

func TestHeaders(t *testing.T) {
	t.Parallel()
	s := server(t, someWard(0))
	for _, path := range append([]string{"/healthz", "/static/style.css", "/static/mark.svg", "/worklist.csv", "/nothing", "/metrics"}, paths...) {
		h := get(t, s, path).Header()
		if csp := h.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none'; style-src 'self'; img-src 'self'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: %s", path, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("X-Frame-Options") != "DENY" {
			t.Errorf("%s: %v", path, h)
		}
		if cc := h.Get("Cache-Control"); cc != "no-store" && !strings.HasPrefix(path, "/static/") {
			t.Errorf("%s: Cache-Control %q", path, cc)
		}
	}
}

// A page of another site that makes a browser ask us under its own name (DNS
// rebinding) gets nothing.
func TestOtherHostNames(t *testing.T) {
	t.Parallel()
	s := server(t, someWard(0))
	for host, want := range map[string]int{"127.0.0.1:8420": 200, "localhost": 200, "localhost:8420": 200, "[::1]:8420": 200, "[::1]": 200, "127.0.0.2": 200,
		"evil.example": 403, "evil.example:8420": 403, "127.0.0.1.evil.example": 403, "": 403, "10.0.0.1": 403, "localhost.evil.example": 403} {
		r := httptest.NewRequest(http.MethodGet, "/patients/rich-1", nil)
		r.Host = host
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != want || want != 200 && strings.Contains(w.Body.String(), "Quillfeather") {
			t.Errorf("%q: %d", host, w.Code)
		}
	}
}

func TestAddress(t *testing.T) {
	t.Parallel()
	s := server(t, someWard(0))
	for addr, ok := range map[string]bool{"127.0.0.1:8420": true, "localhost:0": true, "[::1]:1": true, "127.9.9.9:1": true,
		":8420": false, "0.0.0.0:8420": false, "[::]:8420": false, "192.168.0.4:80": false, "ward.example.org:80": false, "127.0.0.1": false, "": false} {
		h, err := s.HTTP(addr)
		if (err == nil) != ok {
			t.Errorf("%q: %v", addr, err)
		}
		if err != nil && (fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "") {
			t.Errorf("%q: %v", addr, err)
		}
		if ok && (h.ReadHeaderTimeout == 0 || h.IdleTimeout == 0 || h.MaxHeaderBytes > 16<<10) {
			t.Errorf("%q: a server without limits", addr)
		}
	}
	_, err := s.HTTP("0.0.0.0:8420")
	if !strings.Contains(err.Error(), "no accounts yet") {
		t.Errorf("the reason is not said: %v", err)
	}
}

// evilText is markup, an attribute's end, a script's address and characters
// that turn the direction of writing.
const evilText = `"><script>alert(1)</script><img src=x onerror=alert(1)>' javascript:alert(1)` + "\u202e\u2066\x00\x07"

// evil is a patient of whom every word that can be shown is hostile.
func evil() web.Patient {
	e := evilText
	why := []surveil.Reason{{Rule: e, Facts: []string{e}, Word: e, Cite: e}, {Rule: "asked-on-reading", Facts: []string{e, e}, Word: e}}
	v := surveil.Visit{Implant: e, Clock: 1, Series: e, Step: e, Target: day.On(today()), Opens: day.On(today() - 9), Closes: day.On(today() + 9), Standing: surveil.Standing(e), Timing: e, Study: e, StudyDate: day.On(today()), Result: e,
		Booking: &surveil.VisitBooking{Appointment: e, Date: today()}, Excuse: e, Added: true, Cite: e, Evidence: e, Protocol: e, Why: why}
	m := surveil.Implant{ID: e, Class: e, Index: day.On(today() - 99), Zone: e, Side: e, Protocol: e, Chosen: e, Draft: true, Ended: surveil.End(e), EndedOn: today(), Visits: []surveil.Visit{v}, Performer: e, Why: why,
		Devices: []chart.Device{{Name: e, UDI: e, Lot: e, Serial: e, Issuer: e, Part: e, Parent: e, Odd: e}}}
	p := &surveil.Plan{Patient: e, AsOf: today(), Identifiers: []string{"x|" + e}, Surveillance: surveil.State("active"), FollowUp: surveil.Rung(e), Implants: []surveil.Implant{m}, Notes: why,
		Work: []surveil.Work{{Key: e, Kind: e, Urgency: e, By: today(), Implant: e, Visit: v.Key(), About: e, Why: why}}, Questions: []surveil.Question{{Key: e, Kind: e, About: e, Visit: e, Hides: true, Why: why[1]}}}
	c := &chart.Chart{Patient: e, Name: e, Sex: e, Phone: e, Identifiers: []string{e},
		Operations: []chart.Operation{{Source: chart.Source{Ref: e}, On: day.On(today() - 99), Role: chart.Role(e), Class: e}},
		Studies:    []chart.Study{{Source: chart.Source{Ref: e}, On: day.On(today()), Said: e, How: e, UID: e}},
		Attempts:   []chart.Attempt{{On: day.On(today()), Channel: e, Outcome: e}},
		Rulings:    []chart.Ruling{{ID: e, Kind: chart.RulingKind(e), About: e, Visit: e, Value: e, Who: e, When: e, Why: e, TakenBack: &chart.TakenBack{Who: e, When: e, Why: e}}}}
	return web.Patient{Site: e, Plan: p, Chart: c}
}

// Hostile text stays text, on every page and in every field.
func TestHostileText(t *testing.T) {
	t.Parallel()
	e, p := evilText, evil()
	w := &ward{patients: map[string]web.Patient{"evil": p}, list: web.Worklist{AsOf: today(), Site: e, Alarms: []string{e}}, questions: web.Questions{AsOf: today(), Site: e}}
	row := web.Rows(&p)[0]
	row.Standing = surveil.Overdue
	w.list.Rows = []web.Row{web.Rows(&p)[0], row}
	w.questions.Rows = []web.Question{{Patient: e, Name: e, Record: e, Kind: e, Text: e, About: e, Visit: e}}
	parts := []web.Part{{Name: e, N: 1}}
	w.status = web.Status{AsOf: today(), Site: e, Alarms: []string{e}, Mode: e, LiveBy: e, Live: now(), Sums: []web.Sum{{Name: e, Total: 1, Parts: parts}}, Sources: []web.Source{{Name: e, Error: e}}, Outbox: parts, Work: parts,
		Care: []web.Care{{Classes: e, Protocol: e, Chosen: e}}}
	s, err := web.New(web.Options{Clinic: w, Version: e, Now: now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/", "/questions", "/status", "/patients/evil", "/nothing"} {
		body := get(t, s, path).Body.String()
		lower := strings.ToLower(body)
		for _, bad := range []string{"<script", "<img", "onerror=alert(1)>", `href="javascript`, `href='javascript`} {
			if strings.Contains(lower, bad) {
				t.Errorf("%s: %q came through", path, bad)
			}
		}
		if strings.ContainsAny(body, "\u202e\u2066\x00\x07") {
			t.Errorf("%s: a control character came through", path)
		}
		if !strings.Contains(body, "alert(1)") {
			t.Errorf("%s: the test shows nothing hostile", path)
		}
	}
}

// A text of megabytes is cut, and the page stays small.
func TestLongText(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("Aä", 2_500_000)
	w := &ward{list: web.Worklist{AsOf: today(), Rows: []web.Row{{Patient: "1", Name: long, Record: long, Phone: long, Why: long, Step: long, Kind: surveil.WorkArrange}}}}
	if n := get(t, server(t, w), "/").Body.Len(); n > 40_000 {
		t.Errorf("%d bytes", n)
	}
}
