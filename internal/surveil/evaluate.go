package surveil

import (
	"slices"
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Evaluate decides the plan of one patient on a day, and the day on which it
// next changes by itself. A chart without an implant gives a plan without
// implants and without work.
func Evaluate(c *chart.Chart, r *Rules, asOf day.Day) Plan {
	p, turns := decide(c, r, asOf)
	p.Wake = wake(c, r, &p, turns)
	return p
}

// Decide is Evaluate without the wake day, for those who ask once.
func Decide(c *chart.Chart, r *Rules, asOf day.Day) Plan {
	p, _ := decide(c, r, asOf)
	return p
}

// settle works out the implants and where each of their visits stands; false
// where there is no implant.
func (e *engine) settle() bool {
	e.findRulings()
	e.findStudies()
	e.findFindings()
	e.findParts()
	e.findImplants()
	if len(e.implants) == 0 {
		return false
	}
	e.findLastSeen()
	e.findDeath()
	for _, m := range e.implants {
		e.findVisits(m)
		e.findEnd(m)
		for _, v := range m.visits {
			v.standing = e.stand(v, e.asOf)
		}
	}
	return true
}

// wake finds the first day on which the plan differs. Between two turns no
// comparison of the engine with the day can change, so only turns are tried.
func wake(c *chart.Chart, r *Rules, p *Plan, turns []day.Day) day.Day {
	if len(p.Implants) == 0 && len(turns) == 0 {
		return 0
	}
	now := p.trace(nil)
	var then []byte
	for len(turns) > 0 {
		on := slices.Min(turns)
		if on > day.Max {
			return 0
		}
		var next Plan
		next, turns = decide(c, r, on)
		if then = next.trace(then[:0]); string(then) != string(now) {
			return on
		}
	}
	return 0
}

// decide makes the plan, and lists the later days that it was compared with.
func decide(c *chart.Chart, r *Rules, asOf day.Day) (Plan, []day.Day) {
	e := &engine{c: c, r: r, asOf: asOf}
	p := Plan{Patient: c.Patient, AsOf: asOf, Identifiers: c.Identifiers}
	if !e.settle() {
		return p, e.turns
	}
	for _, m := range e.implants {
		e.studyQuestions(m)
	}
	e.kindQuestions()
	e.chartQuestions()
	p.LastSeen = e.seen
	e.overall(&p)
	e.follow(&p)
	p.Scans = e.scans()
	p.Work = e.work(&p)
	p.Questions = e.openQuestions()
	e.notes(&p)
	for _, m := range e.implants {
		p.Implants = append(p.Implants, e.show(m))
	}
	p.Reports = e.reports()
	return p, e.turns
}

// notes says what holds for the whole patient.
func (e *engine) notes(p *Plan) {
	for _, m := range e.implants {
		for _, v := range m.visits {
			if v.standing == Undecided && !(v.baseline && !v.clock.from.Exact()) {
				p.Notes = []Reason{{Rule: "before-our-records", From: day.On(e.r.Settings.RecordsFrom)}}
				return
			}
		}
	}
}

// show is the implant as the plan gives it.
func (e *engine) show(m *implant) Implant {
	out := Implant{ID: m.id, Class: m.class, Index: m.index, Clocks: len(m.clocks), Zone: m.zone, Side: m.side, Devices: e.deviceList(m),
		Next: -1, Performer: m.performer, Why: m.why}
	if len(m.clocks) > 1 {
		out.Clock = m.now().from
	}
	if care := m.now().care(); care != nil && m.index.Known() {
		out.Protocol, out.Chosen, out.Draft = care.Ref(), m.now().eras[len(m.now().eras)-1].Chosen, care.Status == "draft"
		out.Why = append(slices.Clip(out.Why), e.whyCare(m)...)
	}
	if m.end != nil {
		out.Ended, out.EndedOn = m.end.why, m.end.on
	}
	next := m.next()
	list := e.listed(m)
	out.Visits = make([]Visit, 0, len(list))
	for _, v := range list {
		if v == next {
			out.Next = len(out.Visits)
		}
		out.Visits = append(out.Visits, e.showVisit(v, v == next))
	}
	return out
}

func (e *engine) showVisit(v *visit, isNext bool) Visit {
	out := Visit{Implant: v.implant.id, Clock: v.clock.number, Series: v.seriesID, Step: v.step, N: v.n, Target: v.target, Opens: v.opens, Closes: v.closes,
		Standing: v.standing, Excuse: v.excuse, Added: v.trigger, Contrast: wantsContrast(v), Kinds: kindsOf(v), Needs: v.need,
		Cite: v.cite.Text, Evidence: v.cite.Evidence, Protocol: v.protocol.Ref(), Why: e.whyVisit(v)}
	if v.last < forever {
		out.LastDay = v.last
	}
	if v.standing != Excused {
		out.Excuse = ""
	}
	if v.got != nil {
		out.Study, out.StudyDate, out.Result, out.Timing = v.got.Ref, v.got.On, v.got.result(), "on-time"
		if len(v.got.parts) > 0 {
			out.StudyDate = v.got.parts[0].On
		}
		if v.late {
			out.Timing = "late"
		}
	}
	if !v.clock.until.Known() {
		out.Booking = e.showBooking(v, isNext)
	}
	return out
}

// kindsOf are the kinds that do a visit by themselves.
func kindsOf(v *visit) []chart.Kind {
	var kinds []chart.Kind
	for i := range v.ways {
		if w := &v.ways[i]; !w.Acceptance && len(w.With) == 0 {
			kinds = append(kinds, w.Kinds...)
		}
	}
	return kinds
}

// whyVisit gives the reasons of a visit: what made it, and what put it where
// it stands. Its facts are all that the standing rests on.
func (e *engine) whyVisit(v *visit) []Reason {
	made := Reason{Rule: "protocol-step", Facts: v.madeBy(), Cite: v.cite.Whole, From: v.clock.from, To: v.target, Word: v.protocol.Ref() + " " + v.step}
	if v.rule != "" {
		made.Rule, made.Facts, made.Word = "trigger-visit", append(made.Facts, v.cause...), v.rule
	}
	why := []Reason{made}
	if v.aside != nil {
		why = append(why, v.aside.ruled...)
	}
	if missing := e.alsoMissing(v); missing != nil {
		why = append(why, *missing)
	}
	return append(why, e.whyStanding(v))
}

// alsoMissing says that imaging which the source asks for beside that of a visit
// that is done is not on record; nil where it is, or none is asked for.
func (e *engine) alsoMissing(v *visit) *Reason {
	if v.also == nil || v.standing != Done {
		return nil
	}
	for _, s := range e.studies {
		if slices.Contains(v.also.Kinds, s.Kind) && s.Covers&v.need != 0 && !s.refused && s.On.Apart(v.got.On) <= v.also.Within {
			return nil
		}
	}
	return &Reason{Rule: "also-missing", From: v.got.On, Days: v.also.Within, Word: v.also.Text(), Cite: v.cite.Whole}
}

// madeBy are the operations that a visit counts from.
func (v *visit) madeBy() []string {
	facts := []string{v.implant.id}
	for _, op := range v.implant.ops {
		for _, c := range v.implant.clocks {
			if op.On == c.from && op.Ref != v.implant.id {
				facts = append(facts, op.Ref)
			}
		}
	}
	return slices.Compact(facts)
}

func (e *engine) whyStanding(v *visit) Reason {
	why := Reason{Rule: string(v.standing), From: v.opens, To: v.closes}
	why.From.Last, why.To.First = v.opens.First, v.closes.Last
	switch v.standing {
	case Done:
		why.From, why.Facts = v.got.On, append([]string{v.got.Ref}, v.evidence()...)
		if why.Rule = "done-on-time"; v.late {
			why.Rule = "done-late"
		}
		if v.ruling+v.got.acceptedBy != "" {
			why.Rule = "accepted-by-person"
		}
		if v.got.Kind == chart.RetrievalReview {
			why.Rule = "decided-by-person"
		}
		why.Word = v.got.How
	case Excused:
		why.Facts, why.Word = v.excuseBy, v.excuse
		if a := v.aside; a != nil && a.instead != nil && slices.Equal(v.excuseBy, a.instead.facts) {
			why.Word += " by the visits that the rule " + a.instead.trigger.ID + " added"
		}
	case Missed:
		if v.implant.end != nil {
			why.Facts = v.implant.end.facts
		}
	case Overdue:
		why.Days = int(e.asOf - v.closes.Last)
	case Booked:
		if b := e.bookingIn(v, e.asOf); b != nil {
			why.Facts, why.Word = []string{b.Ref}, b.On.Text()
		}
	case Undecided:
		if why.Rule = "before-our-records"; v.baseline && !v.clock.from.Exact() {
			why.Rule = "baseline-not-judged"
		}
	}
	return why
}

func visitKey(implant string, clock int, step string) string {
	if clock > 1 {
		return implant + "/" + strconv.Itoa(clock) + "/" + step
	}
	return implant + "/" + step
}
