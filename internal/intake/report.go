package intake

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// report reads a radiology report: the report itself, the findings that its
// conclusion codes, and the study that it speaks of, in case no images of it
// are on record.
func (in *input) report(r *fhir.DiagnosticReport) {
	in.of(r.Subject)
	cs, text := in.concept(&r.Code)
	what, rule, ok := in.m.Book.Imaging(cs, text)
	imaging := ok || in.imagingCategory(r.Category) || len(r.ImagingStudy) > 0
	in.codedFindings(r)
	if !imaging && len(in.s.Findings) == 0 {
		in.skip = true
		return
	}
	on, minute := in.examined(r)
	p := fact(in.m, &in.m.room.report)
	p.Source, p.On, p.Issued, p.Accession = in.src, on, in.on(r.Issued), in.m.accession(r.Identifier)
	p.Studies, p.Results, p.Orders = typed(r.ImagingStudy, "ImagingStudy"), plainAll(r.Result), plainAll(r.BasedOn)
	p.Imaging, p.Kind, p.Covers, p.How = imaging, kindOf(what.Kind), coversOf(what.Covers), how(rule)
	p.State, p.Amended = reportState(r.Status)
	if !p.Issued.Known() {
		p.Issued = on
	}
	in.s.Report = p
	for i := range in.s.Findings {
		f := &in.s.Findings[i]
		f.On, f.Report = on, in.s.Ref
	}
	if p.State != chart.ReportGone {
		in.textFinding(r.Conclusion, on)
	}
	if imaging {
		in.reportedStudy(r, p, minute)
		in.conclude(in.s.Study, what, rule, ok)
		in.s.Study.CodedSeparate = ok
	}
}

// reportedStudy is the study that a report speaks of.
func (in *input) reportedStudy(r *fhir.DiagnosticReport, p *chart.Report, minute int) {
	on := p.On
	if !on.Known() {
		on = p.Issued
	}
	s := in.reported(on, minute, &r.Code)
	s.UID, s.Accession, s.Orders = studyUID(r), p.Accession, p.Orders
	switch {
	case p.State == chart.ReportGone:
		s.State = chart.StudyRetracted
	case r.Status == "registered":
		s.State = chart.StudyOrdered
	}
	in.s.Study = s
}

// studyUID is the UID of the one study that a report names by its identifier.
func studyUID(r *fhir.DiagnosticReport) string {
	if uid := fhir.StudyUID(r.Identifier); uid != "" {
		return uid
	}
	if len(r.ImagingStudy) == 1 && r.ImagingStudy[0].Identifier != nil {
		return fhir.StudyUID([]fhir.Identifier{*r.ImagingStudy[0].Identifier})
	}
	return ""
}

// examined is the day of the examination.
func (in *input) examined(r *fhir.DiagnosticReport) (day.Span, int) {
	if r.EffectiveDateTime != "" {
		return in.date(r.EffectiveDateTime)
	}
	return in.period(r.EffectivePeriod)
}

// reportState is how far a report has come; an unknown status closes nothing.
func reportState(status string) (chart.ReportState, bool) {
	switch status {
	case "final":
		return chart.ReportFinal, false
	case "amended", "corrected", "appended":
		return chart.ReportFinal, true
	case "cancelled", "entered-in-error":
		return chart.ReportGone, false
	}
	return chart.ReportPreliminary, false
}

// imagingCategory says whether a category is imaging.
func (in *input) imagingCategory(list []fhir.CodeableConcept) bool {
	for i := range list {
		cs, _ := in.concept(&list[i])
		if s, _, ok := in.m.Book.Category(cs); ok && s.Imaging {
			return true
		}
	}
	return false
}

// codedFindings reads the conclusion codes. Only codes count, never words.
func (in *input) codedFindings(r *fhir.DiagnosticReport) {
	for i := range r.ConclusionCode {
		f, _, ok := in.m.Book.Finding(in.coded(&r.ConclusionCode[i]), "")
		if ok && f.Ask != "" {
			in.doubt("finding-text", f.Ask, day.Span{})
		}
		if !ok || !aboutImplant(f.What) || f.What == codes.SacDiameter {
			continue
		}
		found := chart.Finding{Source: in.src, What: string(f.What), Type: typeOf(f), Covers: coversOf(f.Where)}
		if !slices.ContainsFunc(in.s.Findings, func(h chart.Finding) bool { return h.What == found.What && h.Type == found.Type }) {
			in.s.Findings = append(in.s.Findings, found)
		}
	}
}

// aboutImplant says whether a finding is one that the engine knows of an
// implant; the rest are diagnoses of the patient.
func aboutImplant(w codes.What) bool {
	switch w {
	case codes.Dissection, codes.ContrastAllerg, codes.Context, "":
		return false
	}
	return true
}

// typeOf is the type of a finding as its code alone tells it.
func typeOf(f codes.Finding) string {
	switch {
	case f.Leak != "":
		return string(f.Leak)
	case f.What == codes.Endoleak && f.Answer == codes.Absent:
		return string(codes.LeakNone)
	case f.Answer != "":
		return string(f.Answer)
	case f.What == codes.Endoleak:
		return string(codes.LeakUnknown)
	}
	return string(codes.Present)
}

// textFinding asks about text that looks like a finding of a kind that is not
// coded. Text never changes a schedule.
func (in *input) textFinding(text string, on day.Span) {
	if text == "" {
		return
	}
	f, _, ok := in.m.Book.Remark(text)
	if !ok {
		return
	}
	for i := range in.s.Findings {
		if in.s.Findings[i].What == string(f.What) {
			return
		}
	}
	in.doubt("finding-text", "The text looks like a finding ("+string(f.What)+") that is not coded. Is it one, and of which type?", on)
}
