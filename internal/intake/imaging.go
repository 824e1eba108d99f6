package intake

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// imaging reads a study with images. What it is, is decided by its procedure
// codes; where they do not tell, by modality, body site and description, and
// then the code of its order goes before them (chart.Assemble).
func (in *input) imaging(r *fhir.ImagingStudy) error {
	in.of(r.Subject)
	on, minute := in.date(r.Started)
	s := fact(in.m, &in.m.room.study)
	s.Source, s.On, s.Minute, s.Updated = in.src, on, minute, in.s.Updated
	s.UID, s.Accession = fhir.StudyUID(r.Identifier), in.m.accession(r.Identifier)
	s.Orders, s.Said = in.orders(r.BasedOn), sayStudy(r)
	switch r.Status {
	case "available":
	case "cancelled", "entered-in-error":
		s.State = chart.StudyRetracted
	default: // registered, unknown
		s.State = chart.StudyOrdered
	}
	in.s.Study = s
	if s.State == chart.StudyRetracted {
		return nil // what it was does not matter
	}
	return in.settle(r, s)
}

// orders is plainAll into room that is used again, where that is allowed.
func (in *input) orders(list []fhir.Reference) []string {
	if !in.m.Reuse || len(list) == 0 {
		return plainAll(list)
	}
	in.m.room.orders = appendPlain(in.m.room.orders[:0], list)
	return in.m.room.orders
}

// settle decides kind and territory, and dates a study by its series where it
// has no date of its own. The series are loaded only where they are needed.
func (in *input) settle(r *fhir.ImagingStudy, s *chart.Study) error {
	ask := codes.Study{Procedure: in.procedureCodes(r, false)}
	ask.Modalities = in.modalities(r)
	what, rule, known := in.m.memo.study(in.m.Book, ask, in.m.codings)
	s.CodedSeparate = known && !strings.HasPrefix(rule.How, "modality") // no words were given, so it was a code
	if !s.CodedSeparate || what.Covers == 0 && !what.Never || len(r.Modality) == 0 || !s.On.Known() {
		if in.m.Series != nil && r.Series == nil {
			if err := in.m.Series(r); err != nil {
				return err
			}
		}
		ask.Procedure = in.procedureCodes(r, true)
		ask.Modalities = in.modalities(r)
		ask.Series, ask.Text = seriesOf(r.Series), r.Description
		what, rule, known = in.m.Book.Study(ask)
	}
	in.conclude(s, what, rule, known)
	if !s.CodedSeparate {
		s.Modality = modalityOf(r)
	}
	if !s.On.Known() {
		in.dateBySeries(r, s)
	}
	return nil
}

// modalityOf is the modality of the images in the words of the chart: the
// first that is one of images.
func modalityOf(r *fhir.ImagingStudy) string {
	for i := range r.Modality {
		if m := modalityWord(r.Modality[i].Code); m != "" {
			return m
		}
	}
	for i := range r.Series {
		if m := modalityWord(r.Series[i].Modality.Code); m != "" {
			return m
		}
	}
	return ""
}

// modalityWord turns a DICOM modality (PS3.16, context group 29) into a word
// of the chart.
func modalityWord(code string) string {
	switch code {
	case "CT":
		return "ct"
	case "MR":
		return "mr"
	case "US", "IVUS":
		return "ultrasound"
	case "XA", "RF":
		return "angiogram"
	case "CR", "DX", "RG":
		return "radiograph"
	}
	return ""
}

// conclude writes down what the code book says. A CT or an MR of which nothing
// more is known still has its kind: a person can accept it. Of an ultrasound
// nothing is sure.
func (in *input) conclude(s *chart.Study, what codes.Imaging, rule codes.Rule, known bool) {
	s.Kind, s.Covers, s.NeverCounts, s.NonImage, s.How = kindOf(what.Kind), coversOf(what.Covers), what.Never, what.NonImage, how(rule)
	scan := what.Kind == codes.CTUnknownContrast || what.Kind == codes.MR
	s.Unrecognised = !known && !scan && !what.NonImage
	if rule.Clash != "" {
		text := what.Ask
		if text == "" {
			text = rule.Clash
		}
		in.doubt("study-kind", text, s.On)
	}
}

// dateBySeries takes the earliest date of the series.
func (in *input) dateBySeries(r *fhir.ImagingStudy, s *chart.Study) {
	for i := range r.Series {
		on, minute := in.date(r.Series[i].Started)
		if on.Known() && (!s.On.Known() || on.Before(s.On) || on == s.On && minute < s.Minute) {
			s.On, s.Minute = on, minute
		}
	}
}

// procedureCodes gives the procedure codes as the code book takes them, with or
// without their words.
func (in *input) procedureCodes(r *fhir.ImagingStudy, words bool) []codes.Concept {
	m := in.m
	m.concepts, m.codings = m.concepts[:0], m.codings[:0]
	for i := range r.ProcedureCode {
		from := len(m.codings)
		m.codings = appendCodings(m.codings, &r.ProcedureCode[i], words)
		c := codes.Concept{Codings: m.codings[from:len(m.codings):len(m.codings)]}
		if words {
			c.Text = r.ProcedureCode[i].Text
		}
		m.concepts = append(m.concepts, c)
	}
	return m.concepts
}

// modalities gives the modalities of the study; those of the series are joined
// to them by the code book. They lie behind the procedure codes in the scratch
// space.
func (in *input) modalities(r *fhir.ImagingStudy) []codes.Coding {
	m := in.m
	from := len(m.codings)
	for i := range r.Modality {
		m.codings = append(m.codings, codes.Coding{System: r.Modality[i].System, Code: r.Modality[i].Code})
	}
	return m.codings[from:]
}

func seriesOf(list []fhir.Series) []codes.Series {
	out := make([]codes.Series, len(list))
	for i := range list {
		x := &list[i]
		out[i] = codes.Series{Modality: codes.Coding{System: x.Modality.System, Code: x.Modality.Code},
			Site: codes.Coding{System: x.BodySite.System, Code: x.BodySite.Code, Text: x.BodySite.Display}, Text: x.Description}
	}
	return out
}

// sayStudy describes a study to people.
func sayStudy(r *fhir.ImagingStudy) string {
	if r.Description != "" {
		return short(r.Description)
	}
	if len(r.ProcedureCode) > 0 {
		return said(&r.ProcedureCode[0])
	}
	if len(r.Modality) > 0 {
		return short(r.Modality[0].Code)
	}
	return ""
}

// imagingProcedure reads imaging that was recorded as a procedure: a study
// known without its images.
func (in *input) imagingProcedure(r *fhir.Procedure) {
	cs, text := in.concept(&r.Code)
	what, rule, ok := in.m.Book.Imaging(cs, text)
	if !ok {
		return
	}
	on, minute := in.performed(r)
	s := in.reported(on, minute, &r.Code)
	s.UID, s.Accession, s.Orders = fhir.StudyUID(r.Identifier), in.m.accession(r.Identifier), plainAll(r.BasedOn)
	in.conclude(s, what, rule, true)
	s.CodedSeparate = true
	in.s.Study = s
}

// reported is a study that is known without its images.
func (in *input) reported(on day.Span, minute int, code *fhir.CodeableConcept) *chart.Study {
	s := fact(in.m, &in.m.room.study)
	s.Source, s.On, s.Minute, s.ReportOnly, s.Updated, s.Said = in.src, on, minute, true, in.s.Updated, said(code)
	return s
}
