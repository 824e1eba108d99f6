package main

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// What must never be told: secrets, and what tells who a patient is.
func secretMarkers() []string {
	return []string{"SecretForReading1xyzabc", "SecretForExports2xyzabc", "SecretForTasks3xyzabcdef", "SecretForHooks4xyzabcdef", "SecretForClients5xyzabc"}
}

func patientMarkers() []string { return []string{"Testa", "QV-00", "555 0100"} }

// tellTale is a FHIR server that answers with more than it should: whatever fails repeats what it was told, and names a
// patient. It notes the addresses that it is asked.
type tellTale struct {
	*httptest.Server
	mu     sync.Mutex
	refuse bool
	asked  []string
}

func newTellTale(t *testing.T) *tellTale {
	t.Helper()
	s := &tellTale{}
	s.Server = httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(s.Close)
	return s
}

func (s *tellTale) serve(w http.ResponseWriter, q *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked = append(s.asked, q.URL.String())
	w.Header().Set("Content-Type", "application/fhir+json")
	path := strings.TrimPrefix(q.URL.Path, "/fhir/")
	switch {
	case s.refuse:
		status := http.StatusUnauthorized
		switch path {
		case "Device":
			status = http.StatusInternalServerError // tried again, after a while: one is enough
		case "Procedure", "metadata":
			status = http.StatusUnprocessableEntity
		}
		s.tell(w, q, status)
	case path == "Patient":
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","total":1,"entry":[{"resource":%s}]}`, person("p1"))
	case path == "Procedure":
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","total":2,"entry":[{"resource":%s},{"resource":{"resourceType":"Procedure","id":"odd","status":"Testa Quay","subject":"QV-00p1"}}]}`, graft("e1", "p1", "2026-05-20"))
	case strings.HasSuffix(path, "$export"):
		w.Header().Set("Content-Location", s.URL+"/fhir/job")
		w.WriteHeader(http.StatusAccepted)
	case path == "job" && q.Method == http.MethodGet:
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprintf(w, `{"transactionTime":"2026-06-30T10:00:00Z","request":"x","requiresAccessToken":true,"output":[{"type":"Patient","url":%q}],"error":[{"type":"OperationOutcome","url":%q}]}`, s.URL+"/fhir/file", s.URL+"/fhir/errors")
	case path == "file":
		w.Header().Set("Content-Type", "application/fhir+ndjson")
		fmt.Fprintf(w, "%s\n{\"resourceType\":\"Patient\",\"id\":\"Testa Quay\" broken QV-00p1\n", person("p2"))
	case path == "errors":
		fmt.Fprint(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception","diagnostics":"Testa Quay, QV-00p1"}]}`+"\n")
	default:
		s.tell(w, q, http.StatusUnprocessableEntity)
	}
}

// tell repeats everything.
func (s *tellTale) tell(w http.ResponseWriter, q *http.Request, status int) {
	w.WriteHeader(status)
	fmt.Fprintf(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception","diagnostics":%q,"details":{"text":"Testa Quay, QV-00p1, 555 0100"}}]}`, q.Header.Get("Authorization")+" "+q.URL.String()+" Testa Quay")
}

func (s *tellTale) set(refuse bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuse = refuse
}

// call asks another program's side of the daemon, and gives the answer whatever it is.
func call(t *testing.T, method, address, key, body string) string {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Authorization", "Bearer "+key)
	q.Header.Set("X-Hook", key)
	q.Header.Set("Content-Type", "application/json")
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%d %v %s", r.StatusCode, r.Header, text)
}

// With every source and every way out turned on, and servers that repeat whatever they are told, no secret stands in a
// log, a metric, an error, a command's output or the store, and no patient in a log, a metric, an error or an address.
func TestMarkersAppearNowhere(t *testing.T) {
	t.Parallel()
	server := newTellTale(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	hook := l.Addr().String()
	l.Close()
	s := newSite(t, strings.NewReplacer("{at}", server.URL+"/fhir", "{hook}", hook).Replace(`  fhir:
    token-file: side
sources:
  rest:
    url: {at}
    token-file: read
  bulk:
    url: {at}
    token-file: bulk
  webhook:
    listen: {hook}
    secret-file: hook
    header: X-Hook
out:
  mode: send
  also: [care-plan, service-request, flag, communication, provenance, audit-event]
  rest:
    url: {at}
    token-file: task
`))
	for i, name := range []string{"read", "bulk", "task", "hook", "side"} {
		if err := os.WriteFile(filepath.Join(s.dir, name), []byte(secretMarkers()[i]+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	var told strings.Builder // what must hold neither
	for _, refuse := range []bool{false, true} {
		server.set(refuse)
		address, stop := s.serve()
		address = strings.TrimSuffix(address, "/")
		begun := time.Now()
		for !strings.Contains(s.log(), "the first round is done") && time.Since(begun) < 2*time.Minute { // failures are tried again, after a while
			time.Sleep(50 * time.Millisecond)
		}
		t.Logf("the first round took %v", time.Since(begun))
		told.WriteString(get(t, address+"/metrics") + get(t, address+"/healthz"))
		who := url.QueryEscape("Testa Quay QV-00p1 555 0100")
		for _, key := range []string{"wrong", "SecretForClients5xyzabc"} {
			told.WriteString(call(t, "GET", address+"/fhir/Task?bogus="+who+"&_count=x", key, ""))
			told.WriteString(call(t, "GET", address+"/fhir/Patient/"+url.PathEscape("Testa Quay"), key, ""))
			told.WriteString(call(t, "POST", address+"/fhir/Task", key, `{"resourceType":"Task","description":"Testa Quay"}`))
			told.WriteString(call(t, "POST", address+"/cds-services/implant-surveillance", key, `{"hook":"Testa Quay","context":{"patientId":"Testa Quay"}}`))
			told.WriteString(call(t, "POST", address+"/cds-services/implant-surveillance", key, `{"hook":"patient-view" Testa Quay`))
		}
		for _, key := range []string{"wrong", "SecretForHooks4xyzabcdef"} {
			told.WriteString(call(t, "POST", "http://"+hook+"/server", key, `{"resourceType":"Bundle","entry":[{"resource":`+person("p1")+`}]}`))
			told.WriteString(call(t, "PUT", "http://"+hook+"/"+url.PathEscape("Testa Quay"), key, "Testa Quay"))
		}
		log := stop()
		if refuse && !strings.Contains(log, "level=ERROR") {
			t.Errorf("nothing failed:\n%s", log)
		}
		told.WriteString(log)
		for _, args := range []string{"status", "send", "source check", "source check tasks", "source check bulk", "settings print site.yaml", "settings check site.yaml", "received"} {
			c := exec.CommandContext(t.Context(), "perennial", strings.Fields(args)...)
			if !strings.HasPrefix(args, "settings") {
				c.Args = append(c.Args, "--settings", "site.yaml")
			}
			c.Dir = s.dir
			out, _ := c.CombinedOutput() // some fail, and say why
			if len(out) == 0 {
				t.Errorf("%s says nothing", args)
			}
			told.Write(out)
		}
	}
	find(t, "it is told", told.String(), append(secretMarkers(), patientMarkers()...))
	for _, name := range []string{"read", "bulk", "task", "hook", "side"} {
		if err := os.Remove(filepath.Join(s.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	find(t, "the folder holds it", allFiles(t, s.dir), secretMarkers())
	server.mu.Lock()
	defer server.mu.Unlock()
	if len(server.asked) < 20 {
		t.Errorf("only %d requests", len(server.asked))
	}
	find(t, "an address holds it", strings.Join(server.asked, "\n"), append(secretMarkers(), patientMarkers()...))
}

// find fails the test for each word that a text holds, in plain or as it stands in an address.
func find(t *testing.T, what, text string, words []string) {
	t.Helper()
	for _, word := range words {
		for _, form := range []string{word, url.QueryEscape(word), url.PathEscape(word)} {
			if i := strings.Index(text, form); i >= 0 {
				t.Errorf("%s: %s: …%s…", what, word, text[max(0, i-200):min(len(text), i+200)])
				break
			}
		}
	}
}
