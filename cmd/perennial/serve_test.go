package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"perennial/internal/testkit/fhirpeer"
	"perennial/internal/testkit/mailrig"
)

// site is a site in a folder of its own, worked on by the program as a process.
type site struct {
	t    *testing.T
	dir  string
	more []string // environment
}

func newSite(t *testing.T, settings string) *site {
	t.Helper()
	s := &site{t: t, dir: t.TempDir()}
	if err := os.WriteFile(filepath.Join(s.dir, "site.yaml"), []byte("site:\n  name: Quayside Vascular Unit\n  zone: Europe/Lisbon\nweb:\n  listen: 127.0.0.1:0\n"+settings), 0o600); err != nil {
		t.Fatal(err)
	}
	s.do("init")
	return s
}

// do runs a command to its end and gives what it printed.
func (s *site) do(args ...string) string {
	s.t.Helper()
	c := exec.CommandContext(s.t.Context(), "perennial", append(args, "--settings", "site.yaml")...)
	c.Dir, c.Env = s.dir, append(os.Environ(), s.more...)
	out, err := c.CombinedOutput()
	if err != nil {
		s.t.Fatalf("perennial %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// serve runs the daemon until the function that comes back is called, which wants
// it to stop in good order, and gives what it logged.
func (s *site) serve() (address string, stop func() (log string)) {
	s.t.Helper()
	c := exec.CommandContext(s.t.Context(), "perennial", "serve", "--settings", "site.yaml")
	c.Dir, c.Env = s.dir, append(os.Environ(), s.more...)
	journal, err := os.Create(filepath.Join(s.dir, "journal"))
	if err != nil {
		s.t.Fatal(err)
	}
	defer journal.Close()
	c.Stderr = journal
	out, err := c.StdoutPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		s.t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = c.Wait()
		s.t.Fatalf("the daemon did not start: %v\n%s", err, s.log())
	}
	return strings.TrimSpace(strings.TrimPrefix(line, "pages: ")), func() string {
		s.t.Helper()
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			s.t.Fatal(err)
		}
		if err := c.Wait(); err != nil {
			s.t.Errorf("stopping the daemon: %v\n%s", err, s.log())
		}
		return s.log()
	}
}

// log is what the daemon that was started last has logged by now.
func (s *site) log() string {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.dir, "journal"))
	if err != nil {
		s.t.Fatal(err)
	}
	return string(text)
}

// until waits for something to hold.
func until(t *testing.T, what string, see func() (seen string, holds bool)) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		seen, holds := see()
		if holds {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s; there is %s", what, seen)
		}
	}
}

// Resources of an invented patient.
func onPeer(t *testing.T, base string, bodies ...string) {
	t.Helper()
	for _, b := range bodies {
		fhirpeer.Put(t, base, b)
	}
}

func person(id string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,"identifier":[{"system":"urn:mrn","value":"QV-00%s"}],"name":[{"family":"Quay","given":["Testa"]}],"telecom":[{"system":"phone","value":"555 0100"}]}`, id, id)
}

func graft(id, patient, on string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":%q,"status":"completed","subject":{"reference":"Patient/%s"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":%q}`, id, patient, on)
}

func scan(id, patient, on string) string {
	return fmt.Sprintf(`{"resourceType":"ImagingStudy","id":%q,"status":"available","subject":{"reference":"Patient/%s"},"started":%q,"modality":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}],"procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}],"numberOfSeries":1,"series":[{"uid":"2.999.7","modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}}]}`, id, patient, on)
}

// statuses counts the Tasks of the peer by status.
func statuses(t *testing.T, base string) string {
	t.Helper()
	n := map[string]int{}
	for _, task := range fhirpeer.All(t, base, "Task") {
		n[fmt.Sprint(task["status"])]++
	}
	var list []string
	for _, status := range slices.Sorted(maps.Keys(n)) {
		list = append(list, fmt.Sprintf("%s %d", status, n[status]))
	}
	return strings.Join(list, ", ")
}

// The daemon on a FHIR server that others wrote: what is on the server is followed,
// Tasks arrive there after go-live and not before, the scan that arrives ends its
// Task, a Task that a person put on hold stays on hold and gets a note, and a stop
// and a start in between change nothing and double nothing.
func TestServeOnAServer(t *testing.T) {
	t.Parallel()
	base := fhirpeer.Start(t)
	onPeer(t, base, person("a"), graft("ea", "a", "2026-05-20"), person("b"), graft("eb", "b", "2026-05-21"))
	s := newSite(t, "out:\n  mode: send\n  rest:\n    url: "+base+"\nsources:\n  rest:\n    url: "+base+"\n")
	round := func(want string) {
		t.Helper()
		_, stop := s.serve()
		until(t, "Tasks "+want, func() (string, bool) { got := statuses(t, base); return got, got == want })
		log := stop()
		if strings.Contains(log, "level=ERROR") || strings.Contains(log, "Testa") {
			t.Errorf("the log says:\n%s", log)
		}
	}
	_, stop := s.serve()
	until(t, "the first look", func() (string, bool) { return s.log(), strings.Contains(s.log(), "read the source server") })
	stop()
	if got := statuses(t, base); got != "" {
		t.Fatalf("before go-live the server has Tasks: %s", got)
	}
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	round("requested 4") // to arrange imaging and to check the kidneys, for both
	round("requested 4") // its own Tasks come back and change nothing

	tasks := fhirpeer.All(t, base, "Task")
	held := tasks[slices.IndexFunc(tasks, func(task map[string]any) bool { return strings.Contains(asJSON(t, task), `"arrange-imaging"`) })]
	id := fmt.Sprint(held["id"])
	who := strings.TrimPrefix(held["for"].(map[string]any)["reference"].(string), "Patient/")
	held["status"] = "on-hold"
	onPeer(t, base, asJSON(t, held))
	round("on-hold 1, requested 3")
	onPeer(t, base, scan("sa", "a", "2026-06-22"), scan("sb", "b", "2026-06-23"))
	round("cancelled 2, completed 1, on-hold 1") // nobody has to look at the kidneys any more
	for _, task := range fhirpeer.All(t, base, "Task") {
		if text := asJSON(t, task); fmt.Sprint(task["id"]) == id && (!strings.Contains(text, "set by a person and is kept") || !strings.Contains(text, "Patient/"+who)) {
			t.Errorf("the Task that a person holds: %s", text)
		}
	}
	s.do("status", "--check")
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The daemon on a mail server that others wrote: no letter before go-live, then
// one for each recipient, that of the day is not written again after a restart,
// and the next day's tells only what changed since.
func TestServeMail(t *testing.T) {
	t.Parallel()
	post := mailrig.Start(t, "nurse@example.org", "lead@example.org")
	s := newSite(t, fmt.Sprintf(`out:
  mode: send
digest:
  at: "07:00"
mail:
  host: %s
  port: %d
  user: %s
  password-file: password
  from: %s
  recipients:
    - {address: nurse@example.org, role: nurse}
    - {address: lead@example.org, role: lead}
`, post.Host, post.Port, post.User, mailrig.Sender))
	s.more = []string{"SSL_CERT_FILE=" + post.RootsFile}
	put := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(s.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("password", post.Password+"\n")
	put("first.ndjson", person("a")+"\n"+graft("ea", "a", "2026-03-10")+"\n")
	put("second.ndjson", scan("sa", "a", "2026-06-29")+"\n"+person("b")+"\n"+graft("eb", "b", "2026-05-20")+"\n")
	letters := func() (nurse, lead []string) {
		return post.Mailbox(t, "nurse@example.org"), post.Mailbox(t, "lead@example.org")
	}

	s.do("import", "first.ndjson")
	_, stop := s.serve()
	until(t, "the first round", func() (string, bool) { return s.log(), strings.Contains(s.log(), "the first round is done") })
	stop()
	if nurse, lead := letters(); len(nurse)+len(lead) > 0 {
		t.Fatalf("before go-live there are letters: %q %q", nurse, lead)
	}
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	for range 2 {
		_, stop := s.serve()
		until(t, "a round", func() (string, bool) { nurse, lead := letters(); return s.log(), len(nurse)+len(lead) >= 2 })
		if log := stop(); strings.Contains(log, "level=ERROR") {
			t.Errorf("the log says:\n%s", log)
		}
	}
	nurse, lead := letters()
	if len(nurse) != 1 || len(lead) != 1 {
		t.Fatalf("the nurse has %d letters, the lead %d", len(nurse), len(lead))
	}
	if strings.Contains(nurse[0], "lead@") || strings.Contains(nurse[0]+lead[0], "Testa") || !strings.Contains(nurse[0], "T. Q.") {
		t.Errorf("the letter:\n%s", nurse[0])
	}
	s.do("import", "second.ndjson")
	s.more = append(s.more, "PERENNIAL_TEST_DAYS=1")
	_, stop = s.serve()
	until(t, "the next day's letters", func() (string, bool) { nurse, lead = letters(); return s.log(), len(nurse) == 2 && len(lead) == 2 })
	stop()
	text := strings.Join(strings.Fields(nurse[1]), " ")
	if !strings.Contains(text, "Changed since the last letter (30 Jun 2026): 5") || !strings.Contains(text, "Visit m1: overdue; now done, its report awaited.") {
		t.Errorf("the second letter:\n%s", nurse[1])
	}
}

// get gives a page.
func get(t *testing.T, address string) string {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Errorf("%s: %d %v", address, r.StatusCode, err)
	}
	return string(body)
}
