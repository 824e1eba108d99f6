package clinic_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"perennial/internal/fhir"
)

// crashPeer is a FHIR server of Tasks that lives on while its client is killed.
// It makes a Task whenever it is asked to, unless the condition that came along
// says that it is there; and counts.
type crashPeer struct {
	mu       sync.Mutex
	tasks    map[string]string // id → JSON
	versions map[string]int
	made     map[string]int // by token: how many Tasks were ever made
	batches  int
}

func newCrashPeer() *crashPeer {
	return &crashPeer{tasks: map[string]string{}, versions: map[string]int{}, made: map[string]int{}}
}

// ServeHTTP answers search, read, conditional create and update of Tasks.
func (p *crashPeer) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	body, err := io.ReadAll(q.Body)
	if err != nil {
		return // the client died while it was sending
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case q.URL.Path == "/metadata":
		fmt.Fprint(w, `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server","interaction":[{"code":"batch"}],"resource":[{"type":"Task","conditionalCreate":true,"interaction":[{"code":"create"},{"code":"update"}]}]}]}`)
	case q.URL.Path == "/" && q.Method == http.MethodPost:
		p.batch(w, body)
	default:
		p.one(w, q, body)
	}
}

// batch does one after the other.
func (p *crashPeer) batch(w http.ResponseWriter, body []byte) {
	var b struct {
		Entry []struct {
			Resource json.RawMessage
			Request  struct{ Method, URL, IfMatch, IfNoneExist string }
		}
	}
	if json.Unmarshal(body, &b) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	p.batches++
	var list []string
	for _, e := range b.Entry {
		q := httptest.NewRequest(e.Request.Method, "/"+e.Request.URL, nil)
		q.Header.Set("If-Match", e.Request.IfMatch)
		q.Header.Set("If-None-Exist", e.Request.IfNoneExist)
		r := httptest.NewRecorder()
		p.one(r, q, e.Resource)
		location, _ := json.Marshal(r.Header().Get("Location"))
		resource := ""
		if r.Body.Len() > 0 {
			resource = `"resource":` + r.Body.String() + ","
		}
		list = append(list, fmt.Sprintf(`{%s"response":{"status":"%d","location":%s}}`, resource, r.Code, location))
	}
	fmt.Fprintf(w, `{"resourceType":"Bundle","type":"batch-response","entry":[%s]}`, strings.Join(list, ","))
}

// one answers one request about Tasks.
func (p *crashPeer) one(w http.ResponseWriter, q *http.Request, body []byte) {
	id := strings.TrimPrefix(strings.TrimPrefix(q.URL.Path, "/Task"), "/")
	switch {
	case q.Method == http.MethodPost:
		p.create(w, q, string(body))
	case q.Method == http.MethodGet && id == "":
		p.search(w, tokenIn(q.URL.RawQuery))
	case p.tasks[id] == "":
		w.WriteHeader(http.StatusGone)
	case q.Method == http.MethodPut && q.Header.Get("If-Match") != p.etag(id):
		w.WriteHeader(http.StatusPreconditionFailed)
	case q.Method == http.MethodPut:
		p.put(id, string(body))
		p.answer(w, id)
	default:
		p.answer(w, id)
	}
}

// givenMeta is what only a search gives of a Task.
var givenMeta = regexp.MustCompile(`"meta":\{[^}]*\},`)

func (p *crashPeer) etag(id string) string { return fmt.Sprintf(`W/"%d"`, p.versions[id]) }

func (p *crashPeer) put(id, body string) {
	p.tasks[id] = givenMeta.ReplaceAllString(body, "")
	p.versions[id]++
}

func (p *crashPeer) answer(w http.ResponseWriter, id string) {
	w.Header().Set("ETag", p.etag(id))
	fmt.Fprint(w, p.tasks[id])
}

func (p *crashPeer) create(w http.ResponseWriter, q *http.Request, body string) {
	if cond := q.Header.Get("If-None-Exist"); cond != "" {
		if have := p.find(tokenIn(cond)); len(have) == 1 {
			p.answer(w, have[0])
			return
		}
	}
	id := fmt.Sprint(len(p.tasks) + 1)
	p.made[tokenOf(body)]++
	p.put(id, strings.Replace(body, "{", `{"id":"`+id+`",`, 1))
	w.Header().Set("Location", "Task/"+id)
	w.WriteHeader(http.StatusCreated)
}

func (p *crashPeer) search(w http.ResponseWriter, token string) {
	var list []string
	for _, id := range p.find(token) {
		list = append(list, `{"resource":`+strings.Replace(p.tasks[id], "{", `{"meta":{"versionId":"`+fmt.Sprint(p.versions[id])+`"},`, 1)+`}`)
	}
	fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","entry":[%s]}`, strings.Join(list, ","))
}

// find lists the ids of the Tasks with a token.
func (p *crashPeer) find(token string) []string {
	var ids []string
	for id, body := range p.tasks {
		if tokenOf(body) == token {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// arrived gives the Tasks by token, and tokens for which more than one was ever
// made.
func (p *crashPeer) arrived() (tasks map[string]string, doubled []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	tasks = map[string]string{}
	for _, body := range p.tasks {
		tasks[tokenOf(body)] = body
	}
	for token, n := range p.made {
		if n > 1 || token == "" {
			doubled = append(doubled, token)
		}
	}
	return tasks, doubled
}

// tokenIn is the token that a search names, as it stands in the address.
func tokenIn(query string) string {
	_, token, _ := strings.Cut(query, "%7C")
	return token
}

// tokenOf is the token by which a Task is found again; "" where it has none.
func tokenOf(body string) string {
	var t struct{ Identifier []fhir.Identifier }
	if json.Unmarshal([]byte(body), &t) == nil {
		for _, id := range t.Identifier {
			if id.System == fhir.TokenSystem(crashSite) {
				return id.Value
			}
		}
	}
	return ""
}

// filed gives the Tasks in the folder of files by token, tokens that are there
// twice, and files that are none of the carrier's.
func filed(t *testing.T, dir string) (tasks map[string]string, doubled, litter []string) {
	t.Helper()
	tasks = map[string]string{}
	files, err := os.ReadDir(dir)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for _, f := range files {
		if ok, _ := filepath.Match("task-*.ndjson", f.Name()); !ok {
			litter = append(litter, f.Name())
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			token := tokenOf(line)
			if tasks[token] != "" || token == "" {
				doubled = append(doubled, token)
			}
			tasks[token] = line
		}
	}
	return tasks, doubled, litter
}
