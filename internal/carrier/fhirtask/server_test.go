package fhirtask_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/notice"
	"perennial/internal/outbox"
)

// fake is a server of Tasks with faults that a test can switch on.
type fake struct {
	mu       sync.Mutex
	tasks    map[string]string // id → JSON
	versions map[string]int
	puts     int
	// ignores the search's parameter; hides all from the search; refuses to create (status)
	ignores, hides bool
	refuses        int
	beforePut      func(id string) // somebody else is faster
	down           int             // status of every answer
	gone           int             // status for a Task that is not there; 0: 410
}

func (f *fake) put(id, body string) {
	f.tasks[id] = body
	f.versions[id]++
}

func (f *fake) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	f.mu.Lock()
	defer f.mu.Unlock()
	id := strings.TrimPrefix(strings.TrimPrefix(q.URL.Path, "/Task"), "/")
	body, _ := io.ReadAll(q.Body)
	switch {
	case f.down > 0:
		w.WriteHeader(f.down)
	case q.Method == "GET" && id == "":
		f.search(w, q)
	case q.Method == "POST" && f.refuses > 0:
		w.WriteHeader(f.refuses)
	case q.Method == "POST":
		id = fmt.Sprint(len(f.tasks) + 1)
		f.put(id, strings.Replace(string(body), "{", `{"id":"`+id+`",`, 1))
		w.Header().Set("Location", "Task/"+id)
		w.WriteHeader(201)
	case f.tasks[id] == "":
		w.WriteHeader(cmp.Or(f.gone, 410))
	case q.Method == "PUT":
		if f.beforePut != nil {
			f.beforePut(id)
		}
		if q.Header.Get("If-Match") != fmt.Sprintf(`W/"%d"`, f.versions[id]) {
			w.WriteHeader(412)
			return
		}
		f.puts++
		f.put(id, string(body))
		fmt.Fprint(w, f.tasks[id])
	default:
		w.Header().Set("ETag", fmt.Sprintf(`W/"%d"`, f.versions[id]))
		fmt.Fprint(w, f.tasks[id])
	}
}

func (f *fake) search(w http.ResponseWriter, q *http.Request) {
	system, value, _ := strings.Cut(q.URL.Query().Get("identifier"), "|")
	var found []string
	for _, body := range f.tasks {
		if !f.hides && (f.ignores || strings.Contains(body, `"system":"`+system+`","value":"`+value+`"`)) {
			found = append(found, `{"resource":`+body+`}`)
		}
	}
	slices.Sort(found)
	entry := ""
	if len(found) > 0 {
		entry = `,"entry":[` + strings.Join(found, ",") + `]`
	}
	fmt.Fprint(w, `{"resourceType":"Bundle","type":"searchset"`+entry+`}`)
}

func (f *fake) start(t *testing.T, last func(string) string) *fhirtask.Server {
	f.tasks, f.versions = map[string]string{}, map[string]int{}
	s := httptest.NewServer(f)
	t.Cleanup(s.Close)
	c, err := fhirhttp.New(fhirhttp.Options{Base: s.URL, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	return fhirtask.NewServer(fhirtask.ServerOptions{Client: c, Site: site, Last: last})
}

func carry(t *testing.T, c outbox.Carrier, it outbox.Item, want string) {
	t.Helper()
	got, err := c.Carry(t.Context(), it)
	if err != nil || got != want {
		t.Errorf("receipt %q, %v, want %q", got, err, want)
	}
}

func TestCarry(t *testing.T) {
	t.Parallel()
	f := &fake{}
	s := f.start(t, nil)
	if !s.Carries(outbox.KindTask) || s.Carries(outbox.KindDigest) {
		t.Error("it carries the wrong kinds")
	}
	carry(t, s, wrap(t, item()), "Task/1 created")
	carry(t, s, wrap(t, item()), "Task/1 unchanged")
	other := item()
	other.Key, other.Text = "p1|other", "another"
	f.ignores = true // the server gives all Tasks, whatever was asked
	carry(t, s, wrap(t, other), "Task/2 created")
	carry(t, s, wrap(t, done()), "Task/1 updated")
	carry(t, s, wrap(t, done()), "Task/1 unchanged")
	if len(f.tasks) != 2 || f.puts != 1 || !strings.Contains(f.tasks["1"], `"status":"completed"`) || strings.Contains(f.tasks["2"], `"status":"completed"`) {
		t.Errorf("%d writes, %v", f.puts, f.tasks)
	}
}

// The test: a person puts it on hold, the scan arrives, the item completes here, the Task keeps on-hold and
// gets a note. It holds too if the person is faster by the moment between our read and our write.
func TestAPersonsStatusWins(t *testing.T) {
	t.Parallel()
	for _, race := range []bool{false, true} {
		f := &fake{}
		s := f.start(t, nil)
		carry(t, s, wrap(t, item()), "Task/1 created")
		hold := func(id string) {
			if strings.Contains(f.tasks[id], `"status":"requested"`) {
				f.put(id, strings.Replace(f.tasks[id], `"status":"requested"`, `"status":"on-hold"`, 1))
			}
		}
		if f.beforePut = hold; !race {
			hold("1")
		}
		carry(t, s, wrap(t, done()), "Task/1 updated, kept on-hold")
		if got := f.tasks["1"]; !strings.Contains(got, `"status":"on-hold"`) || !strings.Contains(got, "The work item is completed: the imaging was done (ImagingStudy/s1). The status on-hold was set by a person and is kept.") {
			t.Errorf("race %v: %s", race, got)
		}
		carry(t, s, wrap(t, done()), "Task/1 unchanged, kept on-hold")
	}
}

func TestClosedBeforeItWasSent(t *testing.T) {
	t.Parallel()
	f := &fake{}
	carry(t, f.start(t, nil), wrap(t, done()), "nothing to send: closed before it was sent")
	if len(f.tasks) != 0 {
		t.Error(f.tasks)
	}
}

// A Task that a person removed is not made again; one whose identifier was lost is found by its id.
func TestRemovedTask(t *testing.T) {
	t.Parallel()
	f := &fake{}
	s := f.start(t, func(key string) string {
		if key == item().Key {
			return "Task/7 updated, kept on-hold"
		}
		return ""
	})
	carry(t, s, wrap(t, item()), "Task/7 was removed on the server and is not made again")
	if len(f.tasks) != 0 {
		t.Error(f.tasks)
	}
	f.put("7", `{"resourceType":"Task","id":"7","status":"requested","intent":"order"}`)
	carry(t, s, wrap(t, item()), "Task/7 updated")
	if !strings.Contains(f.tasks["7"], fhir.Token(site, item().Key)) || !strings.Contains(f.tasks["7"], `"intent":"order"`) {
		t.Error(f.tasks["7"])
	}
}

// Two Tasks of one item: the one that a person touched stays, else the lowest id; the other is closed, once.
func TestDoubledTask(t *testing.T) {
	t.Parallel()
	body, err := fhirtask.Render(site, item())
	if err != nil {
		t.Fatal(err)
	}
	with := func(id, status string) string {
		return strings.NewReplacer(`{"resourceType"`, `{"id":"`+id+`","resourceType"`, `"status":"requested"`, `"status":"`+status+`"`).Replace(string(body))
	}
	for _, c := range []struct {
		status  [2]string // of Task 9 and Task 10
		want    string
		results [2]string
	}{
		{[2]string{"requested", "requested"}, "Task/9 unchanged", [2]string{"requested", "entered-in-error"}},
		{[2]string{"requested", "accepted"}, "Task/10 unchanged, kept accepted", [2]string{"entered-in-error", "accepted"}},
		{[2]string{"on-hold", "accepted"}, "Task/9 unchanged, kept on-hold", [2]string{"on-hold", "accepted"}},
		{[2]string{"entered-in-error", "requested"}, "Task/10 unchanged", [2]string{"entered-in-error", "requested"}},
	} {
		f := &fake{}
		s := f.start(t, nil)
		f.put("9", with("9", c.status[0]))
		f.put("10", with("10", c.status[1]))
		carry(t, s, wrap(t, item()), c.want)
		before := f.puts
		carry(t, s, wrap(t, item()), c.want)
		for i, id := range []string{"9", "10"} {
			if !strings.Contains(f.tasks[id], `"status":"`+c.results[i]+`"`) {
				t.Errorf("%v: Task/%s is %s", c.status, id, f.tasks[id])
			}
		}
		if f.puts != before {
			t.Error("written again without need")
		}
	}
}

// What can be mended without touching the item is tried again by the outbox; what the server will never take is not.
func TestErrors(t *testing.T) {
	t.Parallel()
	for status, want := range map[int]fault.Kind{401: fault.Unavailable, 403: fault.Unavailable, 404: fault.Unavailable, 409: fault.Unavailable, 500: fault.Unavailable, 503: fault.Unavailable,
		400: fault.Invalid, 422: fault.Invalid, 405: fault.Unavailable, 501: fault.Unavailable} {
		f := &fake{}
		s := f.start(t, nil)
		f.down = status
		if _, err := s.Carry(t.Context(), wrap(t, item())); fault.KindOf(err) != want || strings.Contains(err.Error(), "p1") {
			t.Errorf("%d: %v", status, err)
		}
		f.down, f.refuses, f.hides = 0, status, true
		if _, err := s.Carry(t.Context(), wrap(t, item())); fault.KindOf(err) != want {
			t.Errorf("create %d: %v", status, err)
		}
	}
	f := &fake{}
	s := f.start(t, nil)
	for _, bad := range []string{`7`, `{}`, `{"state":"lost"}`} {
		if _, err := s.Carry(t.Context(), outbox.Item{Kind: outbox.KindTask, Body: json.RawMessage(bad)}); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func TestRefOf(t *testing.T) {
	t.Parallel()
	for receipt, want := range map[string]string{"Task/7 created": "Task/7", "Task/7": "Task/7", "Task/7 updated, kept on-hold": "Task/7", "created": "", "": "", "task-00.ndjson": "", "Patient/1 x": ""} {
		if got := fhirtask.RefOf(receipt); got != want {
			t.Errorf("%q: %q", receipt, got)
		}
	}
}

// An answer to the search that reports an error, or counts Tasks and shows none, does not say that nothing is there.
func TestSearchThatDoesNotTell(t *testing.T) {
	t.Parallel()
	for name, answer := range map[string]string{
		"an error in place of a Bundle": `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"timeout"}]}`,
		"an error among no rows":        `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]},"search":{"mode":"outcome"}}]}`,
		"a total and no rows":           `{"resourceType":"Bundle","type":"searchset","total":1}`,
	} {
		posts := 0
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			if q.Method == http.MethodPost {
				posts++
			}
			w.Header().Set("Content-Type", "application/fhir+json")
			fmt.Fprint(w, answer)
		}))
		t.Cleanup(server.Close)
		client, err := fhirhttp.New(fhirhttp.Options{Base: server.URL, Tries: 1})
		if err != nil {
			t.Fatal(err)
		}
		s := fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: "s"})
		for _, n := range []*notice.Task{item(), done()} {
			if receipt, err := s.Carry(t.Context(), wrap(t, n)); fault.KindOf(err) != fault.Unavailable || posts > 0 {
				t.Errorf("%s, %s: %q, %v, %d made", name, n.State, receipt, err, posts)
			}
		}
	}
}

// A server that finds a Task and then says that it is not there contradicts itself: nobody removed the Task. Where its
// address has the id in other case, it is asked by the address.
func TestFoundAndNotThere(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ address, known string }{
		"never there":   {"http://x.invalid/fhir/Task/new-1", ""},
		"in other case": {"http://x.invalid/fhir/Task/new-1", "new-1"},
	} {
		found := fmt.Sprintf(`{"resourceType":"Task","id":"NEW-1","meta":{"versionId":"1"},"identifier":[{"system":%q,"value":%q}],"status":"requested","intent":"proposal"}`, fhir.TokenSystem("s"), fhir.Token("s", item().Key))
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			w.Header().Set("Content-Type", "application/fhir+json")
			switch id := q.URL.Path[strings.LastIndexByte(q.URL.Path, '/')+1:]; {
			case id == "Task":
				fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","total":1,"entry":[{"fullUrl":%q,"resource":%s}]}`, c.address, found)
			case id != c.known || id == "":
				w.WriteHeader(http.StatusNotFound)
			default:
				fmt.Fprint(w, found)
			}
		}))
		t.Cleanup(server.Close)
		client, err := fhirhttp.New(fhirhttp.Options{Base: server.URL, Tries: 1})
		if err != nil {
			t.Fatal(err)
		}
		receipt, err := fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: "s"}).Carry(t.Context(), wrap(t, done()))
		if bad := fault.KindOf(err) == fault.Unavailable; bad != (c.known == "") || !bad && (err != nil || !strings.HasPrefix(receipt, "Task/new-1 updated")) {
			t.Errorf("%s: %q, %v", name, receipt, err)
		}
	}
}
