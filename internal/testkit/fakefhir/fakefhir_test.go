package fakefhir_test

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"perennial/internal/testkit/fakefhir"
)

// The faultless server does what a FHIR server does: each line is a request, what it answers and what stands in that.
func TestServer(t *testing.T) {
	t.Parallel()
	s := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})
	for i := range 5 {
		s.Put("Patient", fmt.Sprintf("p%d", i), `"active":true`)
		s.Advance(time.Minute)
	}
	s.Put("Patient", "p0", `"active":false`)
	s.Delete("Patient", "p4")
	task := `{"resourceType":"Task","identifier":[{"system":"urn:x","value":"1"}],"status":"requested"}`
	for _, c := range []struct {
		method, path, body, header string
		status                     int
		has                        string
	}{
		{"GET", "/metadata", "", "", 200, `"fhirVersion":"4.0.1"`},
		{"GET", "/Patient?_summary=count", "", "", 200, `"total":4`},
		{"GET", "/Patient?_lastUpdated=ge2026-06-30T12:03:00Z&_total=accurate", "", "", 200, `"total":2`},
		{"GET", "/Patient?_lastUpdated=gt2026-06-30T12:03:00Z&_total=accurate", "", "", 200, `"total":1`},
		{"GET", "/Patient?_count=2", "", "", 200, `{"relation":"next","url":"`},
		{"GET", "/Patient?_id=p1&_elements=id", "", "", 200, `SUBSETTED`},
		{"POST", "/Patient/_search", "_id=p1", "", 200, `"id":"p1"`},
		{"GET", "/Patient?colour=red", "", "Prefer: handling=strict", 400, `not-supported`},
		{"GET", "/Patient?colour=red&_count=1", "", "", 200, `Patient?_count=1"}`},
		{"GET", "/Patient/p0", "", "", 200, `"versionId":"2"`},
		{"GET", "/Patient/p0/_history", "", "", 200, `"total":2`},
		{"GET", "/Patient/p0/_history/1", "", "", 200, `"active":true`},
		{"GET", "/Patient/p4", "", "", 410, ``},
		{"GET", "/Patient/none", "", "", 404, ``},
		{"GET", "/Device", "", "", 404, `not-supported`},
		{"POST", "/Task", task, "If-None-Exist: identifier=urn:x%7C1", 201, `"id":"new-`},
		{"POST", "/Task", task, "If-None-Exist: identifier=urn:x%7C1", 200, `"versionId":"1"`},
		{"GET", "/Task?identifier=urn:x|&_total=accurate", "", "", 200, `"total":1`},
		{"GET", "/Task?identifier=urn:y|&_total=accurate", "", "", 200, `"total":0`},
		{"POST", "", `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Task?identifier=urn:x%7C1&_total=accurate"}}]}`, "", 200, `{"resource":{"resourceType":"Bundle","type":"searchset","total":1`},
		{"POST", "", `{"resourceType":"Bundle","type":"batch","entry":[{"resource":` + task + `,"request":{"method":"POST","url":"Task","ifNoneExist":"identifier=urn:x%7C1"}}]}`, "", 200, `"response":{"status":"200 OK","location":"`},
		{"POST", "", `{"resourceType":"Bundle","type":"batch","entry":[{"resource":` + task + `,"request":{"method":"PUT","url":"Task/none","ifMatch":"W/\"1\""}}]}`, "", 200, `"response":{"status":"412 Precondition Failed","outcome":`},
		{"POST", "", `{"resourceType":"Bundle","type":"transaction"}`, "", 400, ``},
		{"PUT", "/Task/t", task, "", 200, `"versionId":"1"`},
		{"PUT", "/Task/t", task, `If-Match: W/"7"`, 412, ``},
		{"PUT", "/Task/t", task, `If-Match: W/"1"`, 200, `"versionId":"2"`},
		{"POST", "/Task", task, "If-None-Exist: identifier=urn:x%7C1", 412, `multiple-matches`},
	} {
		status, body, date := ask(t, c.method, s.Base+c.path, c.body, c.header)
		if status != c.status || !strings.Contains(body, c.has) || date != "Tue, 30 Jun 2026 12:05:00 GMT" {
			t.Errorf("%s %s: %d %s, %s", c.method, c.path, status, body, date)
		}
	}
}

func ask(t *testing.T, method, url, body, header string) (int, string, string) {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if k, v, ok := strings.Cut(header, ": "); ok {
		q.Header.Set(k, v)
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(text), r.Header.Get("Date")
}

// Faults have names of their own and can be switched on.
func TestFaultsHaveNames(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	s := fakefhir.Start(t, fakefhir.Options{})
	for _, f := range append(fakefhir.Faults(), fakefhir.WriteFaults()...) {
		if seen[f.Name] || f.Bug == "" || f.What == "" {
			t.Errorf("%q %q %q", f.Name, f.Bug, f.What)
		}
		seen[f.Name] = true
		s.Break(f.Name, 1)
		s.Heal()
	}
	t.Logf("%d faults", len(seen))
}
