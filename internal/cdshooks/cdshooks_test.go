package cdshooks_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"perennial/internal/cdshooks"
)

// all are patients of whom something is known: overdue, due, nothing due, no
// implant, a merged record.
func all() string {
	return person("late", "2024-02-03") + scan("l1", "late", "2024-03-02") +
		person("open", "2024-06-03") + scan("o1", "open", "2024-07-02") +
		person("done", "2024-12-03") + scan("d1", "done", "2025-01-02") +
		`{"resourceType":"Patient","id":"bare","birthDate":"1960"}` + "\n" +
		`{"resourceType":"Patient","id":"old","active":false,"link":[{"other":{"reference":"Patient/late"},"type":"replaced-by"}]}` + "\n"
}

// One card for whom something is to be done, and none for all others.
func TestCards(t *testing.T) {
	t.Parallel()
	r := newRig(t, all(), nil)
	for _, c := range []struct {
		body, indicator, summary string
		detail                   []string
	}{
		{view("late", ""), "warning", "EVAR surveillance imaging (y1) is overdue since 5 May 2025", []string{"Implanted 3 Feb 2024", "Why: svs-aaa-2018@1 y1", "Source: Chaikof", "proposal and no order", "draft", "Imaging that does: "}},
		{view("Patient/late", ""), "warning", "is overdue since", nil},
		{view("old", ""), "warning", "is overdue since", nil},
		{view("late", `,"fhirServer":"https://fhir.example.org/r4","fhirAuthorization":{"access_token":"MARKER"}`), "warning", "is overdue since", nil},
		{view("late", `,"prefetch":{"patient":{"resourceType":"Patient","id":"late","birthDate":"1950-02-03"}}`), "warning", "is overdue since", nil},
		{view("late", `,"prefetch":{"patient":{"resourceType":"Patient","id":"late","birthDate":"1950"}}`), "warning", "is overdue since", nil},
		{view("late", `,"prefetch":{"patient":null}`), "warning", "is overdue since", nil},
		{view("open", ""), "info", "EVAR surveillance imaging (y1) is due by ", []string{"proposal and no order"}},
		{view("done", ""), "", "", nil},
		{view("bare", ""), "", "", nil},
		{view("nobody", ""), "", "", nil},
	} {
		got := r.cards(c.body)
		if c.indicator == "" {
			if len(got.Cards) != 0 {
				t.Errorf("%s: a card: %+v", c.body, got)
			}
			continue
		}
		if len(got.Cards) != 1 {
			t.Fatalf("%s: %d cards", c.body, len(got.Cards))
		}
		one := got.Cards[0]
		if one.Indicator != c.indicator || !strings.Contains(one.Summary, c.summary) || utf8.RuneCountInString(one.Summary) >= 140 || one.Source.Label != "Implant surveillance, Quay Unit" {
			t.Errorf("%s: %+v", c.body, one)
		}
		for _, want := range c.detail {
			if !strings.Contains(one.Detail, want) {
				t.Errorf("%s: not %q in %s", c.body, want, one.Detail)
			}
		}
		if len(one.Links) != 1 || one.Links[0].Type != "absolute" || !strings.HasPrefix(one.Links[0].URL, "https://surveillance.example.org/patients/") || one.Links[0].Label == "" {
			t.Errorf("links: %+v", one.Links)
		}
		if strings.Contains(one.Detail+one.Summary, "Testa") {
			t.Error("the card names the patient, who is on the screen already")
		}
	}
}

// No empty element but the list of cards (CDS Hooks, "Null and empty JSON elements").
func TestNothingEmpty(t *testing.T) {
	t.Parallel()
	r := newRig(t, all(), func(o *cdshooks.Options) { o.Link = "" })
	_, text, _ := r.ask("POST", service, view("late", ""))
	for _, empty := range []string{`""`, "null", "[]", "{}", "links"} {
		if strings.Contains(string(text), empty) {
			t.Errorf("%s in %s", empty, text)
		}
	}
	if _, text, _ := r.ask("POST", service, view("done", "")); string(text) != `{"cards":[]}` {
		t.Errorf("no card is %s", text)
	}
}

// Discovery says what there is, as the specification has it.
func TestDiscovery(t *testing.T) {
	t.Parallel()
	r := newRig(t, "", nil)
	status, text, _ := r.ask("GET", "/cds-services", "")
	var d struct {
		Services []struct {
			Hook, Title, Description, ID string
			Prefetch                     map[string]string
		}
	}
	if err := json.Unmarshal(text, &d); err != nil || status != 200 || len(d.Services) != 1 {
		t.Fatalf("%d %s", status, text)
	}
	if s := d.Services[0]; s.Hook != "patient-view" || s.ID != "implant-surveillance" || s.Description == "" || s.Title == "" || s.Prefetch["patient"] != "Patient/{{context.patientId}}" {
		t.Errorf("%+v", s)
	}
}

// What is refused, and how.
func TestRefused(t *testing.T) {
	t.Parallel()
	r := newRig(t, all(), func(o *cdshooks.Options) { o.Servers = []string{"", "https://fhir.example.org/r4/"} })
	for _, c := range []struct {
		method, address, body string
		headers               []string
		status                int
	}{
		{"POST", service, view("late", `,"fhirServer":"https://fhir.example.org/r4"`), nil, 200},
		{"POST", service, view("late", `,"fhirServer":"https://fhir.example.org/r4/"`), nil, 200},
		{"POST", service, view("late", ""), nil, 200},
		{"POST", service, view("late", `,"fhirServer":"https://other.example.org/r4"`), nil, 412},
		{"POST", service, view("late", `,"prefetch":{"patient":{"id":"open"}}`), nil, 412},
		{"POST", service, view("late", `,"prefetch":{"patient":{"id":"late","birthDate":"1951-02-03"}}`), nil, 412},
		{"POST", service, "", nil, 400},
		{"POST", service, "[]", nil, 400},
		{"POST", service, `{"hook":"order-sign","context":{"patientId":"late"}}`, nil, 400},
		{"POST", service, view("", ""), nil, 400},
		{"POST", service, view("a/b", ""), nil, 400},
		{"POST", service, view("late", ""), []string{"Content-Type", "text/plain"}, 415},
		{"POST", service, view("late", `,"x":"`+strings.Repeat("x", 1<<20)+`"`), nil, 413},
		{"GET", service, "", nil, 405},
		{"POST", "/cds-services", "{}", nil, 405},
		{"POST", service + "/feedback", "{}", nil, 404},
		{"GET", "/cds-services/other", "", nil, 404},
		{"POST", service, view("late", ""), []string{"Host", "evil.example"}, 403},
		{"POST", service, view("late", ""), []string{"X-Forwarded-For", "198.51.100.7"}, 403},
	} {
		status, text, h := r.ask(c.method, c.address, c.body, c.headers...)
		if status != c.status || status == 405 && h.Get("Allow") == "" || !json.Valid(text) {
			t.Errorf("%s %s %.80s: %d, not %d: %s", c.method, c.address, c.body, status, c.status, text)
		}
	}
}

// Only scripts of the pages that the settings name may ask, and learn that from
// the answer to OPTIONS without a login.
func TestCORS(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(file, []byte("a-token-of-a-test-0123456789"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, all(), func(o *cdshooks.Options) {
		o.Gate.Token.File, o.Origins = file, []string{"https://records.example.org"}
	})
	for _, c := range []struct {
		method, origin, token, allowed string
		status                         int
	}{
		{"OPTIONS", "https://records.example.org", "", "https://records.example.org", 204},
		{"OPTIONS", "https://evil.example", "", "", 403},
		{"POST", "https://records.example.org", "a-token-of-a-test-0123456789", "https://records.example.org", 200},
		{"POST", "https://records.example.org", "", "https://records.example.org", 401},
		{"POST", "https://evil.example", "a-token-of-a-test-0123456789", "", 403},
		{"POST", "", "a-token-of-a-test-0123456789", "", 200},
	} {
		headers := []string{"Host", "surveillance.example.org"}
		if c.origin != "" {
			headers = append(headers, "Origin", c.origin)
		}
		if c.token != "" {
			headers = append(headers, "Authorization", "Bearer "+c.token)
		}
		status, _, h := r.ask(c.method, service, view("late", ""), headers...)
		if status != c.status || h.Get("Access-Control-Allow-Origin") != c.allowed || !strings.Contains(h.Get("Vary"), "Origin") {
			t.Errorf("%+v: %d %q", c, status, h.Get("Access-Control-Allow-Origin"))
		}
		if c.status == 204 && (!strings.Contains(h.Get("Access-Control-Allow-Headers"), "Authorization") || !strings.Contains(h.Get("Access-Control-Allow-Methods"), "POST")) {
			t.Errorf("%v", h)
		}
	}
}

// Whoever keeps a trail is told; the log holds nothing of a call.
func TestSeen(t *testing.T) {
	t.Parallel()
	r := newRig(t, all(), nil)
	r.cards(view("late", `,"fhirAuthorization":{"access_token":"MARKER"}`))
	r.ask("POST", service, view("MARKER", ""))
	r.ask("POST", service, `{"hook":"MARKER"}`)
	want := []cdshooks.Access{{Kind: "patient-view", Patient: "Patient/late", Status: 200, Cards: 1}, {Kind: "patient-view", Patient: "Patient/MARKER", Status: 200}, {Kind: "patient-view", Status: 400}}
	if !slices.Equal(*r.seen, want) {
		t.Errorf("%+v", *r.seen)
	}
	if r.log.Len() > 0 {
		t.Errorf("the log: %s", r.log.String())
	}
}

// BenchmarkCard asks for cards among 10,000 patients. CDS Hooks wants an answer on the order of 500 ms (section
// "Providing FHIR Resources to a CDS Service").
func BenchmarkCard(b *testing.B) {
	var all strings.Builder
	for i := range 10000 {
		id := fmt.Sprintf("p%d", i)
		all.WriteString(person(id, "2024-03-03"))
		all.WriteString(scan("s"+id, id, "2024-04-02"))
	}
	r := newRig(b, all.String(), nil)
	i := 0
	for b.Loop() {
		i++
		if len(r.cards(view(fmt.Sprintf("p%d", i*97%10000), "")).Cards) != 1 {
			b.Fatal("no card")
		}
	}
}

// No call breaks the service.
func FuzzCall(f *testing.F) {
	for _, s := range []string{view("late", ""), view("open", `,"prefetch":{"patient":{"birthDate":"1950"}}`), "{}", `{"hook":1}`, `{"hook":"patient-view","context":[]}`, "null", view("Patient/", "")} {
		f.Add(s)
	}
	var r *rig
	f.Fuzz(func(t *testing.T, body string) {
		if r == nil {
			r = newRig(t, all(), nil)
		}
		r.t = t
		status, text, _ := r.ask("POST", service, body)
		if !slices.Contains([]int{200, 400, 412, 413}, status) || !json.Valid(text) {
			t.Errorf("%d %s", status, text)
		}
	})
}
