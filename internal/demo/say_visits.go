package demo

import (
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// visits writes clinic visits, visits elsewhere, missed and coming appointments.
func (s *scribe) visits() {
	for i := range s.scans {
		x := &s.scans[i]
		if on := x.on.Plus(s.dice.between(2, 20)); on < s.end() && !x.outside && s.dice.chance(0.45) {
			s.seenAt(on, "Vascular surgery")
		}
	}
	for _, on := range s.seen {
		s.seenAt(on, pick(s.dice, []string{"Eye clinic", "Knee clinic", "Emergency department"}))
	}
	for _, on := range s.missed {
		s.appointment(on, "noshow", s.examination(s.usual()), "")
	}
	if s.alive() && s.class != none {
		s.coming()
	}
}

func (s *scribe) seenAt(on day.Day, service string) {
	s.add(&fhir.Encounter{Status: "finished", Class: coding(hl7+"v3-ActCode", "AMB"), Subject: s.subject(),
		ServiceType: concept(service), Period: fhir.Period{Start: s.noon(on), End: on.String() + "T13:30:00Z"}}, "Encounter", "", on)
}

// usual is the scan that the person mostly gets.
func (s *scribe) usual() exam {
	if s.class == carotid || s.class == evar {
		return duplex
	}
	return cta
}

// coming writes what is booked: most of those who come within ten weeks have a
// date, some only an order; some who stayed away have one as well.
func (s *scribe) coming() {
	on, what := s.planned, s.plannedAs
	if on == 0 && s.gone > 0 && s.asOf-s.gone < 300 && s.dice.chance(0.2) {
		on, what = s.asOf.Plus(s.dice.between(3, 40)), s.usual()
	}
	if on <= s.asOf || on-s.asOf > 75 {
		return
	}
	e := s.examination(what)
	switch u := s.dice.unit(); {
	case u < 0.55:
		order := s.order(e, s.asOf.Plus(-s.dice.between(3, 40)), on, "active")
		s.appointment(on, "booked", e, order)
	case u < 0.65:
		s.appointment(on, pick(s.dice, []string{"pending", "cancelled"}), e, "")
	case u < 0.8:
		s.order(e, s.asOf.Plus(-s.dice.between(3, 40)), on, "active")
	}
}

func (s *scribe) appointment(on day.Day, status string, e examination, order string) {
	a := &fhir.Appointment{Status: status, ServiceType: e.codes[:1], Description: e.words,
		Start: on.String() + "T10:30:00Z", End: on.String() + "T11:00:00Z",
		Participant: []fhir.Participant{{Actor: s.subject(), Status: "accepted"}}}
	if order != "" {
		a.BasedOn = []fhir.Reference{ref(order)}
	}
	s.add(a, "Appointment", "", min(s.asOf, on))
}

// letters writes the attempts to reach the person.
func (s *scribe) letters() {
	for _, t := range s.attempts {
		code := map[string]string{"phone": "PHONE", "letter": "MAILWRIT", "message": "ONLINEWRIT"}[t.channel]
		c := &fhir.Communication{Status: "completed", Subject: s.subject(), Recipient: []fhir.Reference{s.subject()}, Sender: fhir.Reference{Display: Unit},
			Medium: []fhir.CodeableConcept{concept("", coding(hl7+"v3-ParticipationMode", code))}, Sent: s.noon(t.on)}
		changed := t.on
		switch {
		case t.refused:
			c.Status, c.Sent = "not-done", ""
			c.StatusReason = concept("", coding(hl7+"communication-not-done-reason", "patient-objection"))
		case t.answered:
			changed = t.on.Plus(2)
			c.Received = s.noon(changed)
		}
		s.add(c, "Communication", "", changed)
	}
}
