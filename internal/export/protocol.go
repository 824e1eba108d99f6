package export

import (
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/notice"
	"perennial/internal/protocol"
)

// Ids of the actions that others count from.
const (
	indexAction   = "index"
	imagingAction = "last-imaging"
)

// Protocol writes a protocol as a PlanDefinition, followed by an
// ActivityDefinition for each kind of visit. The error is of kind Invalid: a text
// of the protocol does not fit.
func Protocol(p *protocol.Protocol) ([]Resource, error) {
	var w written
	id := definitionID(p, "")
	w.add("PlanDefinition", id, &definition{
		ResourceType: "PlanDefinition", ID: id, URL: ProtocolURL + p.ID, Version: p.Version, Name: machineName(p.ID), Title: fhir.Tidy(p.Title),
		Identifier: []fhir.Identifier{{System: ContentSystem, Value: p.Hash}},
		Type:       &concept{Coding: []fhir.Coding{{System: "http://terminology.hl7.org/CodeSystem/plan-definition-type", Code: "clinical-protocol"}}},
		Status:     publication(p), Description: about(p), Usage: proposalText, RelatedArtifact: source(&p.Cite), Action: actions(p),
	})
	for _, s := range stepsOf(p) {
		w.activity(p, &s)
	}
	return w.list, w.err
}

// publication is a protocol's status as R4 has it. A status that is not known is
// a draft.
func publication(p *protocol.Protocol) string {
	switch p.Status {
	case "reviewed":
		return "active"
	case "retired":
		return "retired"
	}
	return "draft"
}

// about describes a protocol, with a caution where it is a draft.
func about(p *protocol.Protocol) string {
	text := "Imaging surveillance after " + strings.Join(classNames(p.Classes), ", ") + ". Windows: " + p.Windows + "."
	for _, c := range p.Covers {
		text += " Imaging must show " + territoryText(c.Needs)
		if c.Class != "" {
			text += " for " + notice.ClassName(c.Class)
		}
		if c.If != "" {
			text += " with " + c.If
		}
		text += "."
	}
	if !p.Late {
		text += " Imaging after the window does not satisfy a visit."
	}
	if p.KeepClock {
		text += " A re-intervention does not start the schedule again."
	}
	if publication(p) == "draft" {
		text = draftText + " " + text
	}
	return fhir.Tidy(text)
}

func classNames(classes []string) (names []string) {
	for _, c := range classes {
		names = append(names, notice.ClassName(c))
	}
	return names
}

// definitionID is the id of a definition. A version may hold signs that an id may
// not, and be long: then a token stands for both.
func definitionID(p *protocol.Protocol, part string) string {
	id := p.ID + "-" + p.Version
	if part != "" {
		id = p.ID + "-" + part + "-" + p.Version
	}
	if fhir.WellFormed("PlanDefinition/" + id) {
		return id
	}
	return fhir.Token("protocol", p.Ref()+"/"+part)
}

// machineName is a name as programs want it: SvsAaa2018.
func machineName(id string) string {
	var b strings.Builder
	for part := range strings.SplitSeq(id, "-") {
		b.WriteString(capital(part))
	}
	if name := b.String(); name != "" && name[0] >= 'A' && name[0] <= 'Z' {
		return name
	}
	return "P" + b.String()
}

// step is a visit of a protocol: a fixed one, a repeated one, or what a trigger
// adds.
type step struct {
	key   string // series/step, series/every-interval, trigger/id; part of url and ids
	title string
	at    day.Offset
	ways  []protocol.Way
	needs chart.Territory // zero: it depends on the implant
	cite  protocol.Cite
	also  *protocol.Also
}

func (s *step) id() string { return strings.ReplaceAll(s.key, "/", "-") }

// canonical names the ActivityDefinition of a step.
func (s *step) canonical(p *protocol.Protocol) string {
	return canonical(ActivityURL+p.ID+":"+strings.ReplaceAll(s.key, "/", ":"), p.Version)
}

// stepsOf are all steps of a protocol, in its order.
func stepsOf(p *protocol.Protocol) (list []step) {
	for i := range p.Series {
		for j := range p.Series[i].Steps {
			list = append(list, fixed(p, i, j))
		}
		if p.Series[i].Repeat != nil {
			list = append(list, repeated(p, i))
		}
	}
	for i := range p.Triggers {
		if adds(&p.Triggers[i]) {
			list = append(list, triggered(p, i))
		}
	}
	return list
}

// seriesKey names a series. Those for other classes may share an id: then the
// second is called id-2.
func seriesKey(p *protocol.Protocol, at int) string {
	n := 1
	for i := range at {
		if p.Series[i].ID == p.Series[at].ID {
			n++
		}
	}
	if n == 1 {
		return p.Series[at].ID
	}
	return p.Series[at].ID + "-" + strconv.Itoa(n)
}

// fixed is a step of a series, by their places.
func fixed(p *protocol.Protocol, series, at int) step {
	st := &p.Series[series].Steps[at]
	return step{seriesKey(p, series) + "/" + st.ID, "Visit " + st.ID, st.At, st.Ways, needed(p, p.Series[series].Classes, st.Needs), st.Cite, st.Also}
}

// repeated is the repeated step of a series, by its place.
func repeated(p *protocol.Protocol, series int) step {
	s := &p.Series[series]
	r := s.Repeat
	return step{seriesKey(p, series) + "/every-" + r.Every.String(), "Visits " + s.Prefix + ", every " + offsetText(r.Every), r.From, r.Ways, needed(p, s.Classes, r.Needs), r.Cite, nil}
}

// adds says whether a trigger adds visits.
func adds(t *protocol.Trigger) bool { return t.Then.Visit != nil || t.Then.Series != nil }

// triggered is the visit or the row of visits that a trigger adds, by the
// trigger's place.
func triggered(p *protocol.Protocol, at int) step {
	t := &p.Triggers[at]
	if v := t.Then.Visit; v != nil {
		return step{"trigger/" + t.ID, "Visit added by the rule " + t.ID, v.At, v.Ways, needed(p, t.Classes, v.Needs), t.Cite, nil}
	}
	r := t.Then.Series
	every := day.Offset{Months: r.Every}
	return step{"trigger/" + t.ID, "Visits added by the rule " + t.ID + ", every " + offsetText(every), every, r.Ways, needed(p, t.Classes, r.Needs), t.Cite, nil}
}

// needed is what a step must show: what it says itself, else what all implants
// need that it is for; zero where that is not the same for all.
func needed(p *protocol.Protocol, classes []string, own chart.Territory) chart.Territory {
	if own != 0 {
		return own
	}
	if len(classes) == 0 {
		classes = p.Classes
	}
	need := p.Need(classes[0], everyCondition)
	for _, class := range classes {
		for _, has := range []func(string) bool{everyCondition, noCondition} {
			if p.Need(class, has) != need {
				return 0
			}
		}
	}
	return need
}

func everyCondition(string) bool { return true }
func noCondition(string) bool    { return false }

// activity writes the ActivityDefinition of a step.
func (w *written) activity(p *protocol.Protocol, s *step) {
	url, _, _ := strings.Cut(s.canonical(p), "|")
	code := wanted(s.ways, s.needs)
	text := "Satisfied by: " + waysText(s.ways) + "."
	if s.needs == 0 {
		text += " What must be shown depends on the implant."
	}
	if a := s.also; a != nil {
		text += " The source asks for " + kindsText(a.Kinds) + " within " + days(a.Within) + " beside it; without it the visit is done all the same."
	}
	if publication(p) == "draft" {
		text = draftText + " " + text
	}
	id := definitionID(p, s.id())
	w.add("ActivityDefinition", id, &definition{
		ResourceType: "ActivityDefinition", ID: id, URL: url, Version: p.Version, Name: machineName(p.ID + "-" + s.id()),
		Title: fhir.Tidy(s.title), Status: publication(p), Description: fhir.Tidy(text), Usage: proposalText, RelatedArtifact: source(&s.cite),
		Kind: "ServiceRequest", Code: &code, Intent: fhir.Intent, BodySite: bodySites(s.needs),
	})
}

// amount is a duration as R4 wants it: one number with a UCUM unit. Months and
// days together have none.
func amount(o day.Offset) *fhir.Quantity {
	q := &fhir.Quantity{System: "http://unitsofmeasure.org"}
	switch {
	case o.Months != 0 && o.Days != 0:
		return nil
	case o.Months != 0:
		q.Value, q.Unit, q.Code = number(o.Months), "months", "mo"
	default:
		q.Value, q.Unit, q.Code = number(o.Days), "days", "d"
	}
	return q
}

func number(n int) fhir.Decimal { return fhir.Decimal(strconv.Itoa(n)) }
