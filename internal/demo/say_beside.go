package demo

import (
	"fmt"

	"perennial/internal/day"
	"perennial/internal/fhir"
)

// nci is the system of the MR labels in the FHIR value set device-safety.
const nci = "urn:oid:2.16.840.1.113883.3.26.1.1"

// What stands here follows from numbers, not from dice, so that the rest of the
// invented clinic stays as it was.

// label is the MR label of a part; of one patient in nine none was sent.
func (s *scribe) label(part int) []fhir.CodeableConcept {
	switch {
	case s.number%9 == 0:
		return nil
	case part == coilModel && s.number%2 == 0:
		return []fhir.CodeableConcept{concept("The label says nothing about MR", coding(nci, "C113844"))}
	}
	return []fhir.CodeableConcept{concept("MR Conditional", coding(nci, "C106046"))}
}

// dose writes the dose of a CT; of every fourth day none was sent.
func (s *scribe) dose(x *scan, e examination, study string) {
	if e.modality != "CT" || x.inError || x.on%4 == 0 {
		return
	}
	dlp := 350 + (s.number*131+int(x.on)*17)%900
	s.add(&fhir.Observation{Status: "final", Code: concept("Radiation dose"), Subject: s.subject(), PartOf: []fhir.Reference{ref(study)}, EffectiveDateTime: x.on.String(),
		Component: []fhir.Component{{Code: concept("Dose-length product of the study", coding(dcm, "113813")),
			Value: fhir.Value{ValueQuantity: &fhir.Quantity{Value: fhir.Decimal(fmt.Sprint(dlp)), Unit: "mGy.cm", System: ucum, Code: "mGy.cm"}}}}}, "Observation", "", x.on)
}

// medicine writes that one patient in twelve takes metformin.
func (s *scribe) medicine(since day.Day) {
	if s.number%12 == 5 {
		s.add(&fhir.MedicationStatement{Status: "active", MedicationCodeableConcept: concept("Metformin 500 mg"), Subject: s.subject(), EffectivePeriod: &fhir.Period{Start: since.String()}}, "MedicationStatement", "", since)
	}
}
