package intake

import (
	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// enrolment reads a patient's part in a study.
func (in *input) enrolment(r *fhir.ResearchSubject) {
	in.of(r.Individual)
	e := &chart.Enrolment{Source: in.src, Study: plain(&r.Study), Status: r.Status, From: in.on(r.Period.Start), To: in.on(r.Period.End)}
	if e.Study == "" {
		e.Study = short(r.Study.Display)
	}
	in.s.Enrolment = e
}

// condition reads a diagnosis that widens what must be imaged, or that there
// is an implant. A refuted one says nothing; a complication coded as a diagnosis
// is mostly the reason of an operation, and no finding.
func (in *input) condition(r *fhir.Condition) {
	in.of(r.Subject)
	if hasCode(&r.VerificationStatus, "refuted") {
		return
	}
	cs, text := in.concept(&r.Code)
	if what, _, ok := in.m.Book.Operation(cs, text); ok && what.Role == codes.RoleHistory {
		in.history(what, &r.Code, r.BodySite)
		return
	}
	f, _, ok := in.m.Book.Finding(in.coded(&r.Code), "")
	if !ok || f.What != codes.Dissection {
		in.skip = true
		return
	}
	in.s.Condition = &chart.Condition{Source: in.src, What: string(codes.Dissection), On: in.onset(r)}
}

// onset is when a condition began; when it was recorded where that is all that
// was sent.
func (in *input) onset(r *fhir.Condition) day.Span {
	if r.OnsetDateTime != "" {
		return in.on(r.OnsetDateTime)
	}
	if on, _ := in.period(r.OnsetPeriod); on.Known() {
		return on
	}
	return in.on(r.RecordedDate)
}

// allergy reads an allergy to contrast medium.
func (in *input) allergy(r *fhir.AllergyIntolerance) {
	in.of(r.Patient)
	if hasCode(&r.VerificationStatus, "refuted") {
		return
	}
	f, _, ok := in.m.Book.Finding(in.coded(&r.Code), "")
	if !(ok && f.What == codes.ContrastAllerg) && !names(&r.Code, "", contrastWords()...) {
		in.skip = true
		return
	}
	severe := r.Criticality == "high"
	for i := range r.Reaction {
		severe = severe || r.Reaction[i].Severity == "severe"
	}
	in.s.Allergy = &chart.Allergy{Source: in.src, Severe: severe, On: in.on(r.RecordedDate), Agent: agent(&r.Code), Over: hasCode(&r.ClinicalStatus, "resolved", "inactive")}
}
