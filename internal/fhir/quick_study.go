package fhir

import "github.com/bytedance/sonic/decoder"

// resource reads a body into the wire of a type that has a quick way; false where it must be decoded.
func (q *quick) resource(d *decoder.Decoder, body []byte, wire any) bool {
	switch w := wire.(type) {
	case *studyWire:
		*w = studyWire{}
		q.begin(d, body)
		return q.object(q.study(&w.ImagingStudy), func(name string, seen *uint32) { q.studyMember(name, w, seen) })
	case *procedureWire:
		*w = procedureWire{}
		q.begin(d, body)
		return q.object(q.header(&w.Header), func(name string, seen *uint32) { q.procedureMember(name, &w.Procedure, seen) })
	case *Patient:
		*w = Patient{}
		q.begin(d, body)
		return q.object(q.header(&w.Header), func(name string, seen *uint32) { q.patientMember(name, w, seen) })
	}
	return false
}

// object reads the members of the whole body that were not read yet. first says that its brace is yet to come.
func (q *quick) object(first bool, member func(name string, seen *uint32)) bool {
	if first {
		q.take('{')
	}
	for ; q.more('}', first); first = false {
		member(q.key(), &q.seen)
	}
	return q.ok && q.peek() == 0 && q.at == len(q.b)
}

// header reads the members that every resource begins with, where they come in the order of the standard. It says
// whether the first member is yet to come.
func (q *quick) header(h *Header) (first bool) {
	if q.begun(q.is(`{"resourceType":"`), &h.ResourceType) {
		return true
	}
	if q.is(`,"id":"`) {
		q.fill(&h.ID)
	}
	if q.is(`,"meta":`) {
		q.once(&q.seen, memberMeta)
		q.meta(&h.Meta)
	}
	return false
}

// study reads the members that most studies have, in the order of the standard, as header does.
func (q *quick) study(s *ImagingStudy) (first bool) {
	if q.header(&s.Header) {
		return true
	}
	if q.is(`,"identifier":`) {
		q.once(&q.seen, memberIdentifier)
		list(q, &s.Identifier, &q.identifiers, (*quick).identifier)
	}
	if q.is(`,"status":"`) {
		q.fill(&s.Status)
	}
	if q.is(`,"modality":`) {
		q.once(&q.seen, memberModality)
		list(q, &s.Modality, &q.codings, (*quick).coding)
	}
	if q.is(`,"subject":`) {
		q.once(&q.seen, memberSubject)
		q.reference(&s.Subject)
	}
	if q.is(`,"encounter":`) {
		q.once(&q.seen, memberEncounter)
		q.reference(&s.Encounter)
	}
	if q.is(`,"started":"`) {
		q.fill(&s.Started)
	}
	if q.is(`,"basedOn":`) {
		q.once(&q.seen, memberBasedOn)
		list(q, &s.BasedOn, &q.references, (*quick).reference)
	}
	q.studyCodes(s)
	return false
}

// studyCodes goes on with the members from referrer to description.
func (q *quick) studyCodes(s *ImagingStudy) {
	if q.is(`,"referrer":`) {
		q.skip()
	}
	if q.is(`,"endpoint":`) {
		q.skip()
	}
	if q.is(`,"numberOfSeries":`) {
		q.skip()
	}
	if q.is(`,"numberOfInstances":`) {
		q.skip()
	}
	if q.is(`,"procedureCode":`) {
		q.once(&q.seen, memberProcedureCode)
		list(q, &s.ProcedureCode, &q.concepts, (*quick).concept)
	}
	if q.is(`,"reasonCode":`) {
		q.once(&q.seen, memberReasonCode)
		list(q, &s.ReasonCode, &q.concepts, (*quick).concept)
	}
	if q.is(`,"description":"`) {
		q.fill(&s.Description)
	}
}

// The members of a study that are lists or objects, as numbers for quick.once. Meta has that number everywhere.
const (
	memberMeta = iota
	memberIdentifier
	memberModality
	memberSubject
	memberEncounter
	memberBasedOn
	memberProcedureReference
	memberProcedureCode
	memberReasonCode
	memberSeries
)

func (q *quick) studyMember(name string, w *studyWire, seen *uint32) {
	s := &w.ImagingStudy
	switch name {
	case "resourceType":
		q.set(&s.ResourceType)
	case "id":
		q.set(&s.ID)
	case "status":
		q.set(&s.Status)
	case "started":
		q.set(&s.Started)
	case "description":
		q.set(&s.Description)
	case "meta":
		q.once(seen, memberMeta)
		q.meta(&s.Meta)
	case "identifier":
		q.once(seen, memberIdentifier)
		list(q, &s.Identifier, &q.identifiers, (*quick).identifier)
	case "modality":
		q.once(seen, memberModality)
		list(q, &s.Modality, &q.codings, (*quick).coding)
	case "subject":
		q.once(seen, memberSubject)
		q.reference(&s.Subject)
	case "encounter":
		q.once(seen, memberEncounter)
		q.reference(&s.Encounter)
	case "basedOn":
		q.once(seen, memberBasedOn)
		list(q, &s.BasedOn, &q.references, (*quick).reference)
	case "procedureReference":
		q.once(seen, memberProcedureReference)
		q.reference(&s.ProcedureReference)
	case "procedureCode":
		q.once(seen, memberProcedureCode)
		list(q, &s.ProcedureCode, &q.concepts, (*quick).concept)
	case "reasonCode":
		q.once(seen, memberReasonCode)
		list(q, &s.ReasonCode, &q.concepts, (*quick).concept)
	case "series":
		q.once(seen, memberSeries)
		w.RawSeries = q.extent()
	case "procedure":
		q.ok = false
	default:
		q.skip()
	}
}
