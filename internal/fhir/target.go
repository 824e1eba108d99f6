package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"strconv"
	"strings"

	"github.com/bytedance/sonic/decoder"
)

// target is where a body is decoded to.
type target struct {
	wire   any      // what the JSON is decoded into: the record, or the record with what only decoding needs
	record Resource // what the caller gets
	reset  func()   // makes the wire empty
}

// cell makes a target of wire type T.
func cell[T any](view func(*T) Resource) target {
	p := new(T)
	return target{wire: p, record: view(p), reset: func() { var zero T; *p = zero }}
}

// same makes a target whose wire type is the record itself.
func same[T any, P interface {
	*T
	Resource
}]() target {
	return cell(func(p *T) Resource { return P(p) })
}

// fresh makes an empty target for a type; one that is not used gets a Skipped.
func fresh(typ string) target {
	switch typ {
	case "Patient":
		return same[Patient]()
	case "Procedure":
		return cell(func(w *procedureWire) Resource { return &w.Procedure })
	case "ImagingStudy":
		return cell(func(w *studyWire) Resource { return &w.ImagingStudy })
	case "Device":
		return same[Device]()
	case "DeviceUseStatement":
		return same[DeviceUseStatement]()
	case "DiagnosticReport":
		return cell(func(w *reportWire) Resource { return &w.DiagnosticReport })
	case "Observation":
		return same[Observation]()
	case "Encounter":
		return cell(func(w *encounterWire) Resource { return &w.Encounter })
	}
	return freshPaper(typ)
}

// freshPaper is fresh for bookings, orders, research and what is known from before.
func freshPaper(typ string) target {
	switch typ {
	case "Appointment":
		return same[Appointment]()
	case "ServiceRequest":
		return same[ServiceRequest]()
	case "Communication":
		return same[Communication]()
	case "ResearchSubject":
		return same[ResearchSubject]()
	case "ResearchStudy":
		return same[ResearchStudy]()
	case "Condition":
		return same[Condition]()
	case "AllergyIntolerance":
		return same[AllergyIntolerance]()
	case "DocumentReference":
		return same[DocumentReference]()
	case "Task":
		return same[Task]()
	case "MedicationStatement":
		return same[MedicationStatement]()
	case "MedicationRequest":
		return same[MedicationRequest]()
	}
	return same[Skipped]()
}

// typeName gives a type name that does not lie in the body, "" if it is none that is read.
func typeName(b []byte) string {
	switch string(b) {
	case "Patient":
		return "Patient"
	case "Procedure":
		return "Procedure"
	case "ImagingStudy":
		return "ImagingStudy"
	case "Device":
		return "Device"
	case "DiagnosticReport":
		return "DiagnosticReport"
	case "Observation":
		return "Observation"
	case "Encounter":
		return "Encounter"
	}
	return string(b)
}

// extent is where a value lies in the body, not a copy of it.
type extent []byte

// UnmarshalJSON notes the place. The decoder hands out the body's own bytes.
func (e *extent) UnmarshalJSON(b []byte) error {
	*e = b
	return nil
}

// The wire types add members that only another release has, and keep the series for later.
type (
	studyWire struct {
		ImagingStudy
		RawSeries extent `json:"series"`
		Procedure extent `json:"procedure"`
	}
	procedureWire struct {
		Procedure
		OccurrenceDateTime extent `json:"occurrenceDateTime"`
		OccurrencePeriod   extent `json:"occurrencePeriod"`
	}
	reportWire struct {
		DiagnosticReport
		Study extent `json:"study"`
	}
	encounterWire struct {
		Encounter
		ActualPeriod extent `json:"actualPeriod"`
	}
)

// otherRelease names a member that R4 does not have and a later release does, "" if there is none.
func (t target) otherRelease(body []byte) string {
	switch w := t.wire.(type) {
	case *studyWire:
		return firstSent("procedure", w.Procedure, "", nil)
	case *procedureWire:
		return firstSent("occurrenceDateTime", w.OccurrenceDateTime, "occurrencePeriod", w.OccurrencePeriod)
	case *reportWire:
		return firstSent("study", w.Study, "", nil)
	case *encounterWire:
		return firstSent("actualPeriod", w.ActualPeriod, "", nil)
	case *ServiceRequest:
		if w.Code.IsZero() && foreign(body, "code") {
			return "code"
		}
	}
	return ""
}

// firstSent gives the name of the first of two members that was sent.
func firstSent(a string, av []byte, b string, bv []byte) string {
	switch {
	case len(av) > 0:
		return a
	case len(bv) > 0:
		return b
	}
	return ""
}

// fill decodes body into the target, which is empty, and checks it.
func (t target) fill(d *decoder.Decoder, typ string, body []byte) error {
	if unmarshal(d, body, t.wire) != nil {
		return explain(typ, body, fresh(typ).wire)
	}
	h := t.record.Head()
	if h.ResourceType != typ {
		return &Quarantine{Type: typ, ID: strings.Clone(h.ID), Field: "resourceType", What: "is given twice, differently"}
	}
	q := t.record.check()
	if name := t.otherRelease(body); name != "" {
		q = h.refuse(name, releaseShape)
	}
	if q != nil {
		return q.details(body)
	}
	if w, ok := t.wire.(*studyWire); ok {
		w.raw = w.RawSeries
	}
	return nil
}

// loadSeries decodes the series that were left for later.
func (s *ImagingStudy) loadSeries(d *decoder.Decoder) error {
	if len(s.raw) == 0 {
		return nil
	}
	s.Series = nil
	if unmarshal(d, s.raw, &s.Series) != nil {
		q := explain(s.ResourceType, s.raw, new([]Series))
		q.ID, q.Field = strings.Clone(s.ID), strings.TrimSuffix("series."+q.Field, ".")
		return q
	}
	if q := s.checkSeries(); q != nil {
		return q.details(s.raw)
	}
	return nil
}

// explain finds out what the fast decoder disliked, with the slow one; to is an empty value of the same type.
// Its texts come from no part of the body.
func explain(typ string, body []byte, to any) *Quarantine {
	_, id := Peek(body)
	q := &Quarantine{Type: typ, ID: id, What: "cannot be read as JSON"}
	err := json.Unmarshal(body, to)
	var syntax *json.SyntaxError
	var mismatch *json.UnmarshalTypeError
	switch {
	case errors.As(err, &mismatch):
		q.Field, q.What = path(mismatch.Field), "is "+article(mismatch.Value)+" where "+wanted(mismatch)+" belongs"
	case errors.As(err, &syntax) && int(syntax.Offset) >= len(bytes.TrimRight(body, " \r\n\t")):
		q.What = "is cut: the JSON object does not end"
	case errors.As(err, &syntax):
		q.What = "is not JSON, from byte " + strconv.FormatInt(syntax.Offset, 10)
	case err != nil:
		q.What = err.Error()
	}
	return q
}

// path leaves the names of Go types out of a field path: FHIR's own names begin with a small letter.
func path(field string) string {
	var out []string
	for part := range strings.SplitSeq(field, ".") {
		if part != "" && (part[0] < 'A' || part[0] > 'Z') {
			out = append(out, part)
		}
	}
	return strings.Join(out, ".")
}

// article gives a JSON type in plain words.
func article(value string) string {
	kind, _, _ := strings.Cut(value, " ")
	switch kind {
	case "object":
		return "an object"
	case "array":
		return "a list"
	case "bool":
		return "true or false"
	case "string":
		return "text"
	}
	return "a " + kind
}

// wanted says in plain words what the field should have been.
func wanted(e *json.UnmarshalTypeError) string {
	switch e.Type.Kind().String() {
	case "slice":
		return "a list"
	case "struct":
		return "an object"
	case "bool":
		return "true or false"
	}
	if strings.HasSuffix(e.Type.String(), ".Number") {
		return "a number"
	}
	return "text"
}

// details says more about a refusal, now that there is time to look at the body again; and copies what lies in it.
func (q *Quarantine) details(body []byte) *Quarantine {
	q.Type, q.ID = strings.Clone(q.Type), strings.Clone(q.ID)
	switch {
	case q.Field == "status" && q.What == missing:
		if masked := member(body, "_status"); masked != nil {
			q.What = "is missing: it was withheld"
		}
	case q.What == noCode || q.What == noConcept:
		name := q.Field[strings.LastIndexByte(q.Field, '.')+1:]
		if foreign(body, name) {
			q.What = releaseShape
		}
	}
	return q
}

// foreign says whether a member anywhere in the body's first two levels has the shape of a later release.
func foreign(body []byte, name string) (found bool) {
	look := func(v []byte, _ bool) bool {
		found = found || member(v, "coding") != nil || member(v, "concept") != nil || member(v, "reference") != nil
		return !found
	}
	walkList(body, func(item []byte, _ bool) bool {
		walkList(member(item, name), look)
		return !found
	})
	return found
}
