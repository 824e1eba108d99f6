package fakefhir

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
)

// maxBatch is how many entries the server takes at once.
const maxBatch = 50

// batch does each entry alone and answers each with its own status.
func (s *Server) batch(q *http.Request, body []byte) *answer {
	var b struct {
		ResourceType, Type string
		Entry              []struct {
			Resource json.RawMessage
			Request  struct{ Method, URL, IfMatch, IfNoneExist string }
		}
	}
	if json.Unmarshal(body, &b) != nil || b.ResourceType != "Bundle" || b.Type != "batch" || len(b.Entry) > maxBatch {
		return outcome(400, "error", "structure")
	}
	if s.fault != nil && s.fault.said != nil && !strings.Contains(s.metadata("4.0.1", s.types()), `"batch"`) {
		return outcome(400, "error", "not-supported")
	}
	p := page{kind: "batch-response", total: -1}
	for n, e := range b.Entry {
		r := httptest.NewRequest(e.Request.Method, "http://x.invalid/fhir/"+e.Request.URL, nil)
		r.Header.Set("If-Match", e.Request.IfMatch)
		r.Header.Set("If-None-Exist", e.Request.IfNoneExist)
		r.Header.Set("Prefer", q.Header.Get("Prefer"))
		var a *answer
		if s.fault != nil && s.fault.entry != nil {
			a = s.fault.entry(n)
		}
		if a == nil {
			a = s.route(r, strings.Trim(strings.TrimPrefix(r.URL.Path, "/fhir"), "/"), e.Resource)
		} else {
			s.hits++
		}
		if a == nil {
			return nil
		}
		p.entries = append(p.entries, entryOf(a))
		if a.status >= 400 && s.fault != nil && s.fault.stops {
			break
		}
	}
	return &answer{status: 200, body: p.write()}
}

// entryOf writes an answer as an entry of the response.
func entryOf(a *answer) string {
	text := fmt.Sprintf(`"response":{"status":"%d %s"`, a.status, http.StatusText(a.status))
	for _, name := range []string{"Location", "Etag"} {
		if v := http.Header(a.header).Get(name); v != "" {
			quoted, _ := json.Marshal(v)
			text += `,"` + strings.ToLower(name) + `":` + string(quoted)
		}
	}
	switch {
	case a.status >= 400:
		return "{" + text + `,"outcome":` + string(a.body) + "}}"
	case len(a.body) > 0:
		return `{"resource":` + string(a.body) + "," + text + "}}"
	}
	return "{" + text + "}}"
}
