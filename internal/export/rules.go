package export

import (
	"strconv"

	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// triggerAction is a trigger: what must be known, and what is then proposed.
func triggerAction(p *protocol.Protocol, at int) action {
	t := &p.Triggers[at]
	a := action{ID: actionID("trigger-" + t.ID), Title: "Rule " + t.ID, TextEquivalent: triggerText(t), Documentation: source(&t.Cite),
		Condition: append(classesApply(t.Classes), applies(conditionText(&t.When), conditionShort(&t.When))...)}
	if t.Then.Review != nil {
		a.Action = append(a.Action, reviewAction(t.Then.Review, a.ID))
	}
	if t.Then.Visit != nil {
		a.Action = append(a.Action, addedAction(p, at, a.ID))
	}
	if t.Then.Series != nil {
		a.Action = append(a.Action, addedSeriesAction(p, at, a.ID))
	}
	if len(a.Action) > 0 {
		a.GroupingBehavior = "logical-group"
	}
	return a
}

// triggerText is a trigger for people, but for its actions.
func triggerText(t *protocol.Trigger) string {
	text := "When " + conditionText(&t.When) + "."
	if t.Then.Withhold > 0 {
		text += " While the review is open routine imaging is not proposed, for " + days(t.Then.Withhold) + " at most."
	}
	if t.Then.Confirm {
		text += " The visit only confirms a measurement."
	}
	if t.Then.Note != "" {
		text += " " + t.Then.Note
	}
	return fhir.Tidy(text)
}

// reviewAction is the review that a trigger, the action of an id, asks for.
func reviewAction(r *protocol.Review, trigger string) action {
	title := "A person looks at it within " + days(r.Within)
	if r.Within == 0 {
		title = "A person looks at it the same day"
	}
	return action{ID: actionID(trigger + "-review"), Title: title, Priority: r.Urgency,
		Code:          []concept{{Coding: []fhir.Coding{{System: fhir.CodesOfWork, Code: surveil.WorkReview}}, Text: "Review a finding"}},
		RelatedAction: []relatedAction{{trigger, "after-start", amount(inDays(r.Within))}}}
}

// addedAction is the visit that a trigger adds.
func addedAction(p *protocol.Protocol, at int, trigger string) action {
	v := p.Triggers[at].Then.Visit
	one := triggered(p, at)
	a := one.action(p, trigger)
	a.ID, a.Documentation = actionID(trigger+"-visit"), nil // the rule has it
	a.TextEquivalent = fhir.Tidy("Due " + offsetText(v.At) + " after the finding or event, from day " + strconv.Itoa(v.Open) + " to day " + strconv.Itoa(v.Close) + " after it. Satisfied by: " + waysText(v.Ways) + ".")
	a.Extension = schedule([]lapse{{"offset", v.At}, {"opens", inDays(v.Open)}, {"closes", inDays(v.Close)}})
	return a
}

// addedSeriesAction is the row of visits that a trigger adds. Like those of a
// repeated step its durations are counted from the event.
func addedSeriesAction(p *protocol.Protocol, at int, trigger string) action {
	r := p.Triggers[at].Then.Series
	every, until := day.Offset{Months: r.Every}, day.Offset{Months: r.Until}
	one := triggered(p, at)
	a := one.action(p, trigger)
	a.ID, a.Documentation = actionID(trigger+"-series"), nil // the rule has it
	a.TextEquivalent = addedSeriesText(&one, r)
	a.Extension = schedule([]lapse{{"offset", every}, {"before", inDays(r.Before)}, {"after", inDays(r.After)}, {"every", every}, {"until", until}})
	if r.Until > r.Every {
		unit := amount(every)
		a.TimingTiming = &timing{repeat{BoundsDuration: amount(day.Offset{Months: r.Until - r.Every}), Period: unit.Value, PeriodUnit: unit.Code}}
	}
	return a
}

// addedSeriesText says when the visits are due, what does them, and whether they
// come in place of the calendar's.
func addedSeriesText(s *step, r *protocol.AddedSeries) string {
	text := s.text("", r.Before, r.After)
	if r.Until > r.Every {
		text += " Then every " + offsetText(s.at) + ", until " + offsetText(day.Offset{Months: r.Until}) + " after the event."
	}
	text += " While these visits run the rule adds no more."
	if r.Instead {
		text += " They come instead of the visits that the protocol has from the event to the last of them; those are not owed."
	}
	return fhir.Tidy(text)
}
