package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"perennial/internal/testkit/fakebulk"
	"perennial/internal/testkit/fakefhir"
)

// What is planted. Nothing of it may come out where it has no business.
const (
	plantedFamily, plantedGiven, plantedRecord, plantedBorn, plantedPhone = "Quaymarker", "Testamarker", "MRN7731990", "1941-03-07", "5550147"

	plantedID = "pidmarker"
)

// planted are words about the patient.
func planted() []string {
	return []string{plantedFamily, plantedGiven, plantedRecord, plantedBorn, plantedPhone}
}

// secretNames are the secrets of the site. Each is its own file's name, and a word that stands nowhere else.
func secretNames() []string { return []string{"rest", "bulk", "out", "hook", "read"} }

func secretOf(name string) string { return "Secret-" + name + "-NotForPrinting-0123456789" }

// front stands before a server: it notes what is asked and misbehaves as it is told.
type front struct {
	url  string
	want string // the token
	mu   sync.Mutex
	mode string
	left int      // so often yet
	seen []string // addresses, and what was wrong with them
}

// newFront puts a front before the server at base.
func newFront(t *testing.T, base, token, elsewhere string) *front {
	t.Helper()
	to, err := url.Parse(strings.TrimSuffix(base, "/fhir"))
	if err != nil {
		t.Fatal(err)
	}
	pass, f := httputil.NewSingleHostReverseProxy(to), &front{want: "Bearer " + token}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if got := q.Header.Get("Authorization"); got != "" && got != f.want {
			f.note("another login at " + q.URL.String())
		}
		f.note(q.Method + " " + q.URL.String())
		if mode := f.is(); mode == "" || !misbehave(w, q, mode, elsewhere) {
			q.Header.Del("Authorization")
			pass.ServeHTTP(w, q)
		}
	}))
	t.Cleanup(s.Close)
	f.url = s.URL + "/fhir"
	return f
}

func (f *front) note(text string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seen = append(f.seen, text)
}

// is says how to misbehave now. What the program waits for and tries again is soon over: it would wait at every type.
func (f *front) is() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.left--; f.left < 0 && (f.mode == "500" || f.mode == "503") {
		return ""
	}
	return f.mode
}

func (f *front) set(mode string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.mode, f.left = mode, 4
}

// modes are ways to misbehave that all hold data of the patient.
func modes() []string {
	return []string{"400", "401", "403", "404", "409", "422", "500", "503", "outcome", "broken", "html", "redirect", "next", "row", "headers", "lines", "echo"}
}

// misbehave answers in a mode; false: it does not.
func misbehave(w http.ResponseWriter, q *http.Request, mode, elsewhere string) bool {
	all := strings.Join(planted(), " ")
	issue := fmt.Sprintf(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"%s","diagnostics":"%s","details":{"text":"%s","coding":[{"system":"%s","code":"%s","display":"%s"}]},"expression":["Patient.where(name='%s')"],"location":["%s"]}]}`,
		plantedFamily, all, all, plantedGiven, plantedRecord, plantedFamily, plantedFamily, plantedPhone)
	w.Header().Set("Content-Type", "application/fhir+json")
	switch mode {
	case "outcome":
		fmt.Fprint(w, issue)
	case "broken":
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Patient","name":[{"family":"%s`, all)
	case "html":
		w.Header().Set("Content-Type", "text/"+plantedFamily)
		fmt.Fprintf(w, "<html>%s</html>", all)
	case "redirect":
		w.Header().Set("Location", elsewhere+"/fhir/Patient?name="+plantedFamily)
		w.WriteHeader(http.StatusFound)
	case "next":
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":"%s/fhir?name=%s"}],"entry":[{"resource":{"resourceType":"Basic","id":"x"}}]}`, elsewhere, plantedFamily)
	case "row":
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Patient","id":"not an id %s","birthDate":"%s of %s"}},{"resource":{"resourceType":"%s","id":"x"}}]}`, plantedFamily, plantedBorn, plantedGiven, plantedGiven)
	case "lines": // of an export, but for the job itself
		if !strings.Contains(q.URL.Path, "file") {
			return false
		}
		fmt.Fprintf(w, "{\"resourceType\":\"Patient\",\"id\":\"a\",\"birthDate\":\"%s\"}\n{\"resourceType\":\"Patient\" %s\n", plantedBorn, all)
	case "echo":
		w.WriteHeader(http.StatusUnprocessableEntity)
		fmt.Fprintf(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"processing","diagnostics":%q}]}`, q.Header.Get("Authorization")+q.URL.String())
	case "headers":
		w.Header().Set("Content-Location", elsewhere+"/"+plantedRecord)
		w.Header().Set("X-Progress", "at "+all)
		w.Header().Set("Retry-After", plantedFamily)
		w.WriteHeader(http.StatusAccepted)
	default:
		status := 0
		if _, err := fmt.Sscan(mode, &status); err != nil {
			return false
		}
		w.Header().Set("Retry-After", "0")
		w.WriteHeader(status)
		fmt.Fprint(w, issue)
	}
	return true
}

// spoken looks at what the program says.
type spoken struct{ t *testing.T }

// clean wants that nothing planted is in a text.
func (s *spoken) clean(where, text string) {
	s.t.Helper()
	for _, name := range secretNames() {
		if strings.Contains(text, secretOf(name)) {
			s.t.Errorf("%s holds the secret %q:\n%.600s", where, name, around(text, secretOf(name)))
		}
	}
	for _, word := range append(planted(), plantedID) {
		if strings.Contains(strings.ToLower(text), strings.ToLower(word)) {
			s.t.Errorf("%s holds %q:\n%s", where, word, around(text, word))
		}
	}
}

// around is where a word stands in a text.
func around(text, word string) string {
	at := max(strings.Index(strings.ToLower(text), strings.ToLower(word)), 0)
	return text[max(0, at-300):min(len(text), at+300)]
}

// portHere is an address of this computer that is free.
func portHere(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// garden is a site with everything that talks to others, whose servers have a patient with planted words.
type garden struct {
	*site
	said      *spoken
	fhir      *fakefhir.Server
	tasks     *fakefhir.Server
	fronts    map[string]*front
	hook      string // address of the webhook
	pages     string
	elsewhere chan string // what another server was asked
	person    string      // members of the patient
	graft     string      // members of the operation
}

func newGarden(t *testing.T) *garden {
	t.Helper()
	g := &garden{said: &spoken{t}, hook: portHere(t), elsewhere: make(chan string, 1000)}
	far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) { g.elsewhere <- fmt.Sprint(q.URL, q.Header) }))
	t.Cleanup(far.Close)
	g.fhir = fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient", "Procedure", "ImagingStudy"}})
	g.tasks = fakefhir.Start(t, fakefhir.Options{Types: []string{"Task", "CarePlan", "ServiceRequest", "Flag", "Communication", "Provenance"}})
	exports := fakebulk.Start(t, fakebulk.Options{})
	g.person = fmt.Sprintf(`"identifier":[{"system":"urn:mrn","value":"%s"}],"name":[{"family":"%s","given":["%s"]}],"birthDate":"%s","telecom":[{"system":"phone","value":"%s"}]`, plantedRecord, plantedFamily, plantedGiven, plantedBorn, plantedPhone)
	_, fields, _ := strings.Cut(graft("x", plantedID, "2026-05-20"), `"x",`)
	g.graft = strings.TrimSuffix(fields, "}")
	g.fhir.Put("Patient", plantedID, g.person)
	g.fhir.Put("Procedure", "evar", g.graft)
	exports.Put("Patient", plantedID, g.person)
	away := strings.Replace(far.URL, "127.0.0.1", "localhost", 1)
	g.fronts = map[string]*front{"rest": newFront(t, g.fhir.Base, secretOf("rest"), away), "bulk": newFront(t, exports.Base, secretOf("bulk"), away), "out": newFront(t, g.tasks.Base, secretOf("out"), away)}
	server := func(name string) string {
		return "    url: " + g.fronts[name].url + "\n    token-file: " + name + "\n"
	}
	g.site = newSite(t, "  fhir:\n    token-file: read\nout:\n  mode: send\n  folder: written\n  also: [care-plan, service-request, flag, communication, provenance, audit-event]\n  rest:\n"+server("out")+
		"sources:\n  rest:\n"+server("rest")+"  bulk:\n"+server("bulk")+"  webhook:\n    listen: "+g.hook+"\n    secret-file: hook\n")
	for _, name := range secretNames() {
		if err := os.WriteFile(filepath.Join(g.dir, name), []byte(secretOf(name)+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return g
}

// ask calls the daemon, and gives the answer whatever it is.
func (g *garden) ask(method, address, body string, header ...string) (int, string) {
	g.t.Helper()
	q, err := http.NewRequestWithContext(g.t.Context(), method, address, strings.NewReader(body))
	if err != nil {
		g.t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		q.Header.Set(header[i], header[i+1])
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		g.t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		g.t.Fatal(err)
	}
	return r.StatusCode, fmt.Sprint(r.Header) + string(text)
}

// outside wants a status, and an answer that tells nothing.
func (g *garden) outside(want int, method, address, body string, header ...string) {
	g.t.Helper()
	got, text := g.ask(method, address, body, header...)
	if got != want {
		g.t.Errorf("%s %s: %d, want %d: %.300s", method, address, got, want, text)
	}
	g.said.clean("the answer to "+method+" "+address, text)
}

// hint tells of a change at a source, and waits until a server was asked because of it.
func (g *garden) hint(source, from string) {
	g.t.Helper()
	before := len(g.fronts[from].all())
	g.outside(200, "POST", "http://"+g.hook+"/"+source, "", "Authorization", secretOf("hook"))
	until(g.t, from+" is asked", func() (string, bool) { return g.log(), len(g.fronts[from].all()) > before })
}

// misbehaving lets each server misbehave in a mode, the one that takes Tasks with a new patient.
func (g *garden) misbehaving(i int, mode string) {
	g.t.Helper()
	says := func(args ...string) {
		g.said.clean("perennial "+strings.Join(args, " ")+" ("+mode+")", g.says(args...))
	}
	g.fronts["rest"].set(mode)
	g.fronts["bulk"].set(mode)
	g.hint("server", "rest")
	g.hint("bulk", "bulk")
	says("status")
	says("source", "check", "server")
	says("source", "check", "bulk")
	g.fronts["rest"].set("")
	g.fronts["out"].set(mode)
	id := fmt.Sprintf("%s%d", plantedID, i)
	g.fhir.Put("Patient", id, strings.Replace(g.person, plantedRecord, plantedRecord+id, 1))
	g.fhir.Put("Procedure", "evar"+id, strings.Replace(g.graft, plantedID, id, 1))
	g.fhir.Advance(time.Minute)
	g.hint("server", "out")
	says("source", "check", "tasks")
	says("status", "--check")
	says("send")
}

// callers misbehave: they ask with words about the patient where these do not belong.
func (g *garden) callers(login []string) {
	g.t.Helper()
	const cards = "cds-services/implant-surveillance"
	words := "?name=" + plantedFamily + "&birthdate=" + plantedBorn
	broken := `{"resourceType":"` + plantedFamily + `","name":"` + plantedGiven
	for _, where := range []string{"metrics", "healthz", "status"} {
		g.outside(200, "GET", g.pages+where, "")
	}
	g.outside(404, "GET", g.pages+"patients/"+plantedFamily, "")
	g.outside(404, "GET", g.pages+plantedFamily+words, "")
	g.outside(401, "GET", g.pages+"fhir/Task"+words, "", "Authorization", "Bearer "+plantedFamily)
	g.outside(400, "GET", g.pages+"fhir/Task"+words, "", login...)
	g.outside(404, "GET", g.pages+"fhir/Patient"+words, "", login...)
	g.outside(404, "GET", g.pages+"fhir/Task/"+plantedFamily, "", login...)
	g.outside(400, "GET", g.pages+"fhir/Task?_lastUpdated="+plantedBorn+plantedFamily, "", login...)
	g.outside(406, "GET", g.pages+"fhir/Task?_format="+plantedFamily, "", login...)
	g.outside(405, "POST", g.pages+"fhir/Task", broken, login...)
	g.outside(400, "POST", g.pages+cards, broken, login...)
	g.outside(400, "POST", g.pages+cards, `{"hook":"`+plantedFamily+`"}`, login...)
	g.outside(412, "POST", g.pages+cards, `{"hook":"patient-view","fhirServer":"https://`+plantedFamily+`.example","fhirAuthorization":{"access_token":"`+secretOf("read")+`"},"context":{"patientId":"`+plantedID+`"}}`, login...)
	g.outside(404, "GET", g.pages+"cds-services/"+plantedFamily, "", login...)
	g.outside(403, "GET", g.pages+"cds-services", "", append(login, "Origin", "https://"+plantedFamily)...)
	g.outside(400, "POST", "http://"+g.hook+"/server", broken, "Authorization", secretOf("hook"))
	g.outside(401, "POST", "http://"+g.hook+"/server"+words, broken, "Authorization", plantedFamily)
	g.outside(404, "POST", "http://"+g.hook+"/"+plantedFamily, broken, "Authorization", secretOf("hook"))
}

// Tokens and patient data stand in no log, error, metric or address: a site with everything that talks to others, whose
// servers and callers misbehave in every way with words about a patient in their mouths.
func TestNothingPlantedComesOut(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("the program waits before it asks again")
	}
	g := newGarden(t)
	g.do("go-live", "--who", "Nurse Quill", "--yes")
	g.fronts["bulk"].set("500")
	pages, stop := g.serveLoud()
	g.pages = pages
	until(t, "the first Tasks", func() (string, bool) { return g.log(), len(g.tasks.Truth()) > 0 })
	g.do("rule", "attempt", "--patient", plantedID, "--channel", "phone", "--outcome", "no-answer", "--who", "Nurse Quill", "--why", "rang "+plantedFamily)
	login := []string{"Authorization", "Bearer " + secretOf("read"), "Prefer", "handling=strict", "Content-Type", "application/json"}
	if got, text := g.ask("GET", pages+"fhir/Task?patient="+plantedID, "", login...); got != 200 || !strings.Contains(text, plantedID) {
		t.Fatalf("the read side does not know the patient: %d %s", got, text)
	}
	for i, mode := range append(modes(), "") {
		g.misbehaving(i, mode)
	}
	g.callers(login)
	log := stop()
	if n := strings.Count(log, "level=ERROR"); n < len(modes()) {
		t.Errorf("only %d errors were logged: the servers did not misbehave\n%s", n, log)
	}
	g.afterwards(log)
}

// afterwards looks at what is left: the log, the addresses, and the folder.
func (g *garden) afterwards(log string) {
	g.t.Helper()
	g.said.clean("the log", log)
	out, err := os.ReadFile(filepath.Join(g.dir, "stdout"))
	if err != nil {
		g.t.Error(err)
	}
	g.said.clean("the output", string(out))
	for name, f := range g.fronts {
		if len(f.all()) < len(modes()) {
			g.t.Errorf("%s was asked %d times only", name, len(f.all()))
		}
		for _, asked := range f.all() {
			if strings.Contains(asked, "another login") {
				g.t.Errorf("%s: %s", name, asked)
			}
			g.said.clean("an address at "+name, strings.ReplaceAll(asked, plantedID, "")) // an id is no name
		}
	}
	close(g.elsewhere)
	for asked := range g.elsewhere {
		g.t.Errorf("another server was asked: %s", asked)
	}
	if events, err := filepath.Glob(filepath.Join(g.dir, "written", "auditevent-*.ndjson")); err != nil || len(events) == 0 {
		g.t.Errorf("no AuditEvents were written: %v", err)
	}
	for _, name := range secretNames() { // the secrets' own files aside, nothing holds one
		if err := os.Remove(filepath.Join(g.dir, name)); err != nil {
			g.t.Error(err)
		}
	}
	all := allFiles(g.t, g.dir)
	for _, name := range secretNames() {
		if strings.Contains(all, secretOf(name)) {
			g.t.Errorf("the folder holds the secret %q", name)
		}
	}
}

// all is what was asked by now.
func (f *front) all() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.seen...)
}

// says runs a command to its end, whatever that is, and gives what it printed.
func (s *site) says(args ...string) string {
	s.t.Helper()
	c := exec.CommandContext(s.t.Context(), "perennial", append(args, "--settings", "site.yaml")...)
	c.Dir, c.Env = s.dir, append(os.Environ(), s.more...)
	out, _ := c.CombinedOutput() // many fail, as they should
	if len(out) == 0 || bytes.Contains(out, []byte("unknown flag")) || bytes.Contains(out, []byte("unknown command")) {
		s.t.Errorf("perennial %s: %s", strings.Join(args, " "), out)
	}
	return string(out)
}

// serveLoud is serve that keeps all that the daemon prints, too.
func (s *site) serveLoud() (pages string, stop func() (log string)) {
	s.t.Helper()
	c := exec.CommandContext(s.t.Context(), "perennial", "serve", "--settings", "site.yaml")
	c.Dir, c.Env = s.dir, append(os.Environ(), s.more...)
	for name, to := range map[string]*io.Writer{"journal": &c.Stderr, "stdout": &c.Stdout} {
		f, err := os.Create(filepath.Join(s.dir, name))
		if err != nil {
			s.t.Fatal(err)
		}
		defer f.Close()
		*to = f
	}
	if err := c.Start(); err != nil {
		s.t.Fatal(err)
	}
	until(s.t, "the pages", func() (string, bool) {
		out, _ := os.ReadFile(filepath.Join(s.dir, "stdout"))
		for line := range strings.Lines(string(out)) {
			if at, ok := strings.CutPrefix(line, "pages: "); ok && strings.HasSuffix(at, "\n") {
				pages = strings.TrimSpace(at)
			}
		}
		return s.log(), pages != ""
	})
	return pages, func() string {
		s.t.Helper()
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			s.t.Fatal(err)
		}
		if err := c.Wait(); err != nil {
			s.t.Errorf("stopping the daemon: %v", err)
		}
		return s.log()
	}
}
