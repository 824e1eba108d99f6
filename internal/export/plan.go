package export

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"perennial/internal/fhir"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// maker writes one patient's plan.
type maker struct {
	written
	o       *Options
	p       *surveil.Plan
	subject fhir.Reference
	day     string // as-of date
}

// Plan writes a patient's plan: for each implant a CarePlan with its
// ServiceRequests, then the Flag, each followed by its Provenance. A patient
// without an implant gives nothing. The error is of kind Invalid.
func Plan(o *Options, p *surveil.Plan) ([]Resource, error) {
	m := newMaker(o, p)
	for i := range p.Implants {
		m.implant(&p.Implants[i])
	}
	m.flag()
	return m.list, m.err
}

func newMaker(o *Options, p *surveil.Plan) *maker {
	return &maker{written: written{listed: o.Listed, only: o.Only}, o: o, p: p, subject: fhir.PointToPatient(p.Patient, p.Identifiers), day: p.AsOf.String()}
}

// token is the id of what is about this patient.
func (m *maker) token(what, key string) string {
	return fhir.Token(m.o.Site, what+"|"+m.p.Patient+"|"+key)
}

// system is a system of this site.
func (m *maker) system(base string) string { return base + ":" + m.o.Site }

func (m *maker) note(text string) fhir.Annotation {
	if m.o.Emitted {
		return fhir.Annotation{AuthorString: fhir.AuthorName, Text: m.said(text)}
	}
	return fhir.Annotation{AuthorString: fhir.AuthorName, Time: m.day, Text: m.said(text)}
}

// said is a text, without counts of days where these would be wrong tomorrow; the
// dates beside them stay.
func (m *maker) said(text string) string {
	if m.o.Served || m.o.Emitted {
		text = dayCount.ReplaceAllString(text, "")
	}
	return fhir.Tidy(text)
}

var dayCount = regexp.MustCompile(`, \d+ days? ago`)

// implant writes the schedule of an implant, and the visits that are owed or come
// next.
func (m *maker) implant(im *surveil.Implant) {
	id := m.token("care-plan", im.ID)
	c := carePlan{
		ResourceType: "CarePlan", ID: id, Identifier: []fhir.Identifier{{System: m.system(CarePlanSystem), Value: id}},
		InstantiatesCanonical: m.protocols(im), Status: status(m.p, im), Intent: fhir.Intent,
		Category: []concept{{Text: "Imaging surveillance"}}, Title: fhir.Tidy(title(im)), Description: m.describe(im),
		Subject: m.subject, Period: period(m.p, im), Created: m.day, Author: author(), SupportingInfo: supporting(im), Note: m.planNotes(im),
	}
	var asked []*surveil.Visit
	for i := range im.Visits {
		if v := &im.Visits[i]; owed(v) && c.Status == "draft" && m.o.wants("ServiceRequest") {
			asked = append(asked, v)
			c.Activity = append(c.Activity, activity{m.o.refer("ServiceRequest", m.token("visit", v.Key()))})
		}
	}
	m.add("CarePlan", id, &c)
	m.provenance(m.o.refer("CarePlan", id), id, c.InstantiatesCanonical, im.Why)
	for _, v := range asked {
		m.visit(id, im, v)
	}
}

// owed says whether a visit is still asked for.
func owed(v *surveil.Visit) bool {
	return slices.Contains([]surveil.Standing{surveil.Overdue, surveil.Booked, surveil.Open, surveil.Upcoming}, v.Standing)
}

// protocols are the protocols by which an implant and its visits are judged.
func (m *maker) protocols(im *surveil.Implant) (list []string) {
	put := func(ref string) {
		id, version, ok := strings.Cut(ref, "@")
		if c := canonical(ProtocolURL+id, version); ok && !slices.Contains(list, c) {
			list = append(list, c)
		}
	}
	put(im.Protocol)
	for i := range im.Visits {
		put(im.Visits[i].Protocol)
	}
	return list
}

// ended says when and why surveillance of an implant ended, if it did.
func ended(p *surveil.Plan, im *surveil.Implant) (surveil.End, string) {
	if im.Ended != "" {
		return im.Ended, im.EndedOn.String()
	}
	return p.Ended, p.EndedOn.String()
}

// status is draft while surveillance goes on.
func status(p *surveil.Plan, im *surveil.Implant) string {
	switch end, _ := ended(p, im); end {
	case "":
		return "draft"
	case surveil.EndCompleted:
		return "completed"
	}
	return "revoked"
}

// title names an implant.
func title(im *surveil.Implant) string {
	text := "Imaging surveillance: " + notice.ClassName(im.Class)
	if im.Class == "" {
		text = "Imaging surveillance: implant of a class that is not known"
	}
	if im.Side != "" {
		text += ", " + im.Side
	}
	return text
}

// describe says where surveillance stands.
func (m *maker) describe(im *surveil.Implant) string {
	p := m.p
	text := "As of " + p.AsOf.Text() + "."
	switch {
	case m.o.Emitted:
		text = "Imaging surveillance by perennial."
	case m.o.Served:
		text = "Unchanged since " + p.AsOf.Text() + "."
	}
	if im.Index.Known() {
		text += " Implanted " + im.Index.Text() + "."
	}
	if im.Clock.Known() {
		text += " A re-intervention on " + im.Clock.Text() + " started the schedule again."
	}
	switch end, _ := ended(p, im); {
	case end != "":
		text += " Surveillance ended: " + notice.ReasonText(string(end)) + "."
	case p.Surveillance == surveil.StatePaused && p.PausedUntil > 0:
		text += " Surveillance is paused until " + p.PausedUntil.Text() + "."
	case p.Surveillance == surveil.StatePaused:
		text += " Surveillance is paused until further notice."
	case p.Surveillance == surveil.StateUnresolved:
		text += " A person must say whether and how this patient is to be followed."
	}
	return fhir.Tidy(text)
}

// period is from the operation to the end of surveillance; nil where neither is
// known.
func period(p *surveil.Plan, im *surveil.Implant) *fhir.Period {
	out := fhir.Period{Start: partial(im.Index)}
	if _, on := ended(p, im); on >= im.Index.Last.String() {
		out.End = on
	}
	if out == (fhir.Period{}) {
		return nil
	}
	return &out
}

// supporting is what the plan rests on: the operation, the devices, and the
// imaging that satisfied a visit.
func supporting(im *surveil.Implant) (list []fhir.Reference) {
	put := func(ref, display string) {
		r := fhir.PointTo(ref)
		at := slices.IndexFunc(list, func(have fhir.Reference) bool { return same(have, r) })
		switch {
		case r.IsZero():
		case at < 0:
			r.Display = fhir.Tidy(display)
			list = append(list, r)
		default: // one study does several visits
			list[at].Display = fhir.Tidy(list[at].Display + "; " + display)
		}
	}
	put(im.ID, "Operation")
	for i := range im.Devices {
		put(im.Devices[i].Ref, "Device")
	}
	for i := range im.Visits {
		if v := &im.Visits[i]; v.Standing == surveil.Done {
			put(v.Study, fmt.Sprintf("Visit %s, done %s on %s", v.Step, strings.ReplaceAll(v.Timing, "-", " "), v.StudyDate.Text()))
		}
	}
	return list
}

// same says whether two references name the same thing.
func same(a, b fhir.Reference) bool {
	return a.Reference == b.Reference && (a.Identifier == nil) == (b.Identifier == nil) && (a.Identifier == nil || a.Identifier.Key() == b.Identifier.Key())
}

// planNotes are what people should read: what this is, the protocol, the visits
// that are not among the activities, and the questions.
func (m *maker) planNotes(im *surveil.Implant) []fhir.Annotation {
	list := []fhir.Annotation{m.note(proposalText)}
	if im.Draft {
		list = append(list, m.note(draftText))
	}
	text := "No protocol names this class of implant."
	if im.Protocol != "" {
		text = "Followed by " + im.Protocol + ", chosen: " + im.Chosen + "."
	}
	list = append(list, m.note(text))
	for i := range im.Visits {
		v := &im.Visits[i]
		switch v.Standing {
		case surveil.Missed, surveil.Excused, surveil.Undecided:
			list = append(list, m.note(fmt.Sprintf("Visit %s, due %s: %s. %s", v.Step, v.Target.Text(), v.Standing, reasonsText(v.Why[min(1, len(v.Why)):]))))
		}
	}
	for i := range m.p.Questions {
		q := &m.p.Questions[i]
		if q.Visit == "" || slices.ContainsFunc(im.Visits, func(v surveil.Visit) bool { return v.Key() == q.Visit }) {
			list = append(list, m.note("Question for a person: "+q.Why.Text()))
		}
	}
	for i := range m.p.Notes {
		list = append(list, m.note(m.p.Notes[i].Text()))
	}
	return slices.Clip(list)
}

// reasonsText joins reasons to one text.
func reasonsText(why []surveil.Reason) string {
	var parts []string
	for i := range why {
		parts = append(parts, why[i].Text())
	}
	return strings.Join(parts, " ")
}

// flag marks a patient who is presumed lost or lost to follow-up.
func (m *maker) flag() {
	text := map[surveil.Rung]string{surveil.RungPresumedLost: "Presumed lost to follow-up", surveil.RungLost: "Lost to follow-up"}[m.p.FollowUp]
	if text == "" {
		return
	}
	id := m.token("flag", "follow-up")
	f := flag{
		ResourceType: "Flag", ID: id, Identifier: []fhir.Identifier{{System: m.system(FlagSystem), Value: id}}, Status: "active",
		Code:    concept{Coding: []fhir.Coding{{System: fhir.CodesOfBusinessState, Code: string(m.p.FollowUp)}}, Text: text},
		Subject: m.subject, Author: author(),
	}
	if m.p.RungSince > 0 {
		f.Period = &fhir.Period{Start: m.p.RungSince.String()}
	}
	m.add("Flag", id, &f)
	var why []surveil.Reason
	for i := range m.p.Work {
		if m.p.Work[i].Kind == surveil.WorkTrace {
			why = m.p.Work[i].Why
		}
	}
	m.provenance(m.o.refer("Flag", id), id, nil, why)
}
