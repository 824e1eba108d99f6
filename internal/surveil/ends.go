package surveil

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// death is what the engine makes of what is recorded.
type death struct {
	on       day.Day // zero: alive, as far as is known
	dateless bool    // dead, and no more is known
	doubtful bool    // a later sign of life contradicts it
	facts    []string
}

// ending is when and why the schedule of an implant ended.
type ending struct {
	on     day.Day
	why    End
	facts  []string
	excuse string // of the visits that it excuses, where that is another word
}

// findLastSeen finds the latest day on which anything shows that the patient
// was alive; of a partial date its first day.
func (e *engine) findLastSeen() {
	see := func(on day.Span, ref string) {
		if on.Known() && on.First > e.seen && e.reached(on.First) {
			e.seen, e.witness = on.First, ref
		}
	}
	for i := range e.c.Contacts {
		see(e.c.Contacts[i].On, e.c.Contacts[i].Ref)
	}
	for i := range e.c.Operations {
		see(e.c.Operations[i].On, e.c.Operations[i].Ref)
	}
	for _, s := range e.studies {
		see(s.On, s.Ref)
	}
	for i := range e.c.Findings {
		see(e.c.Findings[i].On, e.c.Findings[i].Ref)
	}
	for i := range e.c.Labs {
		see(e.c.Labs[i].On, e.c.Labs[i].Ref)
	}
	for i := range e.c.Attempts {
		see(e.c.Attempts[i].Answered, e.c.Attempts[i].Ref)
	}
	for i := range e.c.Bookings {
		if b := &e.c.Bookings[i]; b.State == chart.BookingKept {
			see(day.On(b.On), b.Ref)
		}
	}
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleAttempt && r.Outcome == "reached" {
			see(day.On(r.From()), r.ID)
		}
	}
}

// findDeath decides whether and when the patient died. A person's word comes
// before the record's.
func (e *engine) findDeath() {
	d, about := e.c.Dead, "Patient/"+e.c.Patient
	if d.Source.Ref != "" {
		about = d.Source.Ref
	}
	e.death.facts = []string{about}
	for i := len(e.rulings) - 1; i >= 0; i-- {
		r := &e.rulings[i]
		if r.Kind == chart.RuleAlive {
			return
		}
		if on, err := day.ParseDate(r.Value); r.Kind == chart.RuleDied && err == nil {
			d = chart.Death{Known: true, On: on}
			e.death.facts = []string{r.ID}
			break
		}
	}
	if !d.Known || d.On.Known() && !e.reached(d.On.First) {
		return
	}
	ask := func(rule string) {
		e.ask(Question{Kind: "death-date", About: about, Since: d.On.First, Why: Reason{Rule: rule, Facts: e.death.facts, From: d.On}})
	}
	switch {
	case d.On.Known() && e.aliveAfter(d.On.Last.Plus(e.r.Settings.DeathDays)):
		e.death.doubtful = true
		ask("alive-after-death")
	case d.On.Exact():
		e.death.on = d.On.First
	default:
		e.death.on, e.death.dateless = max(d.On.First, e.seen), !d.On.Known()
		if e.seen > d.On.First {
			e.death.facts = append(e.death.facts, e.witness)
		}
		ask("death-without-day")
	}
}

// aliveAfter says whether an encounter, operation or study lies after a day.
func (e *engine) aliveAfter(d day.Day) bool {
	after := func(on day.Span) bool { return on.First > d && e.reached(on.First) }
	for i := range e.c.Contacts {
		if c := &e.c.Contacts[i]; c.What == "encounter" && after(c.On) {
			return true
		}
	}
	for i := range e.c.Operations {
		if after(e.c.Operations[i].On) {
			return true
		}
	}
	return slices.ContainsFunc(e.studies, func(s *study) bool { return after(s.On) })
}

// deathOn is the day of death as an implant's schedule sees it: where no more
// than "deceased" is known and the patient was never seen, the index day.
func (e *engine) deathOn(m *implant) day.Day {
	if e.death.dateless && e.death.on == 0 {
		return m.index.First
	}
	return e.death.on
}

// findEnd finds the earliest end of an implant. On one day the order is died,
// stopped, explanted, transferred, completed.
func (e *engine) findEnd(m *implant) {
	var all []ending
	if on := e.deathOn(m); on > 0 {
		all = append(all, ending{on: on, why: EndDied, facts: e.death.facts})
	}
	all = append(all, e.ruledEnds(m, chart.RuleStop, EndStopped)...)
	all = append(all, e.ruledEnds(m, chart.RuleWithdraw, EndStopped)...)
	if m.explanted != nil {
		all = append(all, ending{on: m.explanted.On.Last, why: EndExplanted, facts: []string{m.explanted.Ref}})
	}
	all = append(all, e.ruledEnds(m, chart.RuleTransfer, EndTransferred)...)
	if on := m.completedOn(); on > 0 && e.reached(on) {
		all = append(all, ending{on: on, why: EndCompleted})
	}
	for i := range all {
		if m.end == nil || all[i].on < m.end.on {
			m.end = &all[i]
		}
	}
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind == chart.RulePause && m.concerns(r) && (r.Until == 0 || !e.reached(r.Until)) {
			m.paused = r
		}
	}
}

func (e *engine) ruledEnds(m *implant, kind chart.RulingKind, why End) []ending {
	var all []ending
	for i := range e.rulings {
		r := &e.rulings[i]
		switch {
		case r.Kind != kind || !m.concerns(r):
		case kind != chart.RuleWithdraw:
			all = append(all, ending{on: r.From(), why: why, facts: []string{r.ID}})
		case r.Value == chart.ScopeCare: // from a study only is no end of care
			all = append(all, ending{on: r.From(), why: why, facts: []string{r.ID}, excuse: "withdrawn"})
		}
	}
	return all
}

// completedOn is the day after the last close of a schedule that ends; zero
// for one that lasts for life.
func (m *implant) completedOn() day.Day {
	if m.unresolved() {
		return 0
	}
	for _, s := range m.now().care().Series {
		if s.Repeat != nil && s.Repeat.Until.Zero() && s.For(m.now().class) {
			return 0
		}
	}
	var last day.Day
	for _, v := range m.visits {
		if v.clock == m.now() {
			last = max(last, v.closes.Last)
		}
	}
	if last == 0 {
		return 0
	}
	return last + 1
}

// state is where the surveillance of one implant stands.
func (m *implant) state() State {
	switch {
	case m.end != nil:
		return StateEnded
	case m.unresolved():
		return StateUnresolved
	case m.paused != nil:
		return StatePaused
	}
	return StateActive
}

// overall fills the state of the patient: active before unresolved before
// paused before ended, so that nothing that is owed hides behind an end.
func (e *engine) overall(p *Plan) {
	rank := func(s State) int {
		return slices.Index([]State{StateEnded, StatePaused, StateUnresolved, StateActive}, s)
	}
	p.Surveillance = StateEnded
	for _, m := range e.implants {
		if s := m.state(); rank(s) > rank(p.Surveillance) {
			p.Surveillance = s
		}
		if m.end != nil && m.end.on >= p.EndedOn {
			p.Ended, p.EndedOn = m.end.why, m.end.on
		}
		if m.paused != nil {
			p.PausedUntil = m.paused.Until
		}
	}
	if e.death.doubtful {
		p.Surveillance = StateUnresolved
	}
	if p.Surveillance != StateEnded {
		p.Ended, p.EndedOn = "", 0
	}
	if p.Surveillance != StatePaused {
		p.PausedUntil = 0
	}
}
