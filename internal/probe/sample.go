package probe

import (
	"context"
	"net/url"
	"strconv"

	"perennial/internal/fhir"
)

// samplePages is how many pages are read for a sample at most: some servers give ten rows a page.
const samplePages = 20

// sample is what was looked at of one type.
type sample struct {
	p      *prober
	typ    string
	n      int
	bad    int   // cannot be read
	counts []int // of each lack
	lacks  []lack
}

// lack is something that resources of a type may not have.
type lack struct {
	what, means string
	is          func(fhir.Resource) bool
}

func newSample(p *prober, typ string) *sample {
	lacks := lacksOf(typ)
	return &sample{p: p, typ: typ, lacks: lacks, counts: make([]int, len(lacks))}
}

// read reads pages until there are enough resources.
func (s *sample) read(ctx context.Context) error {
	pages := 0
	for page, err := range s.p.o.Client.Search(ctx, s.typ, url.Values{"_count": {strconv.Itoa(s.p.o.Sample)}}) {
		if err != nil {
			return err
		}
		if !page.Date.IsZero() {
			s.p.r.ClockAhead = int(page.Date.Sub(s.p.o.Now()).Round(1e9).Seconds())
		} else if pages == 0 {
			s.p.find(Finding{Type: s.typ, What: "the answer has no Date", Means: "What changed cannot be asked for by the server's clock: everything is read again at each look."})
		}
		for _, o := range page.Outcomes {
			if o.Severity == "error" || o.Severity == "fatal" {
				s.p.find(Finding{Type: s.typ, Severe: needed(s.typ), What: "the server reports an error among what it found: " + o.String(), Means: "It may hold back a part. The place is not moved on, and everything is asked for again at each look."})
			}
		}
		for _, e := range page.Entries {
			s.add(e.Body)
		}
		if pages++; s.n >= s.p.o.Sample || pages >= samplePages {
			return nil
		}
	}
	return nil
}

// add looks at one resource; included ones of other types are passed over.
func (s *sample) add(body []byte) {
	if typ, _ := fhir.Peek(body); typ != s.typ || s.n >= s.p.o.Sample {
		return
	}
	s.n++
	r, err := fhir.Decode(body)
	if err != nil {
		s.bad++
		return
	}
	if s.p.o.Book != nil {
		s.p.count.Add(r)
	}
	for i, l := range s.lacks {
		if l.is(r) {
			s.counts[i]++
		}
	}
}

// tell makes findings of what was seen.
func (s *sample) tell() {
	if s.n == 0 && needed(s.typ) {
		s.p.find(Finding{Type: s.typ, Severe: true, What: "the search finds nothing", Means: "Without this type there is no surveillance. The login may not be allowed to see it: ask the server's administrator."})
	}
	if s.bad > 0 {
		s.p.find(Finding{Type: s.typ, What: "cannot be read", Count: s.bad, Of: s.n, Means: "They are quarantined and shown as such; perennial status counts them."})
	}
	for i, l := range s.lacks {
		if s.counts[i] > 0 {
			s.p.find(Finding{Type: s.typ, What: l.what, Count: s.counts[i], Of: s.n, Means: l.means})
		}
	}
}

// is makes a check of one type out of a check of a resource.
func is[T fhir.Resource](check func(T) bool) func(fhir.Resource) bool {
	return func(r fhir.Resource) bool {
		t, ok := r.(T)
		return ok && check(t)
	}
}

// lacksOf are the things that matter of a type.
func lacksOf(typ string) []lack {
	switch typ {
	case "Patient":
		return []lack{
			{"no identifier", "Nobody can be found by the record number, and a person recorded twice is not noticed.", is(func(p *fhir.Patient) bool { return len(p.Identifier) == 0 })},
			{"no birth date", "Kidney function cannot be worked out before contrast medium.", is(func(p *fhir.Patient) bool { return p.BirthDate == "" })},
			{"no phone or mail", "Somebody must look elsewhere how to reach the person.", is(func(p *fhir.Patient) bool { return len(p.Telecom) == 0 })},
		}
	case "Procedure":
		return []lack{
			{"no code", "Whether it was an implant is asked of a person.", is(func(p *fhir.Procedure) bool { return p.Code.IsZero() })},
			{"no date", "Visits are counted from it: without a date there are none, and a person is asked.", is(func(p *fhir.Procedure) bool { return p.PerformedDateTime == "" && p.PerformedPeriod == nil })},
			{"no code but text", "The words are not trusted: what was done is asked of a person.", is(func(p *fhir.Procedure) bool { return len(p.Code.Coding) == 0 && p.Code.Text != "" })},
		}
	case "ImagingStudy":
		return []lack{
			{"no procedureCode", "What the images show is then taken from the order, the modality and the body site; often it settles no visit until a person says so.", is(func(s *fhir.ImagingStudy) bool { return len(s.ProcedureCode) == 0 })},
			{"no start", "The day is taken from the series, if they have one; else a person is asked.", is(func(s *fhir.ImagingStudy) bool { return s.Started == "" })},
			{"a status other than available", "Such a study is taken as not yet done (or as withdrawn), and settles no visit.", is(func(s *fhir.ImagingStudy) bool { return s.Status != "available" })},
			{"no modality", "What kind of images they are is taken from the series or the code.", is(func(s *fhir.ImagingStudy) bool { return len(s.Modality) == 0 })},
		}
	case "DiagnosticReport":
		return []lack{{"no study and no order", "Which study it reports is found by patient and day, or asked of a person.", is(func(r *fhir.DiagnosticReport) bool { return len(r.ImagingStudy) == 0 && len(r.BasedOn) == 0 })}}
	case "Device":
		return []lack{{"no UDI, lot or serial number", "A recall cannot find them: they must be looked for in the operation notes.", is(func(d *fhir.Device) bool {
			return len(d.UDICarrier) == 0 && d.LotNumber == "" && d.SerialNumber == ""
		})}}
	}
	return nil
}

// meansWithout is what the site does without when a type cannot be read.
func meansWithout(typ string) string {
	switch typ {
	case "Patient", "Procedure", "ImagingStudy":
		return "Without this type there is no surveillance from this server."
	case "DiagnosticReport", "Observation":
		return "Findings such as a leak or a growing sac are not seen, nor that a report is missing."
	case "Device", "DeviceUseStatement":
		return "Which device somebody has is not known: a recall cannot find it."
	case "Appointment", "ServiceRequest", "Encounter":
		return "Whether a scan is ordered or booked is not known: it is asked for all the same."
	case "Communication":
		return "That somebody was called or written to is not known, so nobody is presumed lost by attempts."
	case "Task":
		return "What people do with our Tasks there does not come back."
	}
	return "The program does without it."
}
