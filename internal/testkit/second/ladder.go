package second

import "sort"

// rungs of the follow-up ladder, best first.
func rungs() []string { return []string{"current", "overdue", "presumed-lost", "lost"} }

// rungOf is the position of a rung.
func rungOf(name string) int {
	for i, r := range rungs() {
		if r == name {
			return i
		}
	}
	return 0
}

// qualifying lists the days of the studies that satisfy, or would once
// accepted, any step of the implant's care protocol. Of a partial date the
// first day is taken.
func (p *patient) qualifying(r *result) []day {
	var days []day
	m := r.implant
	for _, v := range r.visits {
		if v.done && len(v.members) > 1 {
			days = append(days, v.doneAt.first) // several studies that did it together
		}
	}
	for _, v := range r.visits {
		if v.done && v.agreed && p.wouldSatisfy(v.members[0], v.ways, v.need) {
			days = append(days, v.doneAt.first)
		}
	}
	for _, s := range p.studies {
		c, certain := m.clockOf(s)
		if c == nil || !certain {
			continue
		}
		for _, step := range p.wanted(m) {
			if p.wouldSatisfy(s, step.Ways, step.Territory) {
				days = append(days, s.at.first)
				break
			}
		}
	}
	return days
}

// since tells whether one of the days is the given one or later.
func since(days []day, from day) bool {
	for _, d := range days {
		if d >= from {
			return true
		}
	}
	return false
}

// ladderDay is the day for which rungs are found: a silent feed holds it.
func (p *patient) ladderDay() day {
	if complete := readSpan(p.o.CompleteTo); complete.known {
		return min(p.asOf, complete.last+day(p.o.FeedStale))
	}
	return p.asOf
}

// rung finds the rung of one implant.
func (p *patient) rung(r *result, today day) string {
	lapsed := p.presumedLost(r, today)
	switch {
	case lapsed && !p.held(r) && p.unanswered():
		return "lost"
	case lapsed && !p.held(r):
		return "presumed-lost"
	case lapsed, p.behind(r, today):
		return "overdue"
	}
	return "current"
}

// behind tells whether a visit is overdue, or one was missed since the last
// that was done.
func (p *patient) behind(r *result, today day) bool {
	missed := false
	for _, v := range r.visits { // by clock, then target
		if v.noLadder {
			continue
		}
		switch p.stand(v, r.end, today) {
		case "overdue":
			return true
		case "missed":
			missed = true
		case "done":
			missed = false
		}
	}
	return missed
}

// presumedLost tells whether the last two settled visits of a series are
// missed, or too many days have passed since a close, without qualifying
// imaging since. Only visits of the present clock count.
func (p *patient) presumedLost(r *result, today day) bool {
	days := p.qualifying(r)
	series := map[int][]*visit{}
	for _, v := range r.visits {
		if v.noLadder || v.clock != r.implant.now() {
			continue
		}
		standing := p.stand(v, r.end, today)
		if settled(standing) {
			series[v.series] = append(series[v.series], v)
		}
		late := standing == "missed" || standing == "overdue"
		if late && int(today-v.closes.last) > p.o.LostDays && !since(days, v.closes.last) {
			return true
		}
	}
	for _, list := range series {
		if len(list) < 2 {
			continue
		}
		a, b := list[len(list)-2], list[len(list)-1]
		if !a.done && !b.done && !since(days, a.opens.first) {
			return true
		}
	}
	return false
}

// held tells whether a study waits for acceptance, or qualifying imaging is
// booked: then the rung goes no further than overdue.
func (p *patient) held(r *result) bool {
	if r.waiting {
		return true
	}
	for _, b := range p.coming(p.asOf) {
		if p.booksImplant(b, r.implant) {
			return true
		}
	}
	return false
}

// unanswered tells whether enough documented attempts, on enough channels,
// are later than the last sign of contact.
func (p *patient) unanswered() bool {
	attempts, channels := 0, map[string]bool{}
	for _, a := range p.chart.Attempts {
		sent, answered := readSpan(a.Sent), readSpan(a.Received)
		if !sent.known || !sent.begun(p.asOf) || p.seen.known && sent.first <= p.seen.first {
			continue
		}
		if answered.known && answered.begun(p.asOf) {
			return false
		}
		attempts++
		channels[a.Channel] = true
	}
	return attempts >= p.o.LostAttempts && len(channels) >= p.o.LostChannels
}

// lostSince is the first day of the unbroken time up to the ladder's day in
// which the implant was presumed lost, on the facts of today. The rung can
// change only on the day after a last counting day and some days after a
// close, so these are tried.
func (p *patient) lostSince(r *result) day {
	today := p.ladderDay()
	var tries []int
	for _, v := range r.visits {
		for _, d := range []day{v.last + 1, v.closes.last + 1, v.closes.last + day(p.o.LostDays) + 1} {
			if d <= today {
				tries = append(tries, int(d))
			}
		}
	}
	sort.Sort(sort.Reverse(sort.IntSlice(tries)))
	found := today
	for _, d := range tries {
		if !p.presumedLost(r, day(d)) {
			break
		}
		found = day(d)
	}
	return found
}

// imagingGap tells whether the last qualifying imaging, index or operation is
// longer ago than the protocol allows.
func (p *patient) imagingGap(r *result) bool {
	m := r.implant
	last := m.lastOperation()
	for _, d := range p.qualifying(r) {
		last = max(last, d)
	}
	return p.asOf > last.addMonths(m.now().protocol.GapMonths)
}
