package fhir

import "github.com/bytedance/sonic/decoder"

// resource reads a body into the wire of a type that has a quick way; false where it must be decoded.
func (q *quick) resource(d *decoder.Decoder, body []byte, wire any) bool {
	switch w := wire.(type) {
	case *studyWire:
		*w = studyWire{}
		q.begin(d, body)
		return q.object(func(name string, seen *uint32) { q.studyMember(name, w, seen) })
	case *procedureWire:
		*w = procedureWire{}
		q.begin(d, body)
		return q.object(func(name string, seen *uint32) { q.procedureMember(name, &w.Procedure, seen) })
	case *Patient:
		*w = Patient{}
		q.begin(d, body)
		return q.object(func(name string, seen *uint32) { q.patientMember(name, w, seen) })
	}
	return false
}

// object reads the members of the whole body.
func (q *quick) object(member func(name string, seen *uint32)) bool {
	q.seen = 0
	q.take('{')
	for first := true; q.more('}', first); first = false {
		member(q.key(), &q.seen)
	}
	return q.ok && q.peek() == 0 && q.at == len(q.b)
}

// The members of a study that are lists or objects, as numbers for quick.once.
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
