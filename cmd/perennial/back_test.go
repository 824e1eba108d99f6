package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/testkit/fakefhir"
	"perennial/internal/testkit/fhirpeer"
)

// elsewhere is a site whose patients come from a folder and whose Tasks go to a
// server.
func elsewhere(t *testing.T, base, more string) *site {
	t.Helper()
	s := newSite(t, "sources:\n  folder:\n    path: inbox\nout:\n  mode: send\n  rest:\n    url: "+base+"\n"+more)
	if err := os.Mkdir(filepath.Join(s.dir, "inbox"), 0o700); err != nil {
		t.Fatal(err)
	}
	return s
}

// lay lays resources into the folder, as files that nobody writes to any more.
func (s *site) lay(name string, bodies ...string) {
	s.t.Helper()
	path := filepath.Join(s.dir, "inbox", name)
	err := os.WriteFile(path, []byte(strings.Join(bodies, "\n")+"\n"), 0o600)
	if err == nil {
		err = os.Chtimes(path, scriptNow().Add(-time.Hour), scriptNow().Add(-time.Hour))
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// round lets the daemon do one round, and gives its log.
func (s *site) round() string {
	s.t.Helper()
	_, stop := s.serve()
	until(s.t, "a round", func() (string, bool) { return s.log(), strings.Contains(s.log(), "the first round is done") })
	log := stop()
	if strings.Contains(log, "Testa") || strings.Contains(log, "Booking desk") {
		s.t.Errorf("the log says:\n%s", log)
	}
	return log
}

// says wants that a text holds all of these.
func says(t *testing.T, text string, all ...string) {
	t.Helper()
	for _, one := range all {
		if !strings.Contains(text, one) {
			t.Errorf("no %q in\n%.2000s", one, text)
		}
	}
}

// Tasks go to a server, written by others, from which nothing else comes, and what
// people do with them there comes back: who took one, where it stands, notes, why
// one was declined. A person's status stays when the need ends; what a person
// removed stays removed.
func TestTasksComeBack(t *testing.T) {
	t.Parallel()
	base := fhirpeer.Start(t)
	s := elsewhere(t, base, "")
	s.lay("first.ndjson", person("a"), graft("ea", "a", "2026-05-20"), person("b"), graft("eb", "b", "2026-05-21"), person("c"), graft("ec", "c", "2026-05-21"))
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	s.round()
	if got := statuses(t, base); got != "requested 6" {
		t.Fatalf("Tasks: %s", got)
	}
	edit := func(patient string, change func(task map[string]any)) {
		t.Helper()
		tasks := fhirpeer.All(t, base, "Task")
		i := slices.IndexFunc(tasks, func(task map[string]any) bool {
			text := asJSON(t, task)
			return strings.Contains(text, `"arrange-imaging"`) && strings.Contains(text, `"Patient/`+patient+`"`)
		})
		change(tasks[i])
		if id := fmt.Sprint(tasks[i]["id"]); tasks[i]["status"] == "removed" {
			q, _ := http.NewRequestWithContext(t.Context(), http.MethodDelete, base+"/Task/"+id, nil)
			if r, err := http.DefaultClient.Do(q); err != nil || r.StatusCode >= 300 {
				t.Fatal(r, err)
			}
			return
		}
		onPeer(t, base, asJSON(t, tasks[i]))
	}
	edit("a", func(task map[string]any) {
		task["status"], task["owner"] = "on-hold", map[string]any{"reference": "Practitioner/x", "display": "Booking desk"}
		task["businessStatus"] = map[string]any{"text": "on the waiting list"}
	})
	edit("b", func(task map[string]any) {
		task["status"], task["note"] = "rejected", []any{map[string]any{"authorString": "T. Quill", "text": "moved to the coast"}}
	})
	edit("c", func(task map[string]any) { task["status"] = "removed" })
	s.round()
	says(t, s.do("patient", "a"), "put on hold in the other system", "taken by Booking desk", "where it stands: on the waiting list")
	says(t, s.do("patient", "b"), "its Task was closed, it is needed still (declined in the other system)", "note: T. Quill: moved to the coast",
		"Declined in the other system on", "and still needed: why? It says: T. Quill: moved to the coast")
	s.round()
	if got := statuses(t, base); got != "on-hold 1, rejected 1, requested 4" { // the question is a Task, too
		t.Errorf("Tasks: %s", got)
	}
	s.lay("second.ndjson", scan("sa", "a", "2026-06-22"), scan("sc", "c", "2026-06-23"))
	s.round()
	if got := statuses(t, base); got != "cancelled 2, on-hold 1, rejected 1, requested 2" {
		t.Errorf("Tasks: %s", got)
	}
	edit("a", func(task map[string]any) {
		says(t, asJSON(t, task), "on the waiting list", "Booking desk", "Here it is completed: the imaging was done.")
	})
	says(t, s.do("status", "--check"), "source tasks", "Tasks that people removed in the other system, which are not made again while their work stays as it is: 1")
	address, stop := s.serve()
	says(t, get(t, address+"/status"), "Tasks that people removed there, not made again")
	stop()
	s.lay("third.ndjson", strings.Replace(scan("sc", "c", "2026-06-23"), `"status":"available"`, `"meta":{"versionId":"2","lastUpdated":"2026-06-30T11:30:00Z"},"status":"entered-in-error"`, 1))
	s.round() // the need is there again, so the Task is made again, and that of the kidneys opened
	if got := statuses(t, base); got != "cancelled 1, on-hold 1, rejected 1, requested 4" {
		t.Errorf("Tasks: %s", got)
	}
	if text := s.do("status"); strings.Contains(text, "Tasks that people removed") {
		t.Errorf("the status:\n%s", text)
	}
	edit("c", func(task map[string]any) { task["status"] = "removed" })
	address, stop = s.serve()
	says(t, get(t, address+"/patients/b"), "declined in the other system", "moved to the coast")
	says(t, get(t, address+"/"), "declined in the other system")
	stop()
}

// A server that takes no Tasks: they wait, the status says so and what to do, the
// daemon asks once a day, and once the server has learnt to take them all arrive,
// once each.
func TestServerWithoutTasks(t *testing.T) {
	t.Parallel()
	for _, fault := range []string{"says-no-task", "create-405", "create-501"} {
		t.Run(fault, func(t *testing.T) {
			t.Parallel()
			fake := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})
			fake.BreakAlways(fault)
			s := elsewhere(t, fake.Base, "")
			s.lay("first.ndjson", person("a"), graft("ea", "a", "2026-05-20"), person("b"), graft("eb", "b", "2026-05-21"))
			s.do("go-live", "--who", "Nurse Quill", "--yes")
			s.round()
			said := []string{"No Tasks can be sent since 30 Jun 2026", "Nothing is lost: 4 wait", "Tried again on 1 Jul 2026", "out.rest.create", "perennial send"}
			says(t, s.do("status", "--check"), append(said, "work items ever made           4  =  open 4 + completed 0 + cancelled 0")...)
			fake.Asked()
			address, stop := s.serve()
			until(t, "a round", func() (string, bool) { return s.log(), strings.Contains(s.log(), "the first round is done") })
			page := get(t, address+"/status")
			stop()
			says(t, page, said...)
			if asked := fake.Asked(); slices.ContainsFunc(asked, func(q string) bool { return strings.HasPrefix(q, "POST") }) {
				t.Errorf("on the same day it was asked again: %q", asked)
			}
			fake.Heal()
			s.more = []string{"PERENNIAL_TEST_DAYS=1"}
			s.round()
			if n := len(fake.Truth()); n != 4 {
				t.Errorf("%d Tasks on the server", n)
			}
			if text := s.do("status", "--check"); strings.Contains(text, "No Tasks can be sent") {
				t.Errorf("the status says still:\n%s", text)
			}
		})
	}
}

// The settings may say that the server takes no Tasks: nothing is asked of it, and
// it is told without alarm.
func TestNoTasksBySetting(t *testing.T) {
	t.Parallel()
	fake := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})
	s := elsewhere(t, fake.Base, "    create: none\n")
	s.lay("first.ndjson", person("a"), graft("ea", "a", "2026-05-20"))
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	s.round()
	address, stop := s.serve()
	page := get(t, address+"/status")
	stop()
	says(t, page, "create: none", "Nothing is lost: 2 wait")
	if asked := fake.Asked(); len(asked) > 0 || strings.Contains(page, `role="alert"`) {
		t.Errorf("asked %q\n%.2000s", asked, page)
	}
}

// A look that finds nothing new costs one request.
func TestNothingNewCostsOneRequest(t *testing.T) {
	t.Parallel()
	fake := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})
	s := elsewhere(t, fake.Base, "")
	s.lay("first.ndjson", person("a"), graft("ea", "a", "2026-05-20"))
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	s.round()
	fake.Put("Task", "foreign", `"identifier":[{"system":"urn:perennial:work:elsewhere","value":"x"},{"system":"urn:perennial:work","value":"x"}],"status":"on-hold","for":{"reference":"Patient/a"}`)
	for i := range 3 {
		fake.Advance(time.Hour)
		s.more = []string{"PERENNIAL_TEST_DAYS=1"}
		fake.Asked()
		s.round()
		if asked := fake.Asked(); i > 0 && (len(asked) != 1 || !strings.HasPrefix(asked[0], "GET Task ") || !strings.Contains(asked[0], "_lastUpdated=ge") || !strings.Contains(asked[0], "identifier=urn")) {
			t.Errorf("asked %q", asked)
		}
	}
	if text := s.do("status", "--check"); !strings.Contains(text, "resources received             4 ") {
		t.Errorf("two Tasks and two resources are ours:\n%s", text)
	}
}
