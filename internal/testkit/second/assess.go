package second

// patient is the work sheet of one evaluation.
type patient struct {
	chart     Chart
	given     []Protocol // chosen ones, then the defaults
	o         Options
	asOf      day
	rulings   []Ruling
	studies   []study
	events    [][]study
	implants  []*implant
	asked     []question
	seen      span // last seen
	divisions int  // tries at dividing visits into scan days
	dead      bool
	died      day
	dateless  bool // no day is known at all
	doubtful  bool // the recorded death is contradicted
}

// result is one implant with all that was found.
type result struct {
	implant *implant
	visits  []*visit
	end     *ending
	state   string // active, paused, ended, unresolved
	waiting bool   // a study waits for acceptance
	next    *visit
}

// pick finds the protocol of a class.
func (p *patient) pick(class string) *Protocol { return pick(class, p.given) }

// Assess evaluates one chart as of a date (YYYY-MM-DD). The protocols given
// serve the classes they name, the defaults all others. It panics on an as-of
// date that is none, since that is a mistake of the test. A plan without
// implants means that nothing is printed for this patient.
func Assess(c Chart, ps []Protocol, asOf string, o Options) Plan {
	today, ok := readDay(asOf)
	if !ok {
		panic("second: as-of date is not YYYY-MM-DD: " + asOf)
	}
	all := append(append([]Protocol{}, ps...), Defaults()...)
	plan := assessOn(c, all, today, o.filled())
	if !o.NoWake {
		plan.Wake = wake(c, all, today, o.filled(), plan)
	}
	return plan
}

// assessOn is Assess without wake.
func assessOn(c Chart, protocols []Protocol, asOf day, o Options) Plan {
	p := &patient{chart: c, given: protocols, o: o, asOf: asOf}
	p.findRulings()
	p.findStudies()
	p.events = p.sameDay()
	p.findImplants()
	if len(p.implants) == 0 {
		return Plan{Patient: c.ID, Implants: []ImplantPlan{}}
	}
	p.findLastSeen()
	p.findDeath()
	var results []*result
	for _, m := range p.implants {
		results = append(results, p.evaluate(m))
	}
	p.studyQuestions(results)
	p.unknownKinds()
	return p.write(results)
}

// evaluate finds visits, end and state of one implant.
func (p *patient) evaluate(m *implant) *result {
	r := &result{implant: m, visits: p.findVisits(m)}
	r.end = p.endOf(m, r.visits)
	for _, v := range r.visits {
		v.standing = p.stand(v, r.end, p.asOf)
	}
	r.next = next(r.visits, r.end)
	switch {
	case r.end != nil:
		r.state = "ended"
	case m.unresolved():
		r.state = "unresolved"
	case p.paused(m, p.asOf):
		r.state = "paused"
	default:
		r.state = "active"
	}
	return r
}

// surveillance is the state of the whole patient: the liveliest of the
// implants, unless the recorded death is in doubt.
func (p *patient) surveillance(results []*result) string {
	if p.doubtful {
		return "unresolved"
	}
	for _, state := range []string{"active", "unresolved", "paused"} {
		for _, r := range results {
			if r.state == state {
				return state
			}
		}
	}
	return "ended"
}

// write makes the plan.
func (p *patient) write(results []*result) Plan {
	plan := Plan{Patient: p.chart.ID, Surveillance: p.surveillance(results), Implants: []ImplantPlan{}}
	if p.seen.known {
		plan.LastSeen = p.seen.first.String()
	}
	if plan.Surveillance == "ended" {
		plan.Ended = endOfAll(results)
	}
	if plan.Surveillance == "active" {
		p.writeLadder(&plan, results)
	}
	for _, r := range results {
		plan.Implants = append(plan.Implants, p.writeImplant(r))
	}
	plan.Questions = p.openQuestions()
	plan.Work = p.work(results, plan.FollowUp)
	plan.Scans = p.scans(results)
	plan.Undivided = p.undivided()
	return plan
}

// endOfAll is the reason of the end that came last.
func endOfAll(results []*result) string {
	var latest *ending
	for _, why := range endReasons() {
		for _, r := range results {
			if r.end != nil && r.end.why == why && (latest == nil || r.end.at > latest.at) {
				latest = r.end
			}
		}
	}
	return latest.why
}

// writeLadder fills the rung (the worst of the running implants) and the gap.
func (p *patient) writeLadder(plan *Plan, results []*result) {
	worst, gap := 0, false
	for _, r := range results {
		if r.state != "active" {
			continue
		}
		worst = max(worst, rungOf(p.rung(r, p.ladderDay())))
		gap = gap || p.imagingGap(r)
	}
	plan.FollowUp = rungs()[worst]
	plan.ImagingGap = &gap
}

// writeImplant makes the implant's part of the plan.
func (p *patient) writeImplant(r *result) ImplantPlan {
	m := r.implant
	out := ImplantPlan{ID: m.id, Class: m.class, Index: m.index.from(), IndexTo: m.index.to()}
	if len(m.clocks) > 1 {
		out.Clock, out.ClockTo = m.now().anchor.from(), m.now().anchor.to()
	}
	if protocol := m.now().protocol; protocol != nil && m.index.known {
		out.Protocol = protocol.ID + "@" + protocol.Version
	}
	for _, v := range p.listed(r.visits, r.end) {
		out.Visits = append(out.Visits, p.writeVisit(v, r))
	}
	if v := r.next; v != nil {
		out.Next = &NextPlan{v.step, v.target.from(), v.target.to(), v.opens.from(), v.opens.to(), v.closes.from(), v.closes.to()}
	}
	return out
}

// writeVisit makes one visit's part of the plan.
func (p *patient) writeVisit(v *visit, r *result) VisitPlan {
	out := VisitPlan{
		ClockNumber: v.clock.number, Step: v.step, N: v.n,
		Target: v.target.from(), TargetTo: v.target.to(), Opens: v.opens.from(), OpensTo: v.opens.to(),
		Closes: v.closes.from(), ClosesTo: v.closes.to(), Standing: v.standing,
	}
	if v.done {
		out.Timing, out.Study = v.timing, v.members[0].id
		out.StudyDate, out.StudyDateTo = v.doneAt.from(), v.doneAt.to()
		out.Result = p.visitResult(v)
	}
	if !v.clock.until.known {
		out.Booking = p.showBooking(v, r.visits, v == r.next)
	}
	return out
}

// visitResult is the least advanced result of the studies that did the visit.
func (p *patient) visitResult(v *visit) string {
	for _, state := range []string{"awaited", "reported"} {
		for _, s := range v.members {
			if p.result(s) == state {
				return state
			}
		}
	}
	return "reviewed"
}
