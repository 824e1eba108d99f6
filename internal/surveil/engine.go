package surveil

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// engine holds one evaluation: the facts that exist on the as-of date and
// what has been decided so far. It lives for one call of decide.
type engine struct {
	c    *chart.Chart
	r    *Rules
	asOf day.Day
	// brief leaves out what only explains: see Outline.
	brief bool

	// turns are the days after asOf against which something was compared:
	// only on one of them can time alone change the plan.
	turns []day.Day

	rulings  []chart.Ruling  // in force, oldest first
	findings []chart.Finding // those of the record, with what people confirmed
	stages   []stage         // operations that are one plan
	studies  []*study
	seen     day.Day // last seen
	witness  string  // reference of what showed it
	death    death
	parts    []*part // the patient's parts in studies, by study
	implants []*implant
	asked    []Question
	room     []visit // where the next visits are made, see newVisit
}

// reached says whether a day has come, and remembers it where it has not.
func (e *engine) reached(d day.Day) bool {
	if d <= e.asOf {
		return true
	}
	if !e.brief {
		e.turns = append(e.turns, d)
	}
	return false
}

// passed says whether a day is over.
func (e *engine) passed(d day.Day) bool { return e.reached(d + 1) }

// exists says whether a dated fact has come to exist: a partial date exists
// once its first day has come.
func (e *engine) exists(on day.Span) bool { return on.Known() && e.reached(on.First) }

// findRulings keeps the rulings that are in force, oldest first; on one day
// refusing comes after accepting, so that refusing wins.
func (e *engine) findRulings() {
	for _, r := range e.c.Rulings {
		if r.TakenBack == nil && e.reached(r.From()) {
			e.rulings = append(e.rulings, r)
		}
	}
	slices.SortStableFunc(e.rulings, func(a, b chart.Ruling) int {
		if d := int(a.From() - b.From()); d != 0 {
			return d
		}
		if d := strings.Compare(string(a.Kind), string(b.Kind)); d != 0 {
			return d
		}
		return strings.Compare(a.ID, b.ID)
	})
}

// concerns says whether a ruling is about the implant, or about the whole
// patient at a time when the implant was there.
func (m *implant) concerns(r *chart.Ruling) bool {
	if r.About != "" && !strings.HasPrefix(r.About, "Patient/") {
		return r.About == m.id
	}
	return !m.index.Known() || m.index.First <= r.From()
}

// ask raises a question once; the same question from two sides hides a visit
// if either does.
func (e *engine) ask(q Question) {
	if e.brief {
		return
	}
	q.Key = q.Kind + "|" + q.About
	for i := range e.asked {
		if e.asked[i].Key == q.Key {
			e.asked[i].Hides = e.asked[i].Hides || q.Hides
			return
		}
	}
	e.asked = append(e.asked, q)
}

// answered says whether a person has answered the question.
func (e *engine) answered(q *Question) bool {
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind == chart.RuleAnswer && (r.About == q.Key || r.About == q.About && r.Value == q.Kind) {
			return true
		}
		if r.Kind == chart.RuleConfirm && q.Kind == "finding-text" && r.About == q.About {
			return true
		}
	}
	return false
}

// openQuestions are the questions that stand, by kind, then by what they are
// about.
func (e *engine) openQuestions() []Question {
	var open []Question
	for i := range e.asked {
		if !e.answered(&e.asked[i]) {
			open = append(open, e.asked[i])
		}
	}
	slices.SortFunc(open, func(a, b Question) int {
		if d := strings.Compare(a.Kind, b.Kind); d != 0 {
			return d
		}
		return strings.Compare(a.About, b.About)
	})
	return open
}

// chartQuestions passes on what reading the resources raised.
func (e *engine) chartQuestions() {
	for _, d := range e.c.Doubts {
		if d.On.Known() && !e.reached(d.On.First) {
			continue
		}
		e.ask(Question{Kind: d.Kind, About: d.About, Since: d.On.First, Hides: d.Kind == "unreadable" || d.Kind == "identity",
			Why: Reason{Rule: "asked-on-reading", Facts: []string{d.About}, Word: d.Text}})
	}
}
