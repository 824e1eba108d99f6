package fhirserve_test

import "testing"

// A record that is merged into another later gives the same under both ids.
func TestMergedLater(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), nil)
	r.search("/fhir/Task?patient=q1")
	r.take(`{"resourceType":"Patient","id":"q0","identifier":[{"system":"urn:mrn","value":"Q-0"}],"active":false,"link":[{"other":{"reference":"Patient/q1"},"type":"replaced-by"}]}` + "\n" +
		`{"resourceType":"Procedure","id":"q0-evar","status":"completed","subject":{"reference":"Patient/q0"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2024-03-01"}`)
	for _, typ := range []string{"Task", "CarePlan", "ServiceRequest"} {
		a, b, c := r.search("/fhir/"+typ+"?patient=q1"), r.search("/fhir/"+typ+"?patient=q0"), r.search("/fhir/"+typ+"?patient=q0,q1")
		if a.Total == 0 || a.Total != b.Total || a.Total != c.Total {
			t.Errorf("%s: %d under one id, %d under the other, %d under both", typ, a.Total, b.Total, c.Total)
		}
	}
	_, all := r.search("/fhir/Task?patient=q2"), r.search("/fhir/Task")
	if n := r.search("/fhir/Task?patient=q0,q1,q2").Total; n != all.Total {
		t.Errorf("%d of all patients, %d in all", n, all.Total)
	}
}

// A search through a reference, or backwards through one, is refused, not passed over: whoever asks for one patient's
// work by record number must not be given everybody's.
func TestChains(t *testing.T) {
	t.Parallel()
	r := newRig(t, patients(3), nil)
	for _, q := range []string{"patient.identifier=Q-1", "subject.name=Quay-1", "patient:Patient.identifier=Q-1", "subject:Patient.identifier=Q-1", "_has:CarePlan:subject:status=active"} {
		if got := r.ask("GET", "/fhir/Task?"+q, "").StatusCode; got != 400 {
			t.Errorf("%s: %d", q, got)
		}
	}
	if got := r.ask("GET", "/fhir/Task?owner.name=x", "").StatusCode; got != 200 {
		t.Errorf("a parameter that is not known: %d", got)
	}
}
