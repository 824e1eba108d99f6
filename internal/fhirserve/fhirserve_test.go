package fhirserve_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/fhirserve"
)

// types are those that are served.
func types() []string {
	return []string{"ActivityDefinition", "CarePlan", "Flag", "PlanDefinition", "Provenance", "ServiceRequest", "Task"}
}

// What each request is answered with.
func TestAnswers(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), nil)
	form := "application/x-www-form-urlencoded"
	for _, c := range []struct {
		method, address, body string
		headers               []string
		status                int
		code                  string // of the OperationOutcome
	}{
		{"GET", "/fhir/metadata", "", nil, 200, ""},
		{"GET", "/fhir/Task", "", nil, 200, ""},
		{"HEAD", "/fhir/Task", "", nil, 200, ""},
		{"GET", "/fhir", "", nil, 404, "not-supported"},
		{"GET", "/fhir/Patient/q1", "", nil, 404, "not-supported"},
		{"GET", "/fhir/Observation", "", nil, 404, "not-supported"},
		{"GET", "/fhir/Task/nobody", "", nil, 404, "not-found"},
		{"GET", "/fhir/Task/x/_history/1", "", nil, 404, "not-supported"},
		{"PUT", "/fhir/Task/x", "{}", nil, 405, "not-supported"},
		{"DELETE", "/fhir/Task/x", "", nil, 405, "not-supported"},
		{"POST", "/fhir/Task", "{}", nil, 405, "not-supported"},
		{"PATCH", "/fhir/metadata", "", nil, 405, "not-supported"},
		{"POST", "/fhir/Task/_search", "patient=q1", []string{"Content-Type", form}, 200, ""},
		{"POST", "/fhir/Task/_search", "patient=q1", []string{"Content-Type", "application/json"}, 415, "not-supported"},
		{"POST", "/fhir/Task/_search", "patient=" + strings.Repeat("x", 70000), []string{"Content-Type", form}, 413, "too-long"},
		{"GET", "/fhir/Task?_format=xml", "", nil, 406, "not-supported"},
		{"GET", "/fhir/Task?_format=json", "", []string{"Accept", "application/fhir+xml"}, 200, ""},
		{"GET", "/fhir/Task", "", []string{"Accept", "application/fhir+xml"}, 406, "not-supported"},
		{"GET", "/fhir/Task", "", []string{"Accept", "application/fhir+xml, */*;q=0.1"}, 200, ""},
		{"GET", "/fhir/Task?_format=application/fhir%2Bjson", "", nil, 200, ""},
		{"GET", "/fhir/Task?_format=application/fhir+json", "", nil, 200, ""}, // + is a blank there
		{"GET", "/fhir/Task?colour=red", "", nil, 200, ""},
		{"GET", "/fhir/Task?colour=red", "", []string{"Prefer", "handling=lenient"}, 200, ""},
		{"GET", "/fhir/Task?colour=red", "", []string{"Prefer", "return=minimal, handling=strict"}, 400, "invalid"},
		{"GET", "/fhir/Task?status:not=completed", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?patient:identifier=Q-1", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?patient:Patient=q1", "", nil, 200, ""},
		{"GET", "/fhir/Task?_lastUpdated=soon", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?_lastUpdated=ne2025", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?_count=-1", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?_sort=status", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?_summary=data", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?_cursor=abc", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task?a=%zz", "", nil, 400, "invalid"},
		{"GET", "/fhir/Task", "", []string{"Host", "perennial.example"}, 403, "forbidden"},
		{"GET", "/fhir/Task", "", []string{"X-Forwarded-For", "198.51.100.7"}, 403, "forbidden"},
	} {
		resp := r.ask(c.method, c.address, c.body, c.headers...)
		body, _ := io.ReadAll(resp.Body)
		var h head
		if err := json.Unmarshal(body, &h); err != nil && c.method != "HEAD" {
			t.Errorf("%s %.60s: %v", c.method, c.address, err)
		}
		code := ""
		if len(h.Issue) > 0 {
			code = h.Issue[0].Code
		}
		if resp.StatusCode != c.status || code != c.code || !strings.HasPrefix(resp.Header.Get("Content-Type"), "application/fhir+json") || resp.Header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s %.60s %v: %d %q, not %d %q: %.200s", c.method, c.address, c.headers, resp.StatusCode, code, c.status, c.code, body)
		}
		if c.status == 405 && resp.Header.Get("Allow") == "" {
			t.Errorf("%s %s: no Allow", c.method, c.address)
		}
		if c.method == "HEAD" && (len(body) > 0 || resp.Header.Get("Content-Length") == "") {
			t.Errorf("HEAD has a body of %d bytes", len(body))
		}
	}
}

// The capability statement says what works: each type, interaction and parameter
// that it lists is tried, and what it does not list is refused.
func TestCapabilitiesAreTrue(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), nil)
	var c struct {
		Rest []struct {
			Resource []struct {
				Type        string
				Interaction []struct{ Code string }
				SearchParam []struct{ Name, Type string }
			}
		}
	}
	if err := json.Unmarshal(r.get("/fhir/metadata", 200), &c); err != nil {
		t.Fatal(err)
	}
	var offered []string
	sample := map[string]string{"date": "ge2000", "reference": "q1", "token": "x", "uri": "urn:x"}
	strict := []string{"Prefer", "handling=strict"}
	for _, one := range c.Rest[0].Resource {
		offered = append(offered, one.Type)
		known := map[string]bool{}
		for _, p := range one.SearchParam {
			known[p.Name] = true
			all, some := r.search("/fhir/"+one.Type+"?_summary=count"), r.search("/fhir/"+one.Type+"?_summary=count&"+p.Name+"="+sample[p.Type], strict...)
			if all.Total > 0 && p.Type != "date" && some.Total >= all.Total {
				t.Errorf("%s by %s restricts nothing", one.Type, p.Name)
			}
		}
		for _, name := range []string{"patient", "subject", "status", "identifier", "target", "url", "version", "code", "_tag"} {
			if !known[name] {
				r.get("/fhir/"+one.Type+"?"+name+"=x", 400, strict...)
			}
		}
		list := r.search("/fhir/" + one.Type + "?_count=1")
		for _, h := range list.heads(t) {
			r.get("/fhir/"+one.Type+"/"+h.ID, 200)
		}
		if len(one.Interaction) != 2 || one.Interaction[0].Code != "read" || one.Interaction[1].Code != "search-type" {
			t.Errorf("%s: %v", one.Type, one.Interaction)
		}
	}
	if !slices.Equal(offered, types()) {
		t.Errorf("offered are %v", offered)
	}
}

// What a search finds.
func TestSearch(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), func(o *fhirserve.Options) { o.Origin = "https://fhir.example.org/r4/" })
	all := r.search("/fhir/Task")
	if all.Total < 6 || len(all.Entry) != all.Total {
		t.Fatalf("%d Tasks", all.Total)
	}
	mine := r.search("/fhir/Task?patient=q1")
	for _, h := range mine.heads(t) {
		if h.For.Reference != "Patient/q1" {
			t.Errorf("a Task of %s", h.For.Reference)
		}
	}
	n := mine.Total
	one := mine.heads(t)[0]
	for address, want := range map[string]int{
		"Task?patient=Patient/q1":                               n,
		"Task?subject=Patient/q1":                               n,
		"Task?patient=http://127.0.0.1:8420/fhir/Patient/q1":    n,
		"Task?patient=https://fhir.example.org/r4/Patient/q1":   n,
		"Task?patient=https://other.example.org/r4/Patient/q1":  0,
		"Task?patient=Group/q1":                                 0,
		"Task?patient=q9":                                       0,
		"Task?patient=q1,q2":                                    2 * n,
		"Task?patient=q1&patient=q2":                            0,
		"Task?patient=q1&subject=q1":                            n,
		"Task?status=requested":                                 all.Total,
		"Task?status=requested,completed":                       all.Total,
		"Task?status=completed":                                 0,
		"Task?status=http://hl7.org/fhir/task-status|requested": all.Total,
		"Task?status=urn:x|requested":                           0,
		"Task?_id=" + one.ID:                                    1,
		"Task?_id=" + one.ID + ",x":                             1,
		"Task?identifier=" + one.ID:                             1,
		"Task?identifier=" + url.QueryEscape(one.Identifier[0].System+"|"+one.ID):           1,
		"Task?identifier=" + url.QueryEscape(one.Identifier[0].System+"|"):                  all.Total,
		"Task?identifier=" + url.QueryEscape("|"+one.ID):                                    0,
		"Task?identifier=" + url.QueryEscape("urn:x|"+one.ID):                               0,
		"Task?identifier=" + url.QueryEscape("urn:perennial:work|"+one.Identifier[1].Value): 1,
		"Task?_lastUpdated=2025":                                   all.Total,
		"Task?_lastUpdated=2025-06-01T12:00:00Z":                   all.Total,
		"Task?_lastUpdated=2025-06-01T14:00:00%2B02:00":            all.Total,
		"Task?_lastUpdated=ge2025-06-01&_lastUpdated=lt2025-06-02": all.Total,
		"Task?_lastUpdated=gt2025-06-01":                           0,
		"Task?_lastUpdated=gt2025-06-01T12:00:00.000Z":             0,
		"Task?_lastUpdated=lt2025-06-01T12:00:00Z":                 0,
		"Task?_lastUpdated=le2025-06-01T12:00:00Z":                 all.Total,
		"Task?status=":            all.Total,
		"CarePlan?patient=q2":     1,
		"CarePlan?status=draft":   3,
		"CarePlan?status=revoked": 0,
		"Flag":                    3, // no visit since March 2024
		"Flag?patient=q0":         1,
		"PlanDefinition?url=urn:perennial:protocol:svs-aaa-2018":           1,
		"PlanDefinition?url=urn:perennial:protocol:svs-aaa-2018&version=1": 1,
		"PlanDefinition?url=urn:perennial:protocol:svs-aaa-2018&version=2": 0,
		"PlanDefinition?status=active":                                     0,
	} {
		if got := r.search("/fhir/" + address).Total; got != want {
			t.Errorf("%s: %d, not %d", address, got, want)
		}
	}
	plan := r.search("/fhir/CarePlan?patient=q1").heads(t)[0]
	for _, ref := range []string{"CarePlan/" + plan.ID, plan.ID, "http://127.0.0.1:8420/fhir/CarePlan/" + plan.ID} {
		if got := r.search("/fhir/Provenance?target=" + ref); got.Total != 1 || got.heads(t)[0].Target[0].Reference != "CarePlan/"+plan.ID {
			t.Errorf("target=%s: %d", ref, got.Total)
		}
	}
}

// A parameter that is not known is left out, and the self link shows what was used.
func TestLenient(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(2), nil)
	p := r.search("/fhir/Task?colour=red&patient=q1&_count=1")
	if len(p.Link) == 0 || p.Link[0].Relation != "self" || p.Link[0].URL != "http://127.0.0.1:8420/fhir/Task?_count=1&patient=q1" {
		t.Errorf("links: %v", p.Link)
	}
	if last := p.Entry[len(p.Entry)-1]; last.Search.Mode != "outcome" || len(p.Entry) != 2 {
		t.Errorf("nothing is said of it: %d entries", len(p.Entry))
	}
	if p = r.search("/fhir/Task?patient=q1"); slices.ContainsFunc(p.heads(t), func(h head) bool { return h.ResourceType != "Task" }) {
		t.Error("something is said where nothing was left out")
	}
}

// A read, its version, and what has changed since.
func TestRead(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(2), nil)
	for _, typ := range types() {
		list := r.search("/fhir/" + typ)
		for _, h := range list.heads(t) {
			resp := r.ask("GET", "/fhir/"+typ+"/"+h.ID, "")
			body, _ := io.ReadAll(resp.Body)
			tag, modified := resp.Header.Get("ETag"), resp.Header.Get("Last-Modified")
			if i := slices.IndexFunc(list.Entry, func(e struct {
				FullURL  string
				Search   struct{ Mode string }
				Resource json.RawMessage
			}) bool {
				return strings.HasSuffix(e.FullURL, "/"+h.ID)
			}); string(list.Entry[i].Resource) != string(body) || tag != `W/"`+h.Meta.VersionID+`"` || modified == "" {
				t.Fatalf("%s: read and search differ, or no version: %s", typ, tag)
			}
			for _, c := range []struct {
				name, value string
				status      int
			}{
				{"If-None-Match", tag, 304}, {"If-None-Match", `"x", ` + tag, 304}, {"If-None-Match", "*", 304}, {"If-None-Match", `W/"x"`, 200},
				{"If-Modified-Since", time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC).Format(http.TimeFormat), 304},
				{"If-Modified-Since", time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).Format(http.TimeFormat), 200}, {"If-Modified-Since", "yesterday", 200},
			} {
				if got := r.ask("GET", "/fhir/"+typ+"/"+h.ID, "", c.name, c.value); got.StatusCode != c.status {
					t.Errorf("%s: %s %s is answered with %d", typ, c.name, c.value, got.StatusCode)
				}
			}
		}
	}
}

// Only a change behind it changes a resource: not that days go by. What is done is
// gone, and its version and time tell what changed.
func TestChange(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(2), nil)
	texts := func() map[string]string {
		all := map[string]string{}
		for _, typ := range types() {
			p := r.search("/fhir/" + typ + "?_count=200")
			for i, h := range p.heads(t) {
				all[typ+"/"+h.ID] = string(p.Entry[i].Resource)
			}
		}
		return all
	}
	quiet, before := 0, texts()
	for quiet < 3 {
		*r.now = r.now.AddDate(0, 0, 1)
		did, err := r.c.Tick(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		after := texts()
		if did.Plans > 0 {
			quiet, before = 0, after
			continue
		}
		if quiet++; !mapsEqual(before, after) {
			t.Error("a day on, something differs")
		}
	}
	today := r.now.Format(time.DateOnly)
	r.take(`{"resourceType":"ImagingStudy","id":"s1","status":"available","subject":{"reference":"Patient/q1"},"started":"2025-05-20","procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}]}`)
	after, gone, same := texts(), 0, 0
	for ref, text := range before {
		switch {
		case after[ref] == "":
			gone++
			r.get("/fhir/"+ref, http.StatusGone)
		case after[ref] == text:
			same++
		}
	}
	if gone == 0 || same == 0 {
		t.Fatalf("%d gone, %d the same of %d", gone, same, len(before))
	}
	changed := r.walk("/fhir/Task?_lastUpdated=ge"+today, nil)
	if len(changed) == 0 || slices.ContainsFunc(changed, func(h head) bool {
		return h.For.Reference != "Patient/q1" || !strings.HasPrefix(h.Meta.LastUpdated, today+"T12:00:00")
	}) {
		t.Errorf("changed are %v", changed)
	}
	if done := r.search("/fhir/Task?status=completed&patient=q1"); done.Total == 0 {
		t.Error("no Task is completed")
	}
}

func mapsEqual(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

// A walk sees what is there all the time once, whatever comes, goes and changes
// meanwhile; one by time sees what changes again.
func TestWalkWhileThingsChange(t *testing.T) {
	t.Parallel()
	for _, sort := range []string{"", "&_sort=_lastUpdated"} {
		r := newRig(t, patients(12), nil)
		before := map[string]bool{}
		for _, h := range r.walk("/fhir/Task?_count=200", nil) {
			before[h.ID] = true
		}
		n := 0
		seen := map[string]int{}
		for _, h := range r.walk("/fhir/Task?_count=3"+sort, func() {
			if n++; n < 6 { // patients come and change, one after each page
				*r.now = r.now.Add(time.Minute)
				r.take(strings.NewReplacer(`"q0`, `"new`+string(rune('a'+n)), "Patient/q0", "Patient/new"+string(rune('a'+n)), "Q-0", "N-"+string(rune('a'+n))).Replace(patients(1)))
				r.take(strings.ReplaceAll(`{"resourceType":"ImagingStudy","id":"sQ","status":"available","subject":{"reference":"Patient/Q"},"started":"2025-05-20","procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}]}`, "Q", "q"+string(rune('0'+n))))
			}
		}) {
			seen[h.ID]++
		}
		for id := range before {
			if seen[id] == 0 || sort == "" && seen[id] != 1 {
				t.Errorf("sort %q: a Task was seen %d times", sort, seen[id])
			}
		}
	}
	r := newRig(t, patients(4), nil)
	down := r.walk("/fhir/Task?_count=2&_sort=-_lastUpdated", nil)
	up := r.walk("/fhir/Task?_count=2&_sort=_lastUpdated", nil)
	slices.Reverse(down)
	if len(up) == 0 || !slices.EqualFunc(up, down, func(a, b head) bool { return a.ID == b.ID }) {
		t.Error("up and down differ")
	}
}

// A record that was merged into another is found under both ids.
func TestMerged(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), nil)
	r.take(`{"resourceType":"Patient","id":"old","active":false,"link":[{"other":{"reference":"Patient/q1"},"type":"replaced-by"}]}` + "\n" +
		`{"resourceType":"Procedure","id":"old-p","status":"completed","subject":{"reference":"Patient/old"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2020-03-03"}`)
	a, b := r.search("/fhir/Task?patient=q1"), r.search("/fhir/Task?patient=old")
	if a.Total == 0 || a.Total != b.Total {
		t.Errorf("%d under one id, %d under the other", a.Total, b.Total)
	}
}

// With a token nobody asks without it; it stands in no answer and no log, nor do
// patients in logs. It is read anew for each request.
func TestToken(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "token")
	const first, second = "MARKER-first-token-0123456789", "MARKER-second-token-0123456789"
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(first)
	r := newRig(t, patients(2), guarded(file))
	all := ""
	try := func(status int, headers ...string) {
		t.Helper()
		resp := r.ask("GET", "/fhir/Task?patient=q1&MARKER-name=MARKER-value", "", append([]string{"Host", "perennial.example"}, headers...)...)
		body, _ := io.ReadAll(resp.Body)
		if resp.StatusCode != status {
			t.Errorf("%v: %d", headers, resp.StatusCode)
		}
		if status == 401 && !strings.HasPrefix(resp.Header.Get("WWW-Authenticate"), "Bearer") {
			t.Error("no WWW-Authenticate")
		}
		all += string(body)
	}
	try(401)
	try(401, "Authorization", "Bearer")
	try(401, "Authorization", "Bearer "+first+"x")
	try(401, "Authorization", "Basic "+first)
	try(200, "Authorization", "Bearer "+first)
	try(200, "Authorization", "bearer "+first)
	write(second)
	try(401, "Authorization", "Bearer "+first)
	try(200, "Authorization", "Bearer "+second)
	write("short")
	try(503, "Authorization", "Bearer short")
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	try(503, "Authorization", "Bearer "+second)
	if strings.Contains(all, "MARKER") || strings.Contains(r.log.String(), "MARKER") || strings.Contains(r.log.String(), "q1") {
		t.Errorf("something leaked: %s", r.log.String())
	}
	if _, err := fhirserve.New(fhirserve.Options{Clinic: r.c, Gate: gateOf(file)}); err == nil {
		t.Error("an endpoint begins without its token")
	}
}

// Whoever keeps a trail is told what was asked about whom.
func TestSeen(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(2), nil)
	p := r.search("/fhir/Task?patient=Patient/q1")
	r.get("/fhir/Task/"+p.heads(t)[0].ID, 200)
	r.get("/fhir/CarePlan", 200)
	r.get("/fhir/Task/none", 404)
	r.get("/fhir/Task", 403, "Host", "elsewhere.example")
	want := []fhirserve.Access{
		{Kind: "search", Type: "Task", Patient: "Patient/q1", Status: 200, Found: p.Total},
		{Kind: "read", Type: "Task", Patient: "Patient/q1", Status: 200, Found: 1},
		{Kind: "search", Type: "CarePlan", Status: 200, Found: 2},
		{Kind: "read", Type: "Task", Status: 404},
	}
	if !slices.Equal(*r.seen, want) {
		t.Errorf("seen %+v", *r.seen)
	}
}

// Labels of a patient stand on what is served about them, and a change of theirs
// is a change of it.
func TestLabels(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(2), nil)
	before := r.get("/fhir/CarePlan?patient=q1", 200)
	if strings.Contains(string(before), `"security"`) {
		t.Error("a label from nowhere")
	}
	*r.now = r.now.Add(time.Hour)
	r.take(`{"resourceType":"Patient","id":"q1","meta":{"versionId":"2","security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"V"},{"system":"http://terminology.hl7.org/CodeSystem/v3-ActReason","code":"HTEST"}]},"identifier":[{"system":"urn:mrn","value":"Q-1"}],"name":[{"family":"Quay-1","given":["Testa"]}]}`)
	for _, typ := range []string{"CarePlan", "Task", "ServiceRequest", "Provenance"} {
		p := r.search("/fhir/" + typ + "?_lastUpdated=ge2025-06-01T13:00:00Z")
		if len(p.Entry) == 0 {
			t.Errorf("%s: nothing has changed", typ)
		}
		for _, e := range p.Entry {
			if text := string(e.Resource); !strings.Contains(text, `"code":"HTEST"`) || !strings.Contains(text, `"code":"R"`) {
				t.Errorf("%s without labels: %.200s", typ, text)
			}
		}
	}
}
