package fakebulk

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"net/http"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Faults lists the ways to misbehave, each with what it is.
func Faults() map[string]string {
	return map[string]string{
		"kickoff-429":        "too many exports: 429 with Retry-After",
		"kickoff-500":        "no export is begun",
		"kickoff-silent":     "202 without Content-Location",
		"location-port":      "Content-Location names another port of the same host",
		"location-elsewhere": "Content-Location names another server",
		"never-done":         "an export does not end",
		"status-404":         "the status is lost",
		"status-410":         "the export has expired",
		"status-429":         "the status is asked for too often",
		"status-503":         "503 with Retry-After as a date",
		"status-500":         "the export failed, and an OperationOutcome says so",
		"status-transient":   "an OperationOutcome says that it will pass",
		"status-502":         "a gateway answers in the server's place",
		"manifest-html":      "a page of a proxy with status 200 in place of the manifest",
		"manifest-moment":    "the manifest has no transactionTime",
		"manifest-pages":     "the manifest goes on elsewhere",
		"manifest-address":   "a file has no address",
		"file-404":           "a file has expired",
		"file-503":           "files are not to be had for now",
		"file-202":           "a file is still being written: 202 without a body",
		"file-206":           "a part of a file comes in its place",
		"file-break":         "the connection breaks within a file",
		"file-gzip-cut":      "a gzip is cut",
		"file-cut":           "a file is cut within a line, with the length of what came",
		"file-short":         "a file lacks its last line",
		"file-html":          "a page of a proxy in place of a file",
		"file-elsewhere":     "a file lies on a server that nobody named",
		"count-wrong":        "the manifest counts one more",
		"errors":             "a file of errors comes beside the data",
		"errors-inside":      "an error stands among the data",
	}
}

func outcome(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/fhir+json")
	w.WriteHeader(status)
	fmt.Fprintf(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":%q,"diagnostics":"Testa Quay-34"}]}`, code)
}

func (s *Server) serve(w http.ResponseWriter, q *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	path := strings.Trim(strings.TrimPrefix(q.URL.Path, "/fhir"), "/")
	token := q.Header.Get("Authorization")
	s.note(q, path, token)
	file := strings.HasPrefix(path, "files/")
	if s.o.Token != "" && token != "Bearer "+s.o.Token && (!file || s.o.Files == "token") {
		outcome(w, 401, "login")
		return
	}
	switch parts := strings.Split(path, "/"); {
	case path == "metadata":
		fmt.Fprint(w, `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server","operation":[{"name":"export"}],"resource":[{"type":"Patient"},{"type":"Group","operation":[{"name":"export"}]}]}]}`)
	case strings.HasSuffix(path, "$export") && q.Method == http.MethodGet:
		s.kickOff(w, q)
	case parts[0] == "exports" && len(parts) == 2:
		s.status(w, q, parts[1])
	case file && len(parts) == 4:
		s.file(w, q, parts)
	default:
		outcome(w, 404, "not-found")
	}
}

func (s *Server) note(q *http.Request, path, token string) {
	words := []string{q.Method, path}
	if q.URL.RawQuery != "" && !strings.HasPrefix(path, "files/") {
		words = append(words, q.URL.RawQuery)
	}
	if token != "" {
		words = append(words, "token")
	}
	s.asked = append(s.asked, strings.Join(words, " "))
}

func (s *Server) kickOff(w http.ResponseWriter, q *http.Request) {
	since, err := time.Parse(time.RFC3339Nano, q.URL.Query().Get("_since"))
	if err != nil && q.URL.Query().Has("_since") || q.Header.Get("Prefer") != "respond-async" || q.Header.Get("Accept") != "application/fhir+json" {
		outcome(w, 400, "invalid")
		return
	}
	switch s.fault {
	case "kickoff-429":
		w.Header().Set("Retry-After", "1800")
		outcome(w, 429, "throttled")
		return
	case "kickoff-500":
		outcome(w, 500, "exception")
		return
	}
	s.serial++
	id := strconv.Itoa(s.serial)
	s.exports[id] = s.snapshot(q.URL.Query().Get("_type"), since)
	where := s.Base + "/exports/" + id
	switch s.fault {
	case "kickoff-silent":
		where = ""
	case "location-port":
		where = "https://127.0.0.1:1/fhir/exports/" + id
	case "location-elsewhere":
		where = "http://elsewhere.invalid/exports/" + id
	}
	if where != "" {
		w.Header().Set("Content-Location", where)
	}
	w.WriteHeader(http.StatusAccepted)
}

func (s *Server) status(w http.ResponseWriter, q *http.Request, id string) {
	e := s.exports[id]
	if q.Method == http.MethodDelete {
		delete(s.exports, id)
		w.WriteHeader(http.StatusAccepted)
		return
	}
	switch {
	case e == nil, s.fault == "status-404":
		outcome(w, 404, "not-found")
	case s.fault == "status-410":
		outcome(w, 410, "expired")
	case s.fault == "status-429":
		w.Header().Set("Retry-After", "900")
		outcome(w, 429, "throttled")
	case s.fault == "status-503":
		w.Header().Set("Retry-After", s.now.Add(20*time.Minute).Format(http.TimeFormat))
		outcome(w, 503, "transient")
	case s.fault == "status-500":
		outcome(w, 500, "exception")
	case s.fault == "status-transient":
		outcome(w, 500, "transient")
	case s.fault == "status-502":
		w.WriteHeader(502)
		fmt.Fprint(w, "<html>Testa Quay-34</html>")
	case s.fault == "never-done", e.polls < s.o.Polls:
		e.polls++
		w.Header().Set("X-Progress", fmt.Sprintf("%d%% of Testa Quay-34", 100*e.polls/(s.o.Polls+1)))
		if s.o.Retry != "" {
			w.Header().Set("Retry-After", s.o.Retry)
		}
		w.WriteHeader(http.StatusAccepted)
	case s.fault == "manifest-html":
		fmt.Fprint(w, "<html>log in</html>")
	default:
		s.serial++
		_ = json.NewEncoder(w).Encode(s.manifest(id, e))
	}
}

// manifest has addresses that are signed anew each time.
func (s *Server) manifest(id string, e *export) map[string]any {
	base := s.Base
	if s.o.Files == "elsewhere" {
		base = s.Elsewhere
	}
	m := map[string]any{"transactionTime": e.moment.Format(time.RFC3339Nano), "request": s.Base + "/$export", "requiresAccessToken": s.o.Files == "token"}
	lists := map[string][]map[string]any{"output": {}, "deleted": {}, "error": {}}
	if s.fault == "errors" {
		e.files["error/OperationOutcome-0"] = []string{`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"incomplete","diagnostics":"Testa Quay-34"}]}`}
	}
	var names []string
	for name := range e.files {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		list, part, _ := strings.Cut(name, "/")
		typ, _, _ := strings.Cut(part, "-")
		url := fmt.Sprintf("%s/files/%s/%s?signature=%d", base, id, name, s.serial)
		switch s.fault {
		case "file-elsewhere":
			url = "http://elsewhere.invalid/" + name
		case "manifest-address":
			url = ""
		}
		n := len(e.files[name])
		if s.fault == "count-wrong" {
			n++
		}
		one := map[string]any{"type": typ, "url": url, "count": n}
		if s.fault == "file-202" || s.fault == "file-206" {
			delete(one, "count")
		}
		lists[list] = append(lists[list], one)
	}
	for name, list := range lists {
		m[name] = list
	}
	switch s.fault {
	case "manifest-moment":
		delete(m, "transactionTime")
	case "manifest-pages":
		m["link"] = []map[string]string{{"relation": "next", "url": s.Base + "/more"}}
	}
	return m
}

func (s *Server) file(w http.ResponseWriter, q *http.Request, parts []string) {
	e := s.exports[parts[1]]
	if e == nil || s.fault == "file-404" {
		outcome(w, 404, "not-found")
		return
	}
	lines := e.files[parts[2]+"/"+parts[3]]
	text := []byte(strings.Join(lines, "\n") + "\n")
	w.Header().Set("Content-Type", "application/fhir+ndjson")
	pack := strings.Contains(q.Header.Get("Accept-Encoding"), "gzip") && len(text) > 200
	switch s.fault {
	case "file-503":
		outcome(w, 503, "transient")
		return
	case "file-202":
		w.WriteHeader(http.StatusAccepted)
		return
	case "file-206":
		w.WriteHeader(http.StatusPartialContent)
		fmt.Fprintln(w, lines[0])
		return
	case "file-html":
		text, pack = []byte("<html>log in</html>"), false
	case "file-short":
		text = []byte(strings.Join(lines[:len(lines)-1], "\n"))
	case "file-cut":
		text, pack = text[:len(text)-9], false
	case "errors-inside":
		text = append(text, `{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]}`+"\n"...)
	case "file-break":
		w.Header().Set("Content-Length", strconv.Itoa(len(text)))
		_, _ = w.Write(text[:len(text)/2])
		_ = http.NewResponseController(w).Flush()
		panic(http.ErrAbortHandler)
	}
	if !pack {
		_, _ = w.Write(text)
		return
	}
	var z bytes.Buffer
	g := gzip.NewWriter(&z)
	_, _ = g.Write(text)
	_ = g.Close()
	w.Header().Set("Content-Encoding", "gzip")
	if s.fault == "file-gzip-cut" {
		z.Truncate(z.Len() - 9)
	}
	_, _ = w.Write(z.Bytes())
}
