package fhirtask

import (
	"time"

	"perennial/internal/fhir"
)

// Recalled is one device of one patient in a recall.
type Recalled struct {
	Key         string   // the same for the same recall, patient and device, whenever it is asked
	Patient     string   // id or key of the patient
	Identifiers []string // "system|value"
	Device      string   // reference
	Implant     string   // reference of the operation; may be empty
	Asked       string   // what was asked for, in words
	Text        string   // for people
	Died        bool
	At          time.Time
}

// RenderRecall writes a Task that asks a person to look after a patient of a
// recall. It proposes and orders nothing; of somebody who died it is for the
// record. The error is of kind Invalid.
func RenderRecall(site string, r *Recalled) ([]byte, error) {
	business := fhir.Word{Code: "waiting", Text: "Waiting for a person"}
	if r.Died {
		business = fhir.Word{Code: "for-record", Text: "For the record: the patient has died"}
	}
	reason := fhir.PointTo(r.Implant)
	if r.Implant == "" {
		reason = fhir.PointTo(r.Device)
	}
	return fhir.NewTask(fhir.TaskSpec{
		Site: site, Key: fhir.Tidy(r.Key), Group: fhir.Tidy(r.Implant), Status: "requested", BusinessStatus: business,
		Code: fhir.Word{Code: "recall", Text: "Device recall: decide what is to be done for this patient"}, ReasonCode: fhir.Word{Code: "recall", Text: fhir.Tidy(r.Asked)},
		Description: fhir.Tidy(r.Text), Patient: fhir.PointToPatient(r.Patient, r.Identifiers), Focus: fhir.PointTo(r.Device), Reason: reason,
		Authored: r.At, Modified: r.At,
	})
}
