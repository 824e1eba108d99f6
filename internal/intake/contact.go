package intake

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/fhir"
)

// encounter reads that the patient was seen.
func (in *input) encounter(r *fhir.Encounter) {
	in.of(r.Subject)
	switch r.Status {
	case "arrived", "triaged", "in-progress", "onleave", "finished":
		if on, _ := in.period(&r.Period); on.Known() {
			in.s.Contact = fact(in.m, &in.m.room.contact)
			*in.s.Contact = chart.Contact{Source: in.src, On: on, What: "encounter"}
		}
	}
}

// communication reads a try to reach the patient: sent on a day, answered if it
// was received. A message from the patient is a sign of contact; one between
// others is neither.
func (in *input) communication(r *fhir.Communication) {
	in.of(r.Subject)
	if ownWork(r.Identifier, AttemptSystem) { // it tells of a ruling, which counts
		in.skip = true
		return
	}
	if in.s.Patient == "" {
		in.s.Patient = patientAmong(r.Recipient, r.Sender)
	}
	if r.Status != "completed" {
		return
	}
	sent, received := in.on(r.Sent), in.on(r.Received)
	switch {
	case isPatient(&r.Sender):
		on := sent
		if !on.Known() {
			on = received
		}
		if on.Known() {
			in.s.Contact = &chart.Contact{Source: in.src, On: on, What: "answer"}
		}
	case len(r.Recipient) > 0 && patientAmong(r.Recipient, fhir.Reference{}) == "":
		in.skip = true
	default:
		in.s.Attempt = &chart.Attempt{Source: in.src, On: sent, Channel: in.channel(r.Medium), Answered: received}
	}
}

// isPatient says whether a reference is to a patient.
func isPatient(r *fhir.Reference) bool { return r.Parse().Type == "Patient" }

// patientAmong is the key of the first patient, or person close to one, of a
// message.
func patientAmong(list []fhir.Reference, more fhir.Reference) string {
	for _, r := range append(list[:len(list):len(list)], more) {
		ref := r.Parse()
		if ref.Type == "Patient" || ref.Type == "" && ref.Kind != fhir.NoRef {
			return PatientKey(r)
		}
		if ref.Type == "RelatedPerson" {
			return ref.String()
		}
	}
	return ""
}

// channel is the way of an attempt; ways that are not known are one way.
func (in *input) channel(list []fhir.CodeableConcept) string {
	for i := range list {
		cs, text := in.concept(&list[i])
		if c, _, ok := in.m.Book.Channel(cs); ok {
			return string(c)
		}
		if c := channelOf(text); c != "" {
			return c
		}
	}
	return "other"
}

// channelOf reads a plainly worded medium.
func channelOf(text string) string {
	words := strings.ToLower(text)
	for _, c := range []struct {
		channel codes.Channel
		words   string
	}{{codes.Email, "e-mail email"}, {codes.Phone, "phone call"}, {codes.Letter, "letter post"}, {codes.Message, "sms text portal message"}, {codes.Visit, "visit person"}} {
		for w := range strings.FieldsSeq(c.words) {
			if strings.Contains(words, w) {
				return string(c.channel)
			}
		}
	}
	return ""
}
