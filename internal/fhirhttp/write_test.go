package fhirhttp_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
)

// Q54: the id comes in the Location, absolute, with a version or relative, in the body, or not at all.
func TestQ54Create(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		status             int
		location, body, id string
		created            bool
		kind               fault.Kind
	}{
		{201, "http://host.invalid/fhir/Task/7/_history/1", "", "7", true, fault.None},
		{201, "Task/7", "", "7", true, fault.None},
		{201, "", `{"resourceType":"Task","id":"7","meta":{"versionId":"1"}}`, "7", true, fault.None},
		{201, "", "", "", true, fault.None},
		{200, "", `{"resourceType":"Task","id":"7"}`, "7", false, fault.None},
		{412, "", "", "", false, fault.Conflict},
	} {
		r := start(t, func(w http.ResponseWriter, q *http.Request) {
			body, _ := io.ReadAll(q.Body)
			if q.Method != "POST" || q.URL.Path != "/fhir/Task" || string(body) != `{"resourceType":"Task"}` || q.Header.Get("If-None-Exist") != "identifier=a%7Cb" ||
				!strings.HasPrefix(q.Header.Get("Content-Type"), "application/fhir+json") {
				t.Errorf("%s %s %v %s", q.Method, q.URL, q.Header, body)
			}
			if c.location != "" {
				w.Header().Set("Location", c.location)
			}
			w.WriteHeader(c.status)
			io.WriteString(w, c.body)
		})
		v, err := r.Create(t.Context(), "Task", []byte(`{"resourceType":"Task"}`), url.Values{"identifier": {"a|b"}})
		if fault.KindOf(err) != c.kind || v.ID != c.id || v.Created != c.created {
			t.Errorf("%+v: %+v %v", c, v, err)
		}
	}
}

// counter is a Task of which others write new versions: the first n updates meet one.
func counter(t *testing.T, others int64, etag bool) (*rig, *atomic.Int64) {
	var version, writes atomic.Int64
	version.Store(1)
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		now := fmt.Sprintf(`W/"%d"`, version.Load())
		if q.Method == "PUT" {
			if others--; others >= 0 {
				version.Add(1)
				w.WriteHeader(map[bool]int{true: 412, false: 409}[others%2 == 0])
				return
			}
			if q.Header.Get("If-Match") != now {
				t.Errorf("If-Match %q, the version is %s", q.Header.Get("If-Match"), now)
			}
			writes.Add(1)
		}
		if etag {
			w.Header().Set("ETag", now)
		}
		fmt.Fprintf(w, `{"resourceType":"Task","id":"7","meta":{"versionId":"%d"}}`, version.Load())
	})
	return r, &writes
}

func TestMerge(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		others int64
		etag   bool
		writes int64
		kind   fault.Kind
	}{{0, true, 1, fault.None}, {0, false, 1, fault.None}, {2, true, 1, fault.None}, {3, true, 0, fault.Conflict}} {
		r, writes := counter(t, c.others, c.etag)
		calls := 0
		_, err := r.Merge(t.Context(), "Task", "7", func(now []byte) ([]byte, error) { calls++; return now, nil })
		if fault.KindOf(err) != c.kind || writes.Load() != c.writes || int64(calls) != min(c.others+1, 3) {
			t.Errorf("%+v: %d writes, %d calls, %v", c, writes.Load(), calls, err)
		}
	}
	r, writes := counter(t, 0, true)
	if v, err := r.Merge(t.Context(), "Task", "7", func([]byte) ([]byte, error) { return nil, nil }); err != nil || v.Ref() != "Task/7" || writes.Load() != 0 {
		t.Error(v, err)
	}
	if _, err := r.Merge(t.Context(), "Task", "7", func([]byte) ([]byte, error) { return nil, io.EOF }); err != io.EOF {
		t.Error(err)
	}
}

func TestBatch(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Path != "/fhir" {
			t.Error(q.URL.Path)
		}
		io.WriteString(w, `{"resourceType":"Bundle","type":"batch-response","entry":[{"response":{"status":"201","location":"Task/1"}},{"response":{"status":"429"}}]}`)
	})
	got, err := r.Batch(t.Context(), asked(3))
	if err != nil || len(got) != 2 || got[0].Location != "Task/1" || got[1].Status != 429 {
		t.Errorf("%+v %v", got, err)
	}
	if got, err := r.Batch(t.Context(), asked(1)); fault.KindOf(err) != fault.Unavailable {
		t.Errorf("more answers than entries: %+v %v", got, err)
	}
	if _, err := r.Batch(t.Context(), nil); fault.KindOf(err) != fault.Invalid {
		t.Errorf("nothing: %v", err)
	}
}

// asked are so many entries of a batch.
func asked(n int) []fhir.BatchEntry {
	return slices.Repeat([]fhir.BatchEntry{{URL: "Task?identifier=a%7Cb"}}, n)
}

// An answer of a batch means what it would mean alone; one that was not given, or could not be read, is tried again.
func TestRefusal(t *testing.T) {
	t.Parallel()
	r := start(t, func(http.ResponseWriter, *http.Request) {})
	for status, want := range map[int]fault.Kind{200: fault.None, 201: fault.None, 0: fault.Unavailable, 301: fault.Unavailable, 400: fault.Invalid, 401: fault.Denied, 403: fault.Denied,
		404: fault.NotFound, 405: fault.Invalid, 409: fault.Conflict, 410: fault.NotFound, 412: fault.Conflict, 422: fault.Invalid, 424: fault.Unavailable, 429: fault.Unavailable, 500: fault.Unavailable} {
		severity := "error"
		if status/100 == 2 {
			severity = "warning" // with an error it is none: see TestSuccessThatTellsOfAnError
		}
		err := r.Refusal("Task", fhir.BatchAnswer{Status: status, Outcome: []fhir.OutcomeIssue{{Severity: severity, Code: "duplicate"}}})
		if fault.KindOf(err) != want {
			t.Errorf("%d: %v", status, err)
		}
		if status >= 400 && status != 424 && (fhirhttp.StatusOf(err) != status || !strings.Contains(err.Error(), "duplicate")) {
			t.Errorf("%d: status %d, %v", status, fhirhttp.StatusOf(err), err)
		}
	}
	if n := fhirhttp.StatusOf(fault.New(fault.Unavailable, "", "", nil)); n != 0 {
		t.Error(n)
	}
}

func TestCapability(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Path == "/fhir/metadata" {
			io.WriteString(w, `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1"}`)
		}
	})
	if got, err := r.Capability(t.Context()); err != nil || got.FHIRVersion != "4.0.1" {
		t.Error(got, err)
	}
}

// Q53: a batch is answered entry by entry, each with its own status and what is said of it. A lone OperationOutcome in its
// place, as for a transaction, is no success.
func TestQ53BatchRefused(t *testing.T) {
	t.Parallel()
	answer := `{"resourceType":"Bundle","type":"batch-response","entry":[{"response":{"status":"412 Precondition Failed","outcome":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"duplicate"}]}}},{"response":{"status":"200 OK"}},{"response":{"status":"201 Created","location":"Task/3/_history/1"}}]}`
	r := start(t, func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, answer) })
	got, err := r.Batch(t.Context(), asked(3))
	if err != nil || len(got) != 3 || got[0].Status != 412 || len(got[0].Outcome) != 1 || got[1].Status != 200 || got[2].Status != 201 || got[2].Location != "Task/3/_history/1" {
		t.Errorf("%+v %v", got, err)
	}
	answer = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"invalid"}]}`
	if got, err := r.Batch(t.Context(), asked(3)); fault.KindOf(err) != fault.Unavailable || len(got) > 0 {
		t.Errorf("%+v %v", got, err)
	}
}

// A success that tells of an error is none; one that tells of a warning, or of nothing, is.
func TestSuccessThatTellsOfAnError(t *testing.T) {
	t.Parallel()
	for severity, bad := range map[string]bool{"error": true, "fatal": true, "warning": false, "information": false} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/fhir+json")
			fmt.Fprintf(w, `{"resourceType":"OperationOutcome","issue":[{"severity":%q,"code":"exception"}]}`, severity)
		}))
		t.Cleanup(server.Close)
		c, err := fhirhttp.New(fhirhttp.Options{Base: server.URL, Tries: 1})
		if err != nil {
			t.Fatal(err)
		}
		_, err1 := c.Create(t.Context(), "Task", []byte(`{"resourceType":"Task"}`), nil)
		_, err2 := c.Update(t.Context(), fhirhttp.Version{Type: "Task", ID: "1", Body: []byte(`{"resourceType":"Task","id":"1"}`)})
		err3 := c.Refusal("Task", fhir.BatchAnswer{Status: 200, Outcome: []fhir.OutcomeIssue{{Severity: severity}}})
		for _, err := range []error{err1, err2, err3} {
			if got := fault.KindOf(err) == fault.Unavailable; got != bad || !bad && err != nil {
				t.Errorf("%s: %v", severity, err)
			}
		}
	}
}
