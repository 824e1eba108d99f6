package demo

import (
	"fmt"

	"perennial/internal/day"
	"perennial/internal/fhir"
)

// allScans writes every scan with its order, report and measurements.
func (s *scribe) allScans() {
	for i := range s.scans {
		x := &s.scans[i]
		e := s.examination(x.what)
		order := ""
		if !x.outside && s.dice.chance(0.35) {
			order = s.order(e, x.on.Plus(-s.dice.between(5, 60)), x.on, "completed")
		}
		study := ""
		if !x.outside {
			study = s.imaging(x, e, order)
			s.dose(x, e, study)
		}
		s.report(x, e, study, s.results(x, study))
	}
}

// examination is how one sort of scan is coded.
type examination struct {
	codes    []fhir.CodeableConcept
	modality string
	site     string // SNOMED
	words    string
}

// examination chooses one of the codes that hospitals send for a sort of scan of
// this person: LOINC or CPT.
func (s *scribe) examination(what exam) examination {
	both := func(words, a, b, site, modality string) examination {
		c := coding(loinc, a)
		if a == "" || s.dice.chance(0.5) {
			c = coding(cpt, b)
		}
		return examination{[]fhir.CodeableConcept{concept(words, c)}, modality, site, words}
	}
	switch {
	case what == localCode:
		c := coding(ImagingSystem, pick(s.dice, []string{"SMH-CT-77", "SMH-CT-12", "SMH-CT-77"}))
		return examination{[]fhir.CodeableConcept{concept("Harbour protocol", c)}, "CT", "15825003", "Harbour protocol"}
	case what == duplex && s.class == carotid:
		return both("Duplex of the carotid arteries", "", "93880", "69105007", "US")
	case what == duplex:
		return both("Duplex of aorta and iliac arteries", "", "93978", "7832008", "US")
	case what == duplexLimited:
		return both("Duplex of aorta and iliac arteries, limited", "", "93979", "7832008", "US")
	case what == ctaWhole:
		return examination{[]fhir.CodeableConcept{concept("CT angiogram of the chest", coding(cpt, "71275")),
			concept("CT angiogram of abdomen and pelvis", coding(cpt, "74174"))}, "CT", "416775004", "CT angiogram of chest, abdomen and pelvis"}
	case what == ctContrast && s.class == tevar:
		return both("CT of the chest with contrast", "24628-0", "71260", "816094009", "CT")
	case what == ctContrast:
		return both("CT of abdomen and pelvis with contrast", "36813-4", "74177", "818982008", "CT")
	case what == ctPlain:
		return both("CT of abdomen and pelvis without contrast", "36952-0", "74176", "818982008", "CT")
	case s.class == tevar:
		return both("CT angiogram of the chest", "36266-5", "71275", "816094009", "CT")
	}
	return both("CT angiogram of abdomen and pelvis", "69908-2", "74174", "818982008", "CT")
}

// uid is a study instance UID under 2.25, the arc for numbers that nobody has to
// register (DICOM PS3.5 annex B.2).
func (s *scribe) uid() string {
	return fmt.Sprintf("2.25.%d%018d", 1+s.dice.below(999_999_999), s.dice.below(1_000_000_000_000_000_000))
}

// imaging writes the study, for some twice under two ids and one UID.
func (s *scribe) imaging(x *scan, e examination, order string) string {
	uid := s.uid()
	accession := fmt.Sprintf("QA-%07d", s.dice.below(10_000_000))
	study := &fhir.ImagingStudy{Status: "available", Subject: s.subject(), Started: s.noon(x.on), Modality: []fhir.Coding{coding(dcm, e.modality)},
		Identifier: []fhir.Identifier{{System: "urn:dicom:uid", Value: "urn:oid:" + uid},
			{Type: concept("", coding(hl7+"v2-0203", "ACSN")), System: AccessionSystem, Value: accession}},
		ProcedureCode: e.codes, Description: e.words,
		Series: []fhir.Series{{UID: s.uid(), Modality: coding(dcm, e.modality), BodySite: coding(snomed, e.site)}}}
	if order != "" {
		study.BasedOn = []fhir.Reference{ref(order)}
	}
	changed := x.on
	if x.inError {
		study.Status, changed = "entered-in-error", min(s.asOf, x.on.Plus(12))
	}
	to := s.add(study, "ImagingStudy", "", changed)
	if x.twice {
		again := *study
		again.BasedOn = nil
		s.add(&again, "ImagingStudy", "", min(s.asOf, x.on.Plus(3)))
	}
	return to
}

// results writes what was measured on a scan and gives the references.
func (s *scribe) results(x *scan, study string) []fhir.Reference {
	if x.report == "" || x.size == 0 || x.inError || x.outside || x.what == localCode {
		return nil
	}
	status := "final"
	if x.report == "preliminary" {
		status = "preliminary"
	}
	base := fhir.Observation{Status: status, Category: []fhir.CodeableConcept{concept("", coding(hl7+"observation-category", "imaging"))},
		Subject: s.subject(), EffectiveDateTime: x.on.String(), DerivedFrom: []fhir.Reference{ref(study)}}
	var out []fhir.Reference
	if x.leak != "" {
		leak := base
		leak.Code = concept("Endoleak", coding(own, "endoleak"))
		code := "endoleak"
		if x.leak != "unknown" {
			code += "-" + x.leak
		}
		value := concept("", coding(own, code))
		leak.ValueCodeableConcept = &value
		out = append(out, ref(s.add(&leak, "Observation", "", x.on)))
	}
	size := base
	size.Code, size.Method = concept("Largest diameter of the sac", coding(own, "sac-diameter")), concept(methodOf(x.what))
	size.ValueQuantity = &fhir.Quantity{Value: fhir.Decimal(millimetres(x.size)), Unit: "mm", System: ucum, Code: "mm"}
	if s.odd == inches && x == s.last() {
		size.ValueQuantity = &fhir.Quantity{Value: "2.2", Unit: "in", System: ucum, Code: "[in_i]"}
	}
	return append(out, ref(s.add(&size, "Observation", "", x.on)))
}

func methodOf(what exam) string {
	if what == duplex || what == duplexLimited {
		return "Front to back, outer to outer"
	}
	return "Outer to outer, across the centre line"
}

func millimetres(tenths int) string { return fmt.Sprintf("%d.%d", tenths/10, tenths%10) }

// report writes the report of a scan, if there is one.
func (s *scribe) report(x *scan, e examination, study string, results []fhir.Reference) {
	if x.report == "" {
		return
	}
	issued := min(x.on.Plus(s.dice.between(0, 5)), s.end()-1)
	r := &fhir.DiagnosticReport{Status: x.report, Category: []fhir.CodeableConcept{concept("", coding(hl7+"v2-0074", "RAD"))},
		Code: e.codes[0], Subject: s.subject(), EffectiveDateTime: x.on.String(), Issued: s.noon(issued), Result: results,
		Conclusion: "Findings as coded in the results."}
	switch {
	case x.wording != "":
		r.Conclusion = x.wording
	case x.leak == "none":
		r.Conclusion = "No endoleak. Diameter as coded in the results."
	case x.outside:
		r.Conclusion = "Done at Gullmarsh Infirmary; images are not here."
	}
	if study != "" {
		r.ImagingStudy = []fhir.Reference{ref(study)}
	}
	s.add(r, "DiagnosticReport", "", issued)
	s.reviewed(x, study, issued)
}

// order writes a request for a scan.
func (s *scribe) order(e examination, written, wanted day.Day, status string) string {
	return s.add(&fhir.ServiceRequest{Status: status, Intent: "order", Priority: "routine", Code: e.codes[0], Subject: s.subject(),
		Category:   []fhir.CodeableConcept{concept("", coding(snomed, "363679005"))},
		AuthoredOn: written.String(), OccurrenceDateTime: wanted.String()}, "ServiceRequest", "", written)
}
