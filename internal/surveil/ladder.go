package surveil

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// rank orders the rungs, best first.
func (r Rung) rank() int {
	return slices.Index([]Rung{RungCurrent, RungOverdue, RungPresumedLost, RungLost}, r)
}

// qualifying lists the days of the studies that satisfy, or would once
// accepted, some step of the implant's care protocol.
func (e *engine) qualifying(m *implant) []day.Day {
	var days []day.Day
	steps := m.steps()
	for _, v := range m.visits {
		if v.got != nil && (len(v.got.parts) > 0 || v.aside != nil && v.aside.agreed && e.fits(v.got, v.ways, v.need) > fitNot) {
			days = append(days, v.got.On.First) // several studies that did it together, or one of an agreed kind
		}
	}
	for _, s := range e.studies {
		c, certain := m.clockOf(s.On)
		if c == nil || !certain {
			continue
		}
		for i := range steps {
			w := &steps[i]
			if e.fits(s, w.ways, w.need) > fitNot || e.partner(s, w.ways, w.need, func(*study) bool { return true }) != nil {
				days = append(days, s.On.First)
				break
			}
		}
	}
	return days
}

// ladderDay is the day for which rungs are found: a silent feed is not the
// silence of the patient.
func (e *engine) ladderDay() day.Day {
	s := &e.r.Settings
	if s.CompleteTo == 0 {
		return e.asOf
	}
	if held := s.CompleteTo.Plus(s.FeedStaleDays); held < e.asOf {
		return held
	}
	return e.asOf
}

// ladder is what the rung of one implant is found from.
type ladder struct {
	e     *engine
	m     *implant
	days  []day.Day // qualifying imaging
	held  bool      // a study waits for acceptance, or qualifying imaging is booked
	today day.Day
}

func (e *engine) newLadder(m *implant) *ladder {
	l := &ladder{e: e, m: m, days: e.qualifying(m), held: m.waiting, today: e.ladderDay()}
	for i := range e.c.Bookings {
		b := &e.c.Bookings[i]
		l.held = l.held || e.coming(b, e.asOf) && bookedForImplant(b, m)
	}
	return l
}

// since says whether there was qualifying imaging on a day or later.
func (l *ladder) since(d day.Day) bool {
	return slices.ContainsFunc(l.days, func(x day.Day) bool { return x >= d })
}

// rung finds the rung of the implant.
func (l *ladder) rung() Rung {
	lost := l.presumedLost(l.today)
	switch {
	case lost && !l.held && l.e.unanswered():
		return RungLost
	case lost && !l.held:
		return RungPresumedLost
	case lost, l.behind():
		return RungOverdue
	}
	return RungCurrent
}

// behind says whether a visit is overdue, or one was missed since the last
// that was done.
func (l *ladder) behind() bool {
	missed := false
	for _, v := range l.m.visits {
		if !v.ladder {
			continue
		}
		switch l.standing(v, l.today) {
		case Overdue:
			return true
		case Missed:
			missed = true
		case Done:
			missed = false
		}
	}
	return missed
}

func (l *ladder) standing(v *visit, today day.Day) Standing {
	if today == l.e.asOf {
		return v.standing
	}
	excuse, by := v.excuse, v.excuseBy
	s := l.e.stand(v, today)
	v.excuse, v.excuseBy = excuse, by
	return s
}

// presumedLost says whether the last two settled visits of a series are
// missed, or too many days have passed since the close of a missed or overdue
// visit, without qualifying imaging since. Only visits of the present clock
// count.
func (l *ladder) presumedLost(today day.Day) bool {
	rows := map[int][]*visit{}
	for _, v := range l.m.visits {
		if !v.ladder || v.clock != l.m.now() {
			continue
		}
		s := l.standing(v, today)
		if s == Done || s == Missed {
			rows[v.series] = append(rows[v.series], v)
		}
		if (s == Missed || s == Overdue) && l.e.come(v.closes.Last.Plus(l.e.r.Settings.LostAfterDays+1), today) && !l.since(v.closes.Last) {
			return true
		}
	}
	for _, row := range rows {
		if n := len(row); n >= 2 && row[n-1].got == nil && row[n-2].got == nil && !l.since(row[n-2].opens.First) {
			return true
		}
	}
	return false
}

// unanswered says whether enough documented attempts on enough channels are
// later than the last sign of contact.
func (e *engine) unanswered() bool {
	n, channels := 0, map[string]bool{}
	answered := false
	count := func(on, answer day.Span, channel string) {
		if !on.Known() || !e.reached(on.First) || on.First <= e.seen {
			return
		}
		answered = answered || answer.Known() && e.reached(answer.First)
		n++
		channels[channel] = true
	}
	for i := range e.c.Attempts {
		a := &e.c.Attempts[i]
		count(a.On, a.Answered, a.Channel)
	}
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleAttempt {
			answer := day.Span{}
			if r.Outcome == "reached" || r.Outcome == "declined" {
				answer = day.On(r.From())
			}
			count(day.On(r.From()), answer, r.Channel)
		}
	}
	return !answered && n >= e.r.Settings.LostAttempts && len(channels) >= e.r.Settings.LostChannels
}

// lostSince is the first day of the unbroken time up to the ladder's day in
// which the implant was presumed lost, on the facts of today. The rung turns
// only on the day after a last counting day, and so many days after a close.
func (l *ladder) lostSince() day.Day {
	var tries []day.Day
	for _, v := range l.m.visits {
		for _, d := range []day.Day{v.last + 1, v.closes.Last + 1, v.closes.Last.Plus(l.e.r.Settings.LostAfterDays + 1)} {
			if d <= l.today {
				tries = append(tries, d)
			}
		}
	}
	slices.Sort(tries)
	found := l.today
	for _, d := range slices.Backward(tries) {
		if !l.presumedLost(d) {
			break
		}
		found = d
	}
	return found
}

// gap says whether the last qualifying imaging, index or operation is longer
// ago than the protocol allows.
func (l *ladder) gap() bool {
	last := l.m.index.First
	for _, c := range l.m.clocks {
		last = max(last, c.from.First)
	}
	for _, op := range l.m.coils {
		last = max(last, op.On.First)
	}
	for _, d := range l.days {
		last = max(last, d)
	}
	return l.e.passed(last.Add(l.m.now().care().Gap))
}

// follow fills in the ladder of the patient: the worst of the implants that
// are under surveillance.
func (e *engine) follow(p *Plan) {
	if p.Surveillance != StateActive {
		return
	}
	p.FollowUp = RungCurrent
	for _, m := range e.implants {
		if m.state() != StateActive {
			continue
		}
		l := e.newLadder(m)
		for _, d := range l.days {
			p.LastImaging = max(p.LastImaging, d)
		}
		r := l.rung()
		p.ImagingGap = l.gap() || p.ImagingGap
		if r.rank() >= RungPresumedLost.rank() {
			if d := l.lostSince(); p.RungSince == 0 || d < p.RungSince {
				p.RungSince = d
			}
		}
		if r.rank() > p.FollowUp.rank() {
			p.FollowUp = r
		}
	}
}
