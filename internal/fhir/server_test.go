package fhir_test

import (
	"slices"
	"strings"
	"testing"

	"perennial/internal/fhir"
)

func TestParsePage(t *testing.T) {
	t.Parallel()
	p, err := fhir.ParsePage([]byte(`{"resourceType":"Bundle","type":"searchset","total":"many","link":[{"relation":"self","url":"a"},{"relation":"next","url":"b?page=2"}],"entry":[
		{"fullUrl":"urn:x","resource":{"resourceType":"Patient","id":"1"},"search":{"mode":"strange"}},
		{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"warning","code":"processing","diagnostics":"About Ann Invented","expression":["Task.status"]}]}},
		{"response":{"status":"201 Created","location":"Task/7/_history/1","etag":"W/\"1\""}}, {"resource":null}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if p.Type != "searchset" || p.Next != "b?page=2" || len(p.Entries) != 3 || p.Entries[0].FullURL != "urn:x" || !strings.Contains(string(p.Entries[0].Body), `"1"`) {
		t.Errorf("%+v", p)
	}
	if e := p.Entries[1]; e.Status != "201 Created" || e.Location != "Task/7/_history/1" || e.ETag != `W/"1"` || e.Body != nil {
		t.Errorf("%+v", e)
	}
	if len(p.Outcomes) != 1 || p.Outcomes[0].String() != "warning processing Task.status" {
		t.Errorf("%v", p.Outcomes)
	}
}

func TestParsePageRefuses(t *testing.T) {
	t.Parallel()
	for _, body := range []string{``, `{`, `[]`, `{"resourceType":"Patient"}`, `{"resourceType":"Bundle","entry":[`, `{"resourceType":"Bundle"} x`} {
		if _, err := fhir.ParsePage([]byte(body)); err == nil {
			t.Errorf("%q was taken for a Bundle", body)
		}
	}
}

// What an outcome says in free text may name a patient: only what looks like a code or a path is kept.
func TestParseOutcome(t *testing.T) {
	t.Parallel()
	got := fhir.ParseOutcome([]byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"not-found","details":{"text":"Ann Invented","coding":[{"code":"MSG_NO_MATCH"}]},
		"expression":["Patient.name where given = Ann"]}]}`))
	if len(got) != 1 || got[0].String() != "error not-found MSG_NO_MATCH" {
		t.Error(got)
	}
	if fhir.ParseOutcome([]byte(`{"resourceType":"Patient"}`)) != nil {
		t.Error("a Patient was taken for an outcome")
	}
}

func TestParseCapability(t *testing.T) {
	t.Parallel()
	c, err := fhir.ParseCapability([]byte(`{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"client","resource":[{"type":"Flag"}]},{"mode":"server","resource":[
		{"type":"Task","versioning":"versioned-update","conditionalCreate":true,"interaction":[{"code":"read"},{"code":"create"}],"searchParam":[{"name":"identifier","type":"token"}]}],"interaction":[{"code":"batch"}]}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if task := c.Types["Task"]; c.FHIRVersion != "4.0.1" || !c.Can("Task", "create") || c.Can("Task", "update") || c.Can("Flag", "read") || !task.ConditionalCreate || task.Params[0] != "identifier" || !slices.Equal(c.System, []string{"batch"}) {
		t.Errorf("%+v", c)
	}
	if _, err := fhir.ParseCapability([]byte(`{"resourceType":"Bundle"}`)); err == nil {
		t.Error("a Bundle was taken for a CapabilityStatement")
	}
}

// The answers stand in the order of the entries, those that are refused too, with a text after the status or without.
func TestParseBatch(t *testing.T) {
	t.Parallel()
	got, err := fhir.ParseBatch([]byte(`{"resourceType":"Bundle","type":"batch-response","entry":[
		{"response":{"status":"412","outcome":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"duplicate","diagnostics":"Testa Quay-34"}]}}},
		{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"throttled"}]},"response":{"status":"429 Too Many Requests"}},
		{"resource":{"resourceType":"Task","id":"7"},"response":{"status":"201 Created","location":"Task/7/_history/1","etag":"W/\"1\""}},
		{"response":{"status":"soon"}},{}]}`))
	if err != nil || len(got) != 5 {
		t.Fatalf("%+v %v", got, err)
	}
	for i, status := range []int{412, 429, 201, 0, 0} {
		if got[i].Status != status || (got[i].Body != nil) != (i == 2) || (len(got[i].Outcome) == 1) != (i < 2) {
			t.Errorf("%d: %+v", i, got[i])
		}
	}
	for _, bad := range []string{`{"resourceType":"OperationOutcome"}`, `{"resourceType":"Bundle","type":"searchset"}`, `7`} {
		if _, err := fhir.ParseBatch([]byte(bad)); err == nil {
			t.Errorf("taken: %s", bad)
		}
	}
}

func FuzzParsePage(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Bundle","link":[{"relation":"next","url":"x"}],"entry":[{"resource":{"resourceType":"OperationOutcome","issue":[{}]}}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		fhir.ParseOutcome(body)
		_, _ = fhir.ParseCapability(body)
		p, err := fhir.ParsePage(body)
		if err != nil && len(p.Entries) > 0 {
			t.Error("entries beside an error")
		}
	})
}
