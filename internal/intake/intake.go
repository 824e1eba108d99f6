// Package intake turns FHIR resources into statements about patients, and
// collects the statements of each patient.
//
// # Design
//
// Two steps that know nothing of one another:
//
//   - A Mapper says what one version of one resource means: one chart.Statement.
//     It looks codes up in the code book and dates up in the site's zone, and
//     decides nothing else: whether an operation makes an implant, or a study
//     serves a visit, is for the engine. What it cannot date stays undated,
//     what it cannot recognise is marked so: both become questions.
//   - A Grouper collects the statements of all patients in little memory, works
//     out whose they are once all input has been read (references by identifier,
//     by address and by Bundle entry; records merged into others), and gives them
//     back patient by patient. The order of the input does not matter, unless
//     nothing else tells two versions of one resource apart.
//
// # What is taken back
//
// A resource that newly says nothing (a procedure that was not done, a
// cancelled appointment) still gives a statement, an empty one: it takes the
// place of the older version that said more.
//
// # No I/O
//
// Nothing here reads a file, a clock or the network.
package intake

import (
	"strings"
	"time"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// Use is what became of a resource on reading it.
type Use uint8

// What becomes of a resource. Whether a used one is superseded by a newer
// version shows only when all versions are there (chart.Tally).
const (
	Used        Use = iota // it gave a statement
	NotRelevant            // a type or a code that says nothing about surveillance
	InError                // it is marked entered-in-error: its statement takes back what it said
	Quarantined            // it cannot be trusted: its statement, if its patient is known, says so
)

// Mapper says what resources mean. Make one for each goroutine: it keeps
// scratch space.
type Mapper struct {
	Book   *codes.Book
	Zone   *time.Location // of the site; nil takes dates as written
	Source string         // name of the source: an accession number without a system means something only within it
	// Series loads the series of a study that was decoded without them, as
	// fhir.Decoder.LoadSeries does; nil where they are there already.
	Series func(*fhir.ImagingStudy) error
	// Reuse says that the statement of one call need not hold beyond the next:
	// its commonest facts then take no new memory.
	Reuse bool

	codings  []codes.Coding
	concepts []codes.Concept
	in       input
	refs     texts
	room     rooms
	memo     memo
}

// rooms are where facts are written that hold only until the next call.
type rooms struct {
	person    chart.Person
	operation chart.Operation
	study     chart.Study
	report    chart.Report
	contact   chart.Contact
	orders    []string
}

// fact gives room for a fact: the same again, or new.
func fact[T any](m *Mapper, again *T) *T {
	if !m.Reuse {
		return new(T)
	}
	var empty T
	*again = empty
	return again
}

// Identify gives a resource without an id one that does not depend on where it
// stands in the input: the address of its Bundle entry, else the content
// itself.
func Identify(h *fhir.Header, raw fhir.Raw) {
	if h.ID == "" {
		h.ID = nameOf(raw)
	}
}

// nameOf names a resource that has no id.
func nameOf(raw fhir.Raw) string {
	if raw.FullURL != "" {
		return strings.Clone(raw.FullURL)
	}
	const digit = "0123456789abcdef"
	sum := hashText(string(raw.Body))
	name := []byte("unnamed-0000000000000000")
	for i := range 16 {
		name[len(name)-1-i] = digit[sum>>(4*i)&15]
	}
	return string(name)
}

// Map says what a resource means. The statement's strings lie in the record, so
// that it holds as long as the record does (Grouper.Add copies), and the
// statement itself until the next call. An error is
// always a *fhir.Quarantine: the series of a study could not be read.
// Statement.Patient is a key as PatientKey gives it, or "!" for a retraction
// that does not say whose it is; with NotRelevant there is no statement.
func (m *Mapper) Map(r fhir.Resource) (*chart.Statement, Use, error) {
	h := r.Head()
	in := &m.in
	in.m, in.s, in.skip = m, fact(m, &in.statement), false
	s := in.s
	s.Ref, s.Version, s.Updated = m.ref(h), h.Meta.VersionID, Millis(h.Meta.LastUpdated)
	in.src = chart.Source{Ref: s.Ref, Version: s.Version}
	s.Retracted = fhir.InError(r)
	if err := in.read(r); err != nil {
		return nil, Quarantined, err
	}
	switch {
	case s.Retracted:
		if in.keepRetracted(); s.Patient == "" {
			s.Patient = string(markByRef)
		}
		return s, InError, nil
	case s.Patient == "" || in.skip:
		return nil, NotRelevant, nil
	}
	return s, Used, nil
}

// ref is the reference of a resource. References are cut from one long text:
// one of its own for each would cost more than all else here.
func (m *Mapper) ref(h *fhir.Header) string {
	if h.ID == "" {
		return h.Ref()
	}
	return m.refs.join(h.ResourceType, '/', h.ID)
}

// accession is the accession number among identifiers as "assigner|number";
// empty without one.
func (m *Mapper) accession(ids []fhir.Identifier) string {
	by, number := fhir.Accession(ids, m.Source)
	if number == "" {
		return ""
	}
	return m.refs.join(by, '|', number)
}

// Unread is the statement about a resource that could not be trusted; false
// where it cannot even be told which one it is. Where its patient cannot be
// told, an older version of it may.
func (m *Mapper) Unread(known fhir.Salvaged, what string) (chart.Statement, bool) {
	key := PatientKey(fhir.Reference{Reference: known.PatientRef})
	ref := known.Ref()
	if ref == "" {
		return chart.Statement{}, false
	}
	if key == "" {
		key = string(markByRef)
	}
	return chart.Statement{Ref: ref, Patient: key, Version: known.Version, Updated: Millis(known.Updated), Unreadable: what}, true
}

// input is one resource while it is read.
type input struct {
	m         *Mapper
	statement chart.Statement // where s is, if it need not last
	s         *chart.Statement
	src       chart.Source
	skip      bool // nothing in it is of use
}

// read fills the statement by the type of the resource.
func (in *input) read(r fhir.Resource) error {
	switch r := r.(type) {
	case *fhir.Patient:
		in.patient(r)
	case *fhir.Procedure:
		in.procedure(r)
	case *fhir.ImagingStudy:
		return in.imaging(r)
	case *fhir.Device:
		in.device(r)
	case *fhir.DiagnosticReport:
		in.report(r)
	case *fhir.Observation:
		in.observation(r)
	case *fhir.Encounter:
		in.encounter(r)
	case *fhir.Appointment:
		in.appointment(r)
	default:
		in.readPaper(r)
	}
	return nil
}

// readPaper is read for orders, messages, research and what is known from
// before.
func (in *input) readPaper(r fhir.Resource) {
	switch r := r.(type) {
	case *fhir.ServiceRequest:
		in.order(r)
	case *fhir.Communication:
		in.communication(r)
	case *fhir.ResearchSubject:
		in.enrolment(r)
	case *fhir.Condition:
		in.condition(r)
	case *fhir.AllergyIntolerance:
		in.allergy(r)
	case *fhir.MedicationStatement:
		in.taken(r)
		in.skip = in.s.Medicine == nil
	case *fhir.MedicationRequest:
		in.ordered(r)
		in.skip = in.s.Medicine == nil
	case *fhir.DocumentReference:
		in.document(r)
	case *fhir.Task:
		in.task(r)
	default:
		in.skip = true
	}
}

// keepRetracted leaves of a retraction only what chart.Assemble needs to take
// it back: the study that it was about.
func (in *input) keepRetracted() {
	s := in.s
	*s = chart.Statement{Ref: s.Ref, Patient: s.Patient, Version: s.Version, Updated: s.Updated, Retracted: true, Study: s.Study}
	if s.Study != nil {
		s.Study.State = chart.StudyRetracted
	}
}

// of notes whose the resource is.
func (in *input) of(patient fhir.Reference) { in.s.Patient = PatientKey(patient) }

// doubt raises a question about the resource.
func (in *input) doubt(kind, text string, on day.Span) {
	in.s.Doubts = append(in.s.Doubts, chart.Doubt{Kind: kind, About: in.s.Ref, Text: text, On: on})
}

// date gives the civil date of a FHIR date and the minute of the day; unknown
// where there is none that can be read.
func (in *input) date(text string) (day.Span, int) {
	if text == "" {
		return day.Span{}, day.NoMinute
	}
	on, minute, err := day.Parse(text, in.m.Zone)
	if err != nil {
		return day.Span{}, day.NoMinute
	}
	return on, minute
}

// on is date without the minute.
func (in *input) on(text string) day.Span {
	on, _ := in.date(text)
	return on
}

// period is the date of a period: its start, its end where it has no start.
func (in *input) period(p *fhir.Period) (day.Span, int) {
	if p == nil {
		return day.Span{}, day.NoMinute
	}
	if on, minute := in.date(p.Start); on.Known() {
		return on, minute
	}
	return in.date(p.End)
}

// Millis reads an instant as milliseconds since 1970; zero where it cannot be
// read. An instant without a zone is taken as UTC.
func Millis(instant string) int64 {
	if instant == "" {
		return 0
	}
	if ms, ok := day.Millis(instant); ok {
		return ms
	}
	return anyMillis(instant)
}

// anyMillis is Millis for all forms of an instant.
func anyMillis(instant string) int64 {
	on, minute, err := day.Parse(instant, time.UTC)
	if err != nil {
		return 0
	}
	seconds, fraction := int64(0), int64(0)
	if len(instant) > 18 && instant[16] == ':' { // day.Parse has checked the digits
		seconds = int64(instant[17]-'0')*10 + int64(instant[18]-'0')
	}
	if len(instant) > 19 && instant[19] == '.' {
		for i, unit := 20, int64(100); i < len(instant) && unit > 0 && instant[i] >= '0' && instant[i] <= '9'; i++ {
			fraction += int64(instant[i]-'0') * unit
			unit /= 10
		}
	}
	minutes := int64(on.First-day.Of(1970, 1, 1))*24*60 + int64(max(minute, 0))
	return (minutes*60+seconds)*1000 + fraction
}

// concept gives the codings and the text of a concept as the code book takes
// them. The slice holds until the next call.
func (in *input) concept(c *fhir.CodeableConcept) ([]codes.Coding, string) {
	m := in.m
	m.codings = appendCodings(m.codings[:0], c, true)
	return m.codings, c.Text
}

// coded gives the codings alone, without their displays: what the book says of
// them is told by codes, never by words.
func (in *input) coded(c *fhir.CodeableConcept) []codes.Coding {
	m := in.m
	m.codings = appendCodings(m.codings[:0], c, false)
	return m.codings
}

func appendCodings(list []codes.Coding, c *fhir.CodeableConcept, words bool) []codes.Coding {
	for i := range c.Coding {
		k := codes.Coding{System: c.Coding[i].System, Code: c.Coding[i].Code}
		if words {
			k.Text = c.Coding[i].Display
		}
		list = append(list, k)
	}
	return list
}

// said is a short description of a concept for people.
func said(c *fhir.CodeableConcept) string {
	if c.Text != "" {
		return short(c.Text)
	}
	for i := range c.Coding {
		if d := c.Coding[i].Display; d != "" {
			return short(d)
		}
	}
	for i := range c.Coding {
		if d := c.Coding[i].Code; d != "" {
			return short(d)
		}
	}
	return ""
}

// short cuts a text to what fits into a question.
func short(text string) string {
	const most = 80
	if len(text) <= most {
		return text
	}
	cut := most
	for cut > 0 && text[cut]&0xc0 == 0x80 {
		cut--
	}
	return text[:cut]
}

// how is what decided, for the chart.
func how(r codes.Rule) string { return r.How }

// hasCode says whether a concept holds a code, in whatever system.
func hasCode(c *fhir.CodeableConcept, list ...string) bool {
	for i := range c.Coding {
		for _, code := range list {
			if c.Coding[i].Code == code {
				return true
			}
		}
	}
	return false
}

// kindOf and coversOf turn the words of the code book into those of the chart.
// The constants stand in one order in both (a test compares the names).
func kindOf(k codes.Kind) chart.Kind             { return chart.Kind(k) }
func coversOf(t codes.Territory) chart.Territory { return chart.Territory(t) }
