package fhir

import "bytes"

// MedicationStatement is the slim record of a MedicationStatement. Only those that name metformin are read; others are
// [Skipped].
type MedicationStatement struct {
	Header
	Status                    string          `json:"status"`
	MedicationCodeableConcept CodeableConcept `json:"medicationCodeableConcept,omitzero"`
	MedicationReference       Reference       `json:"medicationReference,omitzero"`
	Subject                   Reference       `json:"subject,omitzero"`
	EffectiveDateTime         string          `json:"effectiveDateTime,omitempty"`
	EffectivePeriod           *Period         `json:"effectivePeriod,omitempty"`
	DateAsserted              string          `json:"dateAsserted,omitempty"` // dateTime
}

// MedicationRequest is the slim record of a MedicationRequest. Only those that name metformin are read; others are
// [Skipped].
type MedicationRequest struct {
	Header
	Status                    string          `json:"status"`
	Intent                    string          `json:"intent,omitempty"`
	DoNotPerform              *bool           `json:"doNotPerform,omitempty"`
	MedicationCodeableConcept CodeableConcept `json:"medicationCodeableConcept,omitzero"`
	MedicationReference       Reference       `json:"medicationReference,omitzero"`
	Subject                   Reference       `json:"subject,omitzero"`
	AuthoredOn                string          `json:"authoredOn,omitempty"` // dateTime
}

func (r *MedicationStatement) check() *Quarantine { return r.statusOf(r.Status, "subject", &r.Subject) }
func (r *MedicationRequest) check() *Quarantine   { return r.statusOf(r.Status, "subject", &r.Subject) }

// readAs says the type as which a body is read: a medicine other than metformin is none that is used, and costs a look for
// the word. The names are the INN in its usual spellings, and the codes of the substance in ATC, RxNorm and SNOMED CT.
func readAs(typ string, body []byte) string {
	if typ != "MedicationStatement" && typ != "MedicationRequest" {
		return typ
	}
	for _, word := range [...]string{"etformin", "ETFORMIN", `"A10BA02"`, `"6809"`, `"372567009"`, `"109081006"`} {
		if bytes.Contains(body, []byte(word)) {
			return typ
		}
	}
	return "Medication" // a type that is not read
}
