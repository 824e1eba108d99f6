package fhirtask_test

import (
	"encoding/json"
	"testing"

	"perennial/internal/day"
	"perennial/internal/fhirhttp"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/surveil"
	"perennial/internal/testkit/fhirpeer"
)

const site = "site-1"

// item is an open work item.
func item() *notice.Task {
	return &notice.Task{
		Key: "p1|Procedure/x|1|y2|2|arrange-imaging", Rev: 1, Patient: "p1", Identifiers: []string{"urn:invented:mrn|0001"}, Implant: "Procedure/x", Visit: "Procedure/x/y2",
		Kind: surveil.WorkArrange, Urgency: "routine", State: "open", Status: "requested", From: day.Of(2026, 1, 31), By: day.Of(2026, 5, 1),
		Text: "Arrange imaging. In its window 2 Nov 2025 to 1 May 2026.", Rule: "open", Facts: []string{"Procedure/x"}, Performer: "vascular surveillance nurse",
		Authored: "2026-01-31T06:00:00Z", Modified: "2026-01-31T06:00:00Z",
	}
}

// done is the item when its scan has come.
func done() *notice.Task {
	t := item()
	t.Rev, t.State, t.Status, t.Reason, t.Evidence, t.Modified = 2, "completed", "completed", notice.ReasonDone, []string{"ImagingStudy/s1"}, "2026-02-28T06:00:00Z"
	return t
}

func wrap(t *testing.T, n *notice.Task) outbox.Item {
	t.Helper()
	body, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	return outbox.Item{Key: n.Key, Kind: outbox.KindTask, Body: body}
}

// every gives items of every kind, state, urgency and way to name the patient.
func every() (list []*notice.Task) {
	kinds := []string{surveil.WorkArrange, surveil.WorkChase, surveil.WorkTrace, surveil.WorkObtain, surveil.WorkReport, surveil.WorkReview, surveil.WorkKidney, surveil.WorkQuestion}
	patients := []string{"p1", "https://host.invalid/fhir/Patient/1", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "=urn:invented:mrn|0001", "?x y"}
	urgencies := []string{"routine", "urgent", "asap", "stat", ""}
	statuses := []string{"draft", "received", "accepted", "rejected", "ready", "in-progress", "on-hold", "failed", "completed", "cancelled", "entered-in-error"}
	for i, kind := range kinds {
		for j, state := range []string{"open", "completed", "cancelled"} {
			t := item()
			t.Kind, t.State, t.Patient, t.Urgency, t.Key = kind, state, patients[(i+j)%len(patients)], urgencies[(i+2*j)%len(urgencies)], "p1|"+kind+"|"+state
			if t.Reason = notice.ReasonDone; state != "completed" {
				t.Reason = string(surveil.EndDied)
			}
			t.Evidence = []string{"ImagingStudy/s1", "ruling-7"}
			t.About = []string{"", "ImagingStudy/s1", "ruling-7", "DiagnosticReport/r1"}[i%4]
			t.Implant = []string{"Procedure/x", "", "hand-made:1"}[j]
			list = append(list, t)
		}
	}
	for _, status := range statuses {
		t := done()
		t.Status, t.Human, t.Key = status, true, "p1|human|"+status
		t.Notes = []notice.Note{{Text: "A note < & > \"quoted\".", At: "2026-02-28T06:00:00+01:00"}}
		list = append(list, t)
	}
	bare := &notice.Task{Key: "p1|trace-patient", Patient: "p1", Kind: surveil.WorkTrace, State: "open", Authored: "2026-02-28T06:00:00Z", Modified: "2026-01-01T06:00:00Z"}
	return append(list, bare)
}

// npm is the folder of the validators, installed; the test is skipped without.
func npm(t *testing.T) string { return fhirpeer.Modules(t) }

// peer starts the FHIR server of .ci/validate and gives a client of it.
func peer(t *testing.T) *fhirhttp.Client {
	t.Helper()
	c, err := fhirhttp.New(fhirhttp.Options{Base: fhirpeer.Start(t)})
	if err != nil {
		t.Fatal(err)
	}
	return c
}
