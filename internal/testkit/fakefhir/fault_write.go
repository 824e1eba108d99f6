package fakefhir

import (
	"fmt"
	"net/http"
	"strings"
)

// WriteFaults are the ways in which a server misbehaves when it is written to. They do nothing to a server that is
// only read.
func WriteFaults() []Fault {
	list := []Fault{
		{Name: "create-made-unsaid", Bug: "Q54", What: "a creation answers 201 and no more", only: "POST", write: silent},
		{Name: "create-lost", Bug: "R7", What: "a creation is done and the connection breaks", only: "POST", write: lost},
		{Name: "update-lost", Bug: "R7", What: "an update is done and the connection breaks", only: "PUT", write: lost},
		{Name: "create-raced", Bug: "Q50", What: "two others make the same before, and 412 is the answer", only: "POST", write: raced},
		{Name: "update-raced", Bug: "Q52", What: "a person puts what is requested on hold a moment before the update", only: "PUT", write: held},
		{Name: "update-gone", Bug: "Q55", What: "somebody deletes it a moment before the update, which answers 410", only: "PUT", write: gone},
		{Name: "batch-429", Bug: "Q53", What: "from the fourth entry on a batch answers 429", entry: from(3, 429, "throttled")},
		{Name: "batch-429-stops", Bug: "Q53", What: "the fourth entry of a batch answers 429, and those after it are left out", entry: from(3, 429, "throttled"), stops: true},
		{Name: "batch-500", Bug: "Q53", What: "the second entry of a batch answers 500", entry: one(1, 500, "exception")},
		{Name: "batch-entries-405", Bug: "Q53", What: "a batch takes no searches", entry: func(int) *answer { return outcome(405, "error", "not-supported") }},
		{Name: "says-no-task", Bug: "Q51", What: "the CapabilityStatement has no Task", said: swap(`"type":"Task"`, `"type":"Basic"`)},
		{Name: "says-no-create", Bug: "Q51", What: "the CapabilityStatement offers no creation", said: swap(`{"code":"create"},`, ``)},
		{Name: "says-no-condition", Bug: "Q50", What: "the CapabilityStatement offers no conditional creation", said: swap(`"conditionalCreate":true`, `"conditionalCreate":false`)},
		{Name: "says-no-batch", Bug: "Q53", What: "the CapabilityStatement offers no batch, and there is none", said: swap(`{"code":"batch"}`, `{"code":"search-system"}`)},
	}
	for _, status := range []int{400, 401, 403, 404, 405, 409, 412, 422, 429, 500, 501, 503} {
		list = append(list, refuse("POST", status), refuse("PUT", status))
	}
	return list
}

// refuse is a fault that answers a write with a status and does nothing.
func refuse(method string, status int) Fault {
	name := map[string]string{"POST": "create", "PUT": "update"}[method]
	return Fault{Name: fmt.Sprintf("%s-%d", name, status), Bug: "R7", What: fmt.Sprintf("an %s is refused with %d", name, status), only: method,
		write: func(*Server, []string, func() *answer) *answer { return outcome(status, "error", "processing") }}
}

func silent(_ *Server, _ []string, do func() *answer) *answer {
	a := do()
	return &answer{status: a.status, header: http.Header{}}
}

func lost(_ *Server, _ []string, do func() *answer) *answer {
	do()
	return nil
}

// raced lets two others do what is asked for, once each.
func raced(s *Server, parts []string, do func() *answer) *answer {
	if a := do(); a.status != 201 {
		return a
	}
	made := s.tables[parts[0]].rows[len(s.tables[parts[0]].rows)-1]
	s.serial++
	s.put(parts[0], fmt.Sprintf("new-%d", s.serial), made.past[0].fields, s.now)
	return outcome(412, "error", "multiple-matches")
}

func held(s *Server, parts []string, do func() *answer) *answer {
	if r := s.tables[parts[0]].byID[parts[1]]; r != nil {
		if v := s.latest(r); v != nil && strings.Contains(v.fields, `"status":"requested"`) {
			s.put(parts[0], parts[1], strings.Replace(v.fields, `"status":"requested"`, `"status":"on-hold"`, 1), s.now)
		}
	}
	return do()
}

func gone(s *Server, parts []string, _ func() *answer) *answer {
	if r := s.tables[parts[0]].byID[parts[1]]; r != nil {
		r.past = append(r.past, version{n: len(r.past) + 1, stamp: s.now, visible: s.now, deleted: true})
	}
	return outcome(410, "error", "deleted")
}

func from(first, status int, code string) func(int) *answer {
	return func(n int) *answer {
		if n < first {
			return nil
		}
		return outcome(status, "error", code)
	}
}

func one(at, status int, code string) func(int) *answer {
	return func(n int) *answer {
		if n != at {
			return nil
		}
		return outcome(status, "error", code)
	}
}

func swap(from, to string) func(string) string {
	return func(text string) string { return strings.ReplaceAll(text, from, to) }
}
