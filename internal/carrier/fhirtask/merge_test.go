package fhirtask

import (
	"encoding/json"
	"strings"
	"testing"

	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

func opened() *notice.Task {
	return &notice.Task{Key: "p1|k", Patient: "p1", Implant: "Procedure/x", Kind: surveil.WorkArrange, Urgency: "routine", State: "open", Status: "requested",
		From: day.Of(2026, 1, 31), By: day.Of(2026, 5, 1), Text: "Arrange imaging.", Authored: "2026-01-31T06:00:00Z", Modified: "2026-01-31T06:00:00Z"}
}

func closed(state string) *notice.Task {
	n := opened()
	n.State, n.Status, n.Reason, n.Modified = state, state, notice.ReasonDone, "2026-02-28T06:00:00Z"
	return n
}

// onServer is the rendered item with changes made by others: pairs of what stands there and what they wrote.
func onServer(t *testing.T, n *notice.Task, changes ...string) string {
	t.Helper()
	body, err := Render("s", n)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(body), "{", `{"id":"7",`, 1)
	for i := 0; i < len(changes); i += 2 {
		if !strings.Contains(text, changes[i]) {
			t.Fatalf("%s is not in %s", changes[i], text)
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	return text
}

// apply merges an item and gives the Task that is then on the server.
func apply(t *testing.T, server string, n *notice.Task) (string, merged) {
	t.Helper()
	ours, err := Render("s", n)
	if err != nil {
		t.Fatal(err)
	}
	m, err := merge([]byte(server), ours, n)
	if err != nil {
		t.Fatal(err)
	}
	if m.body == nil {
		return server, m
	}
	if !json.Valid(m.body) {
		t.Fatalf("%s", m.body)
	}
	// Once more changes nothing: sending twice is sending once.
	if again, err := merge(m.body, ours, n); err != nil || again.body != nil || again.kept != m.kept {
		t.Errorf("a second merge changes %s\nto %s", m.body, again.body)
	}
	return string(m.body), m
}

const requested = `"status":"requested"`

func TestMergeStatus(t *testing.T) {
	t.Parallel()
	const reason = `"statusReason":{"coding":[{"system":"urn:perennial:codes:status-reason","code":"visit-done"}],"text":"the imaging was done"}`
	for _, c := range []struct {
		name    string
		was     *notice.Task
		changes []string
		now     *notice.Task
		status  string
		kept    bool
		note    bool
	}{
		{"nothing new", opened(), nil, opened(), "requested", false, false},
		{"completed", opened(), nil, closed("completed"), "completed", false, false},
		{"cancelled", opened(), nil, closed("cancelled"), "cancelled", false, false},
		{"opened again", closed("completed"), nil, opened(), "requested", false, false},
		{"a person holds it", opened(), []string{requested, `"status":"on-hold"`}, closed("completed"), "on-hold", true, true},
		{"a person accepted it, still open", opened(), []string{requested, `"status":"accepted"`}, opened(), "accepted", true, false},
		{"a person rejected it", opened(), []string{requested, `"status":"rejected"`}, closed("cancelled"), "rejected", true, true},
		{"a person made it ready", opened(), []string{requested, `"status":"ready"`}, closed("completed"), "ready", true, true},
		{"a person completed it, still open", opened(), []string{requested, `"status":"completed"`}, opened(), "completed", true, false},
		{"a person completed it, and so it is", opened(), []string{requested, `"status":"completed"`}, closed("completed"), "completed", true, false},
		{"a person cancelled what is done", opened(), []string{requested, `"status":"cancelled"`}, closed("completed"), "cancelled", true, true},
		{"a person opened it again", closed("completed"), []string{`"status":"completed"`, requested}, closed("completed"), "requested", true, true},
		{"a person changed our completed to cancelled, our reason left", closed("completed"), []string{`"status":"completed"`, `"status":"cancelled"`}, opened(), "cancelled", true, false},
		{"a person completed it in their own words", closed("completed"), []string{reason, `"statusReason":{"text":"seen"}`}, opened(), "completed", true, false},
		{"in error", opened(), []string{requested, `"status":"entered-in-error"`}, closed("completed"), "entered-in-error", true, false},
		{"stamp lost, ours", closed("completed"), []string{`"url":"urn:perennial:sent"`, `"url":"urn:x"`}, opened(), "requested", false, false},
		{"stamp lost, a person's", opened(), []string{`"url":"urn:perennial:sent"`, `"url":"urn:x"`, requested, `"status":"in-progress"`}, closed("completed"), "in-progress", true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			out, m := apply(t, onServer(t, c.was, c.changes...), c.now)
			tr, err := parse([]byte(out))
			if err != nil {
				t.Fatal(err)
			}
			if tr.text("status") != c.status || (m.kept != "") != c.kept || strings.Contains(out, "set by a person and is kept") != c.note {
				t.Errorf("kept %q\n%s", m.kept, out)
			}
			if !c.kept && strings.Contains(out, "statusReason") != (c.now.State != "open") {
				t.Errorf("statusReason\n%s", out)
			}
			if c.was == c.now && m.body != nil {
				t.Errorf("written without need\n%s", out)
			}
		})
	}
}

// The clinic knows that a person set the status: it is kept whatever the Task looks like.
func TestMergeHuman(t *testing.T) {
	t.Parallel()
	n := closed("completed")
	n.Human, n.Status, n.Notes = true, "on-hold", []notice.Note{{Text: "Imaging came.", At: "2026-02-28T06:00:00Z"}}
	out, m := apply(t, onServer(t, opened()), n)
	if m.kept != "requested" || !strings.Contains(out, requested) || !strings.Contains(out, "Imaging came.") || strings.Contains(out, "is kept") {
		t.Errorf("%+v %s", m, out)
	}
}

// What others wrote stays, to the digit.
func TestMergeKeepsOthers(t *testing.T) {
	t.Parallel()
	server := onServer(t, opened(), requested, requested+`,"owner":{"reference":"Practitioner/1"},"contained":[{"resourceType":"Basic","id":"b"}],"_priority":{"extension":[{"url":"urn:y","valueDecimal":1.50}]},
		"input":[{"type":{"text":"a"},"valueDecimal":2.00}],"note":[{"text":"Called, no answer.","authorString":"a nurse"}],"meta":{"versionId":"3","tag":[{"system":"urn:z","code":"t"}]}`,
		`"priority":"routine"`, `"priority":"stat"`, `"end":"2026-05-01"`, `"end":"2026-04-01"`, `"restriction":{`, `"restriction":{"repetitions":2,`, `"identifier":[`, `"identifier":[{"system":"urn:theirs","value":"1"},`,
		`"for":{"reference":"Patient/p1"}`, `"for":{"reference":"https://host.invalid/fhir/Patient/p1","display":"x"}`)
	n := closed("completed")
	n.Urgency, n.By = "asap", day.Of(2026, 6, 1)
	out, m := apply(t, server, n)
	for _, want := range []string{`"owner":{"reference":"Practitioner/1"}`, `"contained":[{"resourceType":"Basic","id":"b"}]`, `"valueDecimal":1.50`, `"valueDecimal":2.00`, `"text":"Called, no answer."`,
		`"tag":[{"system":"urn:z","code":"t"}]`, `"priority":"stat"`, `"end":"2026-04-01"`, `"repetitions":2`, `{"system":"urn:theirs","value":"1"}`, `https://host.invalid/fhir/Patient/p1`, `"status":"completed"`,
		`"valueString":"completed routine 2026-01-31 2026-05-01"`, `"lastModified":"2026-02-28T06:00:00Z"`, `"id":"7"`} {
		if !strings.Contains(out, want) {
			t.Errorf("lacks %s\n%s", want, out)
		}
	}
	if m.kept != "" {
		t.Errorf("kept %s", m.kept)
	}
}

// What nobody else changed follows the item.
// A Task that a search gave is only written over where it is whole, and its version is known.
func TestVersionOf(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		`{"meta":{"versionId":"3","tag":[{"code":"x"}]}}`:         "3",
		`{"meta":{"versionId":"3","tag":[{"code":"SUBSETTED"}]}}`: "",
		`{"meta":{}}`: "", `{}`: "", `{"meta":7}`: "",
	} {
		tr, err := parse([]byte(body))
		if got := versionOf(tr); err != nil || got != want {
			t.Errorf("%s: %q %v", body, got, err)
		}
	}
}

// Where it stands in a person's words stays; in ours it follows.
func TestMergeBusinessStatus(t *testing.T) {
	t.Parallel()
	const ours = `"businessStatus":{"coding":[{"system":"urn:perennial:codes:business-state","code":"due"}],"text":"Due"}`
	for theirs, want := range map[string]string{
		ours: `"code":"done"`,
		`"businessStatus":{"text":"on the waiting list"}`:             `"businessStatus":{"text":"on the waiting list"}`,
		`"businessStatus":{"coding":[{"system":"urn:x","code":"w"}]}`: `"businessStatus":{"coding":[{"system":"urn:x","code":"w"}]}`,
		`"x-business":{}`: `"code":"done"`, // a server that drops it
	} {
		got, _ := apply(t, onServer(t, opened(), ours, theirs), closed("completed"))
		if !strings.Contains(got, want) {
			t.Errorf("%s: %s", theirs, got)
		}
	}
}

func TestMergeFollows(t *testing.T) {
	t.Parallel()
	n := opened()
	n.Urgency, n.By, n.Text, n.Kind, n.Modified = "asap", day.Of(2026, 6, 1), "More.", surveil.WorkChase, "2026-02-01T06:00:00Z"
	for _, stamp := range []string{"urn:perennial:sent", "urn:x"} {
		out, _ := apply(t, onServer(t, opened(), "urn:perennial:sent", stamp), n)
		for _, want := range []string{`"priority":"asap"`, `"end":"2026-06-01"`, `"description":"More."`, `"chase-overdue"`, `"valueString":"requested asap 2026-01-31 2026-06-01"`} {
			if !strings.Contains(out, want) {
				t.Errorf("lacks %s\n%s", want, out)
			}
		}
	}
}

// lastModified never goes back, nor before authoredOn (inv-1).
func TestMergeModified(t *testing.T) {
	t.Parallel()
	for was, want := range map[string]string{"2026-03-05T00:00:00+02:00": "2026-03-05T00:00:00+02:00", "2026-02-28": "2026-02-28", "nonsense": "nonsense", "2026-01-31T06:00:00Z": "2026-02-28T06:00:00Z"} {
		out, _ := apply(t, onServer(t, opened(), `"lastModified":"2026-01-31T06:00:00Z"`, `"lastModified":"`+was+`"`), closed("completed"))
		if tr, _ := parse([]byte(out)); tr.text("lastModified") != want {
			t.Errorf("%s became %s", was, tr.text("lastModified"))
		}
	}
}

// Whatever is on the server, merging does not fall over and gives JSON or an error.
func FuzzMerge(f *testing.F) {
	n := closed("completed")
	ours, err := Render("s", n)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(ours)
	f.Add([]byte(`{"status":7,"note":{},"extension":[1],"identifier":"x","restriction":[],"for":"x"}`))
	f.Fuzz(func(t *testing.T, server []byte) {
		m, err := merge(server, ours, n)
		if err == nil && m.body != nil && !json.Valid(m.body) {
			t.Errorf("%s", m.body)
		}
	})
}

// What a person wrote about why an open Task stands as it does stays while it is open; one of ours goes when it is
// open again.
func TestMergeStatusReason(t *testing.T) {
	t.Parallel()
	const theirs = `"statusReason":{"text":"she calls back on Friday"}`
	soon := opened()
	soon.Urgency, soon.Modified = "asap", "2026-02-28T06:00:00Z"
	got, m := apply(t, onServer(t, opened(), requested, requested+","+theirs), soon)
	if !strings.Contains(got, theirs) || !strings.Contains(got, `"priority":"asap"`) || m.kept != "" {
		t.Errorf("%q: %s", m.kept, got)
	}
	if got, _ := apply(t, onServer(t, opened(), requested, requested+","+theirs), closed("completed")); !strings.Contains(got, `"code":"`+notice.ReasonDone) || !strings.Contains(got, `"status":"completed"`) {
		t.Errorf("closed: %s", got)
	}
	again, _ := apply(t, onServer(t, closed("completed")), soon)
	if strings.Contains(again, "statusReason") || !strings.Contains(again, requested) {
		t.Errorf("open again: %s", again)
	}
}
