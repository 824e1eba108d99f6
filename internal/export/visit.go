package export

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/fhir"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// visit writes a visit that is owed or comes next, as a ServiceRequest with its
// Provenance.
func (m *maker) visit(plan string, im *surveil.Implant, v *surveil.Visit) {
	id := m.token("visit", v.Key())
	p := m.o.with(v.Protocol)
	s := stepOf(p, im.Class, v)
	r := serviceRequest{
		ResourceType: "ServiceRequest", ID: id, Identifier: []fhir.Identifier{{System: m.system(VisitSystem), Value: id}},
		Status: "draft", Intent: fhir.Intent, Priority: m.urgency(v),
		Code: wanted(s.ways, v.Needs), Subject: m.subject, OccurrencePeriod: fhir.Period{Start: v.Opens.First.String(), End: v.Closes.Last.String()},
		AuthoredOn: m.day, Requester: author(), ReasonCode: m.reasonCodes(v.Why), BodySite: bodySites(v.Needs), Note: m.visitNotes(p, &s, v),
	}
	if m.o.wants("CarePlan") {
		r.BasedOn = []fhir.Reference{m.o.refer("CarePlan", plan)}
	}
	r.SupportingInfo = []fhir.Reference{fhir.PointTo(im.ID)}
	if v.Booking != nil && fhir.WellFormed(v.Booking.Appointment) {
		r.SupportingInfo = append(r.SupportingInfo, fhir.Reference{Reference: v.Booking.Appointment})
	}
	if s.key != "" {
		r.InstantiatesCanonical = []string{s.canonical(p)}
	}
	m.add(r.ResourceType, id, &r)
	m.provenance(m.o.refer(r.ResourceType, id), id, r.InstantiatesCanonical, v.Why)
}

// stepOf finds the step that a visit is of. Where the protocol is not known, or
// has no such step, it is made from what the visit says.
func stepOf(p *protocol.Protocol, class string, v *surveil.Visit) step {
	bare := step{cite: protocol.Cite{Text: v.Cite, Evidence: v.Evidence}}
	if len(v.Kinds) > 0 {
		bare.ways = []protocol.Way{{Kinds: v.Kinds}}
	}
	if p == nil {
		return bare
	}
	if at := slices.IndexFunc(p.Triggers, func(t protocol.Trigger) bool { return v.Added && adds(&t) && addedBy(v, t.ID) }); at >= 0 {
		return triggered(p, at)
	}
	for i := range p.Series {
		s := &p.Series[i]
		if s.ID != v.Series || !s.For(class) {
			continue
		}
		if at := slices.IndexFunc(s.Steps, func(st protocol.Step) bool { return st.ID == v.Step }); at >= 0 {
			return fixed(p, i, at)
		}
		if s.Repeat != nil && strings.HasPrefix(v.Step, s.Prefix) {
			return repeated(p, i)
		}
	}
	return bare
}

// addedBy says whether a rule made a visit.
func addedBy(v *surveil.Visit, rule string) bool {
	return slices.ContainsFunc(v.Why, func(r surveil.Reason) bool { return r.Rule == "trigger-visit" && r.Word == rule })
}

// urgency is that of the work which the visit makes; empty where it makes none
// yet.
func (m *maker) urgency(v *surveil.Visit) string {
	for i := range m.p.Work {
		w := &m.p.Work[i]
		if w.Visit == v.Key() && (w.Kind == surveil.WorkArrange || w.Kind == surveil.WorkChase) {
			return w.Urgency
		}
	}
	return ""
}

// visitNotes are what people should read beside a visit.
func (m *maker) visitNotes(p *protocol.Protocol, s *step, v *surveil.Visit) []fhir.Annotation {
	list := []fhir.Annotation{m.note(proposalText), m.note(reasonsText(v.Why))}
	if text := sourceText(&s.cite); text != "" {
		list = append(list, m.note(text))
	}
	if len(s.ways) > 0 {
		list = append(list, m.note("Satisfied by: "+waysText(s.ways)+"."))
	}
	if !v.Target.Exact() {
		list = append(list, m.note("The date of the operation is not known to the day: the window is the widest that it may be."))
	}
	if b := v.Booking; b != nil && !b.InWindow {
		list = append(list, m.note("Booked for "+b.Date.Text()+", outside the window."))
	}
	if p == nil || publication(p) == "draft" {
		list = append(list, m.note(draftText))
	}
	return list
}

// reasonCodes are reasons as concepts: the rule, and its text.
func (m *maker) reasonCodes(why []surveil.Reason) (list []concept) {
	for i := range why {
		list = append(list, concept{Coding: []fhir.Coding{{System: fhir.CodesOfReason, Code: why[i].Rule}}, Text: m.said(why[i].Text())})
	}
	return list
}

// provenance says why a resource is there: the rules that led to it, the
// definitions that they are of, and the facts that they used.
func (m *maker) provenance(target fhir.Reference, id string, policy []string, why []surveil.Reason) {
	if typ := cmp.Or(target.Type, target.Parse().Type); !m.o.wants(typ) {
		return
	}
	out := provenance{
		ResourceType: "Provenance", ID: fhir.Token(m.o.Site, "provenance|"+id), Target: []fhir.Reference{target},
		Recorded: m.o.At.UTC().Format("2006-01-02T15:04:05Z"), Policy: policy, Reason: m.reasonCodes(why),
		Activity: concept{Coding: []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/v3-DataOperation", Code: "CREATE"}}},
		Agent:    []agent{{Type: concept{Coding: []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/provenance-participant-type", Code: "assembler"}}}, Who: m.o.agent()}},
	}
	for i := range why {
		for _, fact := range why[i].Facts {
			what := fhir.PointTo(fact)
			if !what.IsZero() && !slices.ContainsFunc(out.Entity, func(e entity) bool { return same(e.What, what) }) {
				out.Entity = append(out.Entity, entity{"source", what})
			}
		}
	}
	m.add(out.ResourceType, out.ID, &out)
}
