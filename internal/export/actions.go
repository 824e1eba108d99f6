package export

import (
	"cmp"

	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
)

// actions are a protocol's visits and triggers as actions of a PlanDefinition.
// Those that visits are counted from come first.
func actions(p *protocol.Protocol) []action {
	list := []action{{ID: indexAction, Title: "Operation", TextEquivalent: "The operation that placed the implant, or the re-intervention that started its schedule again. It is not proposed; visits are counted from it."}}
	for i := range p.Series {
		if p.Series[i].Rolling {
			list = append(list, action{ID: imagingAction, Title: "Last imaging", TextEquivalent: "The last imaging that satisfied a visit. Visits of some series are counted from it."})
			break
		}
	}
	for i := range p.Series {
		list = append(list, seriesAction(p, i))
	}
	for i := range p.Triggers {
		list = append(list, triggerAction(p, i))
	}
	return list
}

// seriesAction groups the visits of a series.
func seriesAction(p *protocol.Protocol, at int) action {
	s := &p.Series[at]
	group := action{ID: actionID("series-" + seriesKey(p, at)), Title: "Series " + s.ID, GroupingBehavior: "logical-group", Condition: classesApply(s.Classes)}
	if !s.Ladder {
		group.TextEquivalent = "A missed visit of this series does not make the patient overdue."
	}
	anchor := indexAction
	if s.Rolling {
		anchor = imagingAction
	}
	for i := range s.Steps {
		group.Action = append(group.Action, stepAction(p, at, i, anchor))
	}
	if s.Repeat != nil {
		group.Action = append(group.Action, repeatAction(p, at, anchor))
	}
	return group
}

// stepAction is one fixed visit.
func stepAction(p *protocol.Protocol, series, at int, anchor string) action {
	st := &p.Series[series].Steps[at]
	one := fixed(p, series, at)
	a := one.action(p, anchor)
	a.TextEquivalent = one.text(anchor, st.Before, st.After)
	a.Extension = schedule([]lapse{{"offset", st.At}, {"before", inDays(st.Before)}, {"after", inDays(st.After)}})
	if st.OnlyIf != nil {
		words := "only if the first scan shows: " + conditionText(st.OnlyIf)
		a.Condition = applies(words, conditionShort(st.OnlyIf))
		a.TextEquivalent = fhir.Tidy(a.TextEquivalent + " " + capital(words) + ".")
	}
	return a
}

// repeatAction is the repeated visit of a series.
func repeatAction(p *protocol.Protocol, series int, anchor string) action {
	r := p.Series[series].Repeat
	one := repeated(p, series)
	a := one.action(p, anchor)
	until := "for life"
	list := []lapse{{"offset", r.From}, {"before", inDays(r.Before)}, {"after", inDays(r.After)}, {"every", r.Every}}
	if !r.Until.Zero() {
		until = "until " + offsetText(r.Until)
		list = append(list, lapse{"until", r.Until})
	}
	a.Extension = schedule(list)
	a.TextEquivalent = fhir.Tidy(one.text(anchor, r.Before, r.After) + " Then every " + offsetText(r.Every) + ", " + until + ".")
	if every := amount(r.Every); every != nil {
		t := timing{repeat{Period: every.Value, PeriodUnit: every.Code}}
		if !r.Until.Zero() {
			t.Repeat.BoundsDuration = amount(day.Offset{Months: r.Until.Months - r.From.Months, Days: r.Until.Days - r.From.Days})
		}
		a.TimingTiming = &t
	}
	return a
}

// action is what all visits have in common.
func (s *step) action(p *protocol.Protocol, anchor string) action {
	return action{ID: actionID(s.id()), Title: fhir.Tidy(s.title), Documentation: source(&s.cite), DefinitionCanonical: s.canonical(p),
		RelatedAction: []relatedAction{{ActionID: anchor, Relationship: "after-start", OffsetDuration: amount(s.at)}}}
}

// text says when a visit is due and what does it.
func (s *step) text(anchor string, before, after int) string {
	from := map[string]string{indexAction: "the operation", imagingAction: "the last imaging"}[anchor]
	return fhir.Tidy("Due " + offsetText(s.at) + " after " + cmp.Or(from, "the event") + ", from " + days(before) + " before to " + days(after) + " after that. Satisfied by: " + waysText(s.ways) + ".")
}

// actionID makes the id of an action short enough for others to name it.
func actionID(id string) string {
	if fhir.WellFormed("PlanDefinition/" + id) {
		return id
	}
	return fhir.Token("action", id)
}

// lapse is one duration of a schedule.
type lapse struct {
	name string
	is   day.Offset
}

func inDays(n int) day.Offset { return day.Offset{Days: n} }

// schedule writes durations exactly, where R4 has no element for them.
func schedule(list []lapse) []extension {
	e := extension{URL: ScheduleURL}
	for _, t := range list {
		e.Extension = append(e.Extension, extension{URL: t.name, ValueString: t.is.String()})
	}
	return []extension{e}
}
