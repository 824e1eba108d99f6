package export

import (
	"time"

	"perennial/internal/chart"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/surveil"
)

// Emitted are the types that can be kept on a server, in the order in which they
// are to be written: what others refer to comes first.
func Emitted() []string {
	return []string{"CarePlan", "ServiceRequest", "Flag", "Communication", "Provenance"}
}

// Finished are the ids of the ServiceRequests whose visit was done. All others that
// are not in Plan any more are no longer asked for.
func Finished(o *Options, p *surveil.Plan) map[string]bool {
	m := newMaker(o, p)
	done := map[string]bool{}
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Standing == surveil.Done {
				done[m.token("visit", v.Key())] = true
			}
		}
	}
	return done
}

// Why writes the Provenance of something that is written elsewhere: a Task. The id
// is that of the target.
func Why(o *Options, target fhir.Reference, id string, why []surveil.Reason) ([]Resource, error) {
	m := newMaker(o, &surveil.Plan{})
	m.provenance(target, id, nil, why)
	return m.list, m.err
}

// Attempts writes each outreach attempt among the rulings on a patient as a
// Communication, by the id of the ruling. About is the id of a CarePlan; it may be
// empty. One that was taken back is entered in error.
func Attempts(o *Options, p *surveil.Plan, about string, rulings []chart.Ruling) ([]Resource, error) {
	m := newMaker(o, p)
	for i := range rulings {
		if rulings[i].Kind == chart.RuleAttempt {
			m.attempt(about, &rulings[i])
		}
	}
	return m.list, m.err
}

// CarePlanID is the id of the CarePlan of an implant.
func CarePlanID(o *Options, p *surveil.Plan, implant string) string {
	return newMaker(o, p).token("care-plan", implant)
}

// attempt writes one attempt. What the ruling says in words is the one free text.
func (m *maker) attempt(about string, r *chart.Ruling) {
	sent, err := sentOn(r)
	if err != nil {
		m.err = err
		return
	}
	id := m.token("attempt", r.ID)
	status, reason := outcomeOf(r.Outcome)
	c := communication{
		ResourceType: "Communication", ID: id, Identifier: []fhir.Identifier{{System: m.system(AttemptSystem), Value: id}}, Status: status, StatusReason: reason,
		Category: []concept{{Coding: []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/communication-category", Code: "reminder"}}, Text: "Outreach attempt"}},
		Medium:   []concept{mediumOf(r.Channel)}, Subject: m.subject, Sent: sent, Sender: fhir.Reference{Display: fhir.Tidy(r.Who)},
	}
	if r.TakenBack != nil {
		c.Status, c.StatusReason = "entered-in-error", nil
	}
	if about != "" && m.o.wants("CarePlan") {
		c.About = []fhir.Reference{m.o.refer("CarePlan", about)}
	}
	if text := fhir.Tidy(r.Why); text != "" {
		c.Note = []fhir.Annotation{{AuthorString: fhir.Tidy(r.Who), Text: text}}
	}
	m.add(c.ResourceType, id, &c)
}

// sentOn is the day of an attempt where it is given, else the moment of the ruling.
func sentOn(r *chart.Ruling) (string, error) {
	if r.On > 0 {
		return r.On.String(), nil
	}
	at, err := time.Parse(time.RFC3339, r.When)
	if err != nil {
		return "", fault.New(fault.Invalid, "write Communication", "", err)
	}
	return at.UTC().Format("2006-01-02T15:04:05Z"), nil
}

// outcomeOf is the status of an attempt. In R4 completed is an event that has
// concluded and not-done one whose main activity never began: so completed is what
// reached the patient or was left for them, and not-done, with its reason, is what
// did not. Reasons are those of communication-not-done-reason, where one fits.
func outcomeOf(outcome string) (status string, reason *concept) {
	why := func(code, text string) *concept {
		c := concept{Text: text}
		if code != "" {
			c.Coding = []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/communication-not-done-reason", Code: code}}
		}
		return &c
	}
	switch outcome {
	case "no-answer":
		return "not-done", why("recipient-unavailable", "No answer")
	case "wrong-number":
		return "not-done", why("invalid-phone-number", "Wrong number")
	case "returned-mail":
		return "not-done", why("", "Mail was returned")
	case "moved":
		return "not-done", why("recipient-unavailable", "Moved away")
	}
	text := map[string]string{"reached": "Reached", "message-left": "A message was left", "declined": "Reached, and declined"}[outcome]
	if text == "" {
		return "unknown", nil
	}
	return "completed", why("", text)
}

// mediumOf is a channel in the words of v3-ParticipationMode. A message may be a
// text message or one through a portal: only that it was written is known.
func mediumOf(channel string) concept {
	code := map[string]string{"phone": "PHONE", "letter": "MAILWRIT", "email": "EMAILWRIT", "message": "WRITTEN", "visit": "FACE"}[channel]
	c := concept{Text: fhir.Tidy(channel)}
	if code != "" {
		c.Coding = []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode", Code: code}}
	}
	return c
}
