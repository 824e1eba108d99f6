package fhir_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

func spec() fhir.TaskSpec {
	made := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	return fhir.TaskSpec{
		Site: "harbour", Key: "p1|Procedure/x|1|y2|2|arrange-imaging", Group: "Procedure/x", Status: "requested", Priority: "routine",
		BusinessStatus: fhir.Word{Code: "due", Text: "Due"}, Code: fhir.Word{Code: "arrange-imaging", Text: "Arrange surveillance imaging"},
		Description: "Creatinine < 2 & no contrast > 3", Focus: fhir.Reference{Reference: "Procedure/x"}, Reason: fhir.Reference{Reference: "Procedure/x"},
		ReasonCode: fhir.Word{Code: "open", Text: "In its window."}, Patient: fhir.Reference{Reference: "Patient/p1"}, Performer: "vascular surveillance nurse",
		From: "2026-01-31", By: "2026-05-01", Authored: made, Modified: made.Add(time.Hour), Notes: []fhir.TaskNote{{Text: "A note.", Time: made}},
	}
}

func TestNewTask(t *testing.T) {
	t.Parallel()
	body, err := fhir.NewTask(spec())
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{`"resourceType":"Task"`, `"status":"requested"`, `"intent":"proposal"`, `"period":{"start":"2026-01-31","end":"2026-05-01"}`,
		`"for":{"reference":"Patient/p1"}`, `Creatinine < 2 & no contrast > 3`, `"authoredOn":"2026-03-02T06:00:00Z"`, `{"system":"urn:perennial:work","value":"p1|Procedure/x|1|y2|2|arrange-imaging"}`,
		`{"system":"urn:perennial:work:harbour","value":"` + fhir.Token("harbour", spec().Key) + `"}`, `"valueString":"requested routine 2026-01-31 2026-05-01"`} {
		if !strings.Contains(string(body), part) {
			t.Errorf("the Task lacks %s:\n%s", part, body)
		}
	}
	if !strings.HasPrefix(string(body), `{"resourceType":"Task","`) {
		t.Errorf("begins with %.40s", body)
	}
	for _, never := range []string{`"input"`, `"output"`, "null", `""`, "{}", "[]", "<unknown>", "\n"} {
		if strings.Contains(string(body), never) {
			t.Errorf("the Task holds %s", never)
		}
	}
	r, err := fhir.Decode(body)
	if err != nil {
		t.Fatal(err)
	}
	if task := r.(*fhir.Task); task.For.Reference != "Patient/p1" || task.Status != "requested" || len(task.Note) != 1 {
		t.Errorf("read back: %+v", task)
	}
}

// Two keys, or two sites, never share a token, and nothing of the key shows in it.
func TestToken(t *testing.T) {
	t.Parallel()
	a, b, c := fhir.Token("s", "p1|x"), fhir.Token("s", "p1|y"), fhir.Token("t", "p1|x")
	if a == b || a == c || len(a) != 32 || strings.ContainsAny(a, "|,$\\/") || strings.Contains(a, "p1") {
		t.Error(a, b, c)
	}
}

func TestStamp(t *testing.T) {
	t.Parallel()
	for _, s := range []fhir.Stamp{{}, {Status: "requested"}, {Status: "completed", Priority: "asap", From: "2026-01-01", By: "2026-02-01"}} {
		if got, ok := fhir.ParseStamp(s.String()); !ok || got != s {
			t.Errorf("%+v came back as %+v, %v", s, got, ok)
		}
	}
	if _, ok := fhir.ParseStamp("requested"); ok {
		t.Error("one word was taken for a stamp")
	}
}

func TestNewTaskRefuses(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*fhir.TaskSpec){
		"no patient":            func(s *fhir.TaskSpec) { s.Patient = fhir.Reference{} },
		"no key":                func(s *fhir.TaskSpec) { s.Key = "" },
		"no site":               func(s *fhir.TaskSpec) { s.Site = "" },
		"a site with a bar":     func(s *fhir.TaskSpec) { s.Site = "a|b" },
		"status of no set":      func(s *fhir.TaskSpec) { s.Status = "waiting" },
		"no status":             func(s *fhir.TaskSpec) { s.Status = "" },
		"priority of no set":    func(s *fhir.TaskSpec) { s.Priority = "soon" },
		"modified before made":  func(s *fhir.TaskSpec) { s.Modified = s.Authored.Add(-time.Second) },
		"ends before it begins": func(s *fhir.TaskSpec) { s.By = "2026-01-30" },
		"not a date":            func(s *fhir.TaskSpec) { s.By = "1 May" },
		"not a reference":       func(s *fhir.TaskSpec) { s.Focus.Reference = "the operation" },
		"a note without text":   func(s *fhir.TaskSpec) { s.Notes[0].Text = "" },
		"a very long text":      func(s *fhir.TaskSpec) { s.Description = strings.Repeat("a", 4001) },
		"a blank text":          func(s *fhir.TaskSpec) { s.Description = " " },
	} {
		s := spec()
		change(&s)
		if _, err := fhir.NewTask(s); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestLint(t *testing.T) {
	t.Parallel()
	const good = `"resourceType":"Task","status":"requested","intent":"proposal"`
	if got := fhir.Lint([]byte("{" + good + "}")); len(got) != 0 {
		t.Fatal(got)
	}
	for _, c := range []struct{ body, want string }{
		{`{` + good + `,"description":""}`, "description is an empty text"},
		{`{` + good + `,"description":null}`, "description is null"},
		{`{` + good + `,"focus":{}}`, "focus is an empty object"},
		{`{` + good + `,"note":[]}`, "note is an empty list"},
		{`{` + good + `,"note":[{"time":"2026-01-01"}]}`, "Task.note[0].text is missing"},
		{`{` + good + `,"note":[{"text":"a","authorString":"b","authorReference":{"reference":"Practitioner/1"}}]}`, "note[0].author[x] is given in 2 variants"},
		{`{` + good + `,"input":[{"type":{"text":"a"},"valueString":"a","valueCode":"a"}]}`, "input[0].value[x] is given in 2 variants"},
		{`{` + good + `,"status":"requested"}`, "status is given twice"},
		{`{"resourceType":"Task","intent":"proposal"}`, "Task.status is missing"},
		{`{"resourceType":"Task","status":"requested"}`, "Task.intent is missing"},
		{`{"resourceType":"Task","status":"requested","intent":"directive"}`, "Task.intent is not a valid task-intent"},
		{`{"resourceType":"Task","status":"<unknown>","intent":"proposal"}`, "Task.status is not a valid task-status"},
		{`{` + good + `,"priority":"soon"}`, "Task.priority is not a valid request-priority"},
		{`{` + good + `,"authoredOn":"2026-01-02","lastModified":"2026-01-01T00:00:00Z"}`, "Task.lastModified is before authoredOn"},
		{`{` + good + `,"authoredOn":"2026-01-02T10:00"}`, "Task.authoredOn is not a valid dateTime"},
		{`{` + good + `,"restriction":{"period":{"start":"2026-02-01","end":"2026-01-01"}}}`, "Task.restriction.period.end is before start"},
		{`{` + good + `,"for":{"reference":"Patient"}}`, "Task.for.reference is not a valid link"},
		{`{` + good + `,"for":{"reference":"Patient/a b"}}`, "Task.for.reference is not a valid link"},
		{`{` + good + `,"for":{"reference":"Patient/` + strings.Repeat("a", 65) + `"}}`, "Task.for.reference is not a valid link"},
		{`{` + good + `,"for":{"reference":"Patient/1/_history/"}}`, "Task.for.reference is not a valid link"},
		{`{` + good + `,"for":{"reference":"urn:uuid:1"}}`, "Task.for.reference is not a valid link"},
		{`{` + good + `,"for":"Patient/1"}`, "Task.for is not an object"},
		{`{` + good + `,"identifier":{"value":"a"}}`, "Task.identifier is not a list"},
		{`{` + good + `,"code":{"coding":[{"code":"a"}]}}`, "Task.code.coding[0].system is missing"},
		{`{` + good + `,"colour":"red"}`, "Task.colour is not an element that we write"},
		{`{` + good + `,"code":{"text":7}}`, "Task.code.text is not a text"},
		{`{"status":"requested"}`, "resourceType is missing"},
		{`{` + good + `} {}`, "has something after its end"},
		{`{` + good, "is not JSON"},
		{``, "is not JSON"},
		{"{" + good + ",\"description\":\"\xff\"}", "is not UTF-8 text"},
		{`[]`, "is not an object"},
		{`{"resourceType":"Flag","code":{}}`, "code is an empty object"},
		{`{` + good + `,"description":"` + strings.Repeat("a", 300<<10) + `"}`, "is larger than"},
	} {
		if got := strings.Join(fhir.Lint([]byte(c.body)), "\n"); !strings.Contains(got, c.want) {
			t.Errorf("%.200s\ngot  %q\nwant %q", c.body, got, c.want)
		}
	}
}

// reason is no choice: R4 has reasonCode and reasonReference side by side.
func TestLintReason(t *testing.T) {
	t.Parallel()
	body := `{"resourceType":"Task","status":"requested","intent":"proposal","reasonCode":{"text":"a"},"reasonReference":{"reference":"Procedure/1"}}`
	if got := fhir.Lint([]byte(body)); len(got) != 0 {
		t.Error(got)
	}
}

func TestNewBatch(t *testing.T) {
	t.Parallel()
	task, err := fhir.NewTask(spec())
	if err != nil {
		t.Fatal(err)
	}
	theirs := `{"resourceType":"Task","id":"7","empty":{},"n":1.10}` // the server's own is not judged, and stays as it is
	body, err := fhir.NewBatch([]fhir.BatchEntry{{Resource: task, IfNoneExist: "identifier=a%7Cb&x=<"}, {Resource: task}, {URL: "Task?identifier=a%7Cb"}, {URL: "Task/7", Resource: []byte(theirs), IfMatch: `W/"3"`}})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(body), `"request":{"method":"POST","url":"Task","ifNoneExist":"identifier=a%7Cb&x=<"}`) {
		t.Errorf("%s", body)
	}
	for _, part := range []string{`{"request":{"method":"GET","url":"Task?identifier=a%7Cb"}}`, theirs, `"request":{"method":"PUT","url":"Task/7","ifMatch":"W/\"3\""}`} {
		if !strings.Contains(string(body), part) {
			t.Errorf("no %s in %s", part, body)
		}
	}
	var b struct {
		Type  string
		Entry []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(body, &b); err != nil || b.Type != "batch" || len(b.Entry) != 4 || string(b.Entry[1].Resource) != string(task) {
		t.Errorf("%v %s", err, body)
	}
	for _, bad := range [][]fhir.BatchEntry{nil, make([]fhir.BatchEntry, 51), {{Resource: []byte(`{"resourceType":"Task"}`)}}, {{Resource: []byte(`nonsense`)}}} {
		if _, err := fhir.NewBatch(bad); err == nil {
			t.Errorf("%d entries were taken", len(bad))
		}
	}
}

func FuzzLint(f *testing.F) {
	body, _ := fhir.NewTask(spec())
	f.Add(body)
	f.Add([]byte(`{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Task"}}]}`))
	f.Add([]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"urn:a","resource":{"resourceType":"PlanDefinition","action":[{"id":"a","relatedAction":[{"actionId":"a"}]}]}}]}`))
	f.Add([]byte(`{"resourceType":"CarePlan","status":"draft","activity":[{"reference":{"reference":"ServiceRequest/1"}}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(fhir.Lint(body)) > 0 {
			return
		}
		var v map[string]any
		if err := json.Unmarshal(body, &v); err != nil || v["resourceType"] == nil {
			t.Errorf("passed: %q", body)
		}
	})
}
