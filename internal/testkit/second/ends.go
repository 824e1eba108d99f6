package second

import "sort"

// findRulings keeps the rulings that hold on the day, oldest first.
func (p *patient) findRulings() {
	for _, r := range p.chart.Rulings {
		back := readSpan(r.Back)
		if !begunText(r.Date, p.asOf) || back.known && back.first <= p.asOf {
			continue
		}
		r.Visit.N = 0 // the step names the visit
		p.rulings = append(p.rulings, r)
	}
	sort.SliceStable(p.rulings, func(i, j int) bool {
		a, b := readSpan(p.rulings[i].Date).first, readSpan(p.rulings[j].Date).first
		if a != b {
			return a < b
		}
		// On one day accept comes before refuse, so that refuse wins.
		if p.rulings[i].Kind != p.rulings[j].Kind {
			return p.rulings[i].Kind < p.rulings[j].Kind
		}
		return p.rulings[i].ID < p.rulings[j].ID
	})
}

// concerns tells whether a ruling is about the implant or the whole patient.
// One about the whole patient does not reach implants made after it.
func (m *implant) concerns(r Ruling) bool {
	if r.About != "" {
		return r.About == m.id
	}
	return !m.index.known || m.index.first <= readSpan(r.Date).first
}

// alive lists the days that show that the patient was alive.
func (p *patient) alive() []span {
	var days []span
	add := func(date string) {
		if at := readSpan(date); at.known && at.begun(p.asOf) {
			days = append(days, at)
		}
	}
	for _, e := range p.chart.Encounters {
		if met(e.Status) {
			add(e.Date)
		}
	}
	for _, op := range p.chart.Operations {
		if op.Status == "completed" && op.Role != "history" {
			add(op.Date)
		}
	}
	for _, s := range p.studies {
		days = append(days, s.at)
	}
	for _, f := range p.chart.Findings {
		if f.Status != "entered-in-error" {
			add(f.Date)
		}
	}
	for _, k := range p.chart.Kidney {
		add(k.Date)
	}
	for _, a := range p.chart.Attempts {
		add(a.Received)
	}
	for _, b := range p.chart.Bookings {
		if has([]string{"fulfilled", "arrived", "checked-in"}, b.Status) {
			add(b.Date)
		}
	}
	return days
}

// met tells whether an encounter took place.
func met(status string) bool { return has([]string{"arrived", "in-progress", "finished"}, status) }

// findLastSeen is the latest day of all; of a partial date its first day.
func (p *patient) findLastSeen() {
	for _, at := range p.alive() {
		if !p.seen.known || at.first > p.seen.first {
			p.seen = span{at.first, at.first, true}
		}
	}
}

// findDeath decides whether and when the patient died.
func (p *patient) findDeath() {
	at := readSpan(p.chart.DeadDate)
	about := "Patient/" + p.chart.ID
	switch {
	case at.known && !at.begun(p.asOf):
		return
	case at.known && p.contradicted(at):
		p.doubtful = true
		p.ask("death-date", about, at, false)
		return
	case at.known && at.exact():
		p.dead, p.died = true, at.first
		return
	case !at.known && !p.chart.DeadTrue && p.chart.DeadDate == "":
		return
	}
	// A partial date, or none: from its first day or the day last seen.
	p.ask("death-date", about, at, false)
	p.dead, p.died, p.dateless = true, at.first, !at.known && !p.seen.known
	if p.seen.known && (!at.known || p.seen.first > at.first) {
		p.died = p.seen.first
	}
}

// deathOf is the day of death for an implant. Where no more is known than that
// the patient died, and nothing shows a day on which the patient was alive, it
// is the index day; without one no day is known, and nothing ends.
func (p *patient) deathOf(m *implant) (day, bool) {
	if p.dead && p.dateless {
		return m.index.first, m.index.known
	}
	return p.died, p.dead
}

// contradicted tells whether an encounter, operation or study lies more than
// two days after the recorded death.
func (p *patient) contradicted(death span) bool {
	after := func(at span) bool { return at.known && at.begun(p.asOf) && at.first > death.last+2 }
	for _, e := range p.chart.Encounters {
		if met(e.Status) && after(readSpan(e.Date)) {
			return true
		}
	}
	for _, op := range p.chart.Operations {
		if op.Status == "completed" && op.Role != "history" && after(readSpan(op.Date)) {
			return true
		}
	}
	for _, s := range p.studies {
		if after(s.at) {
			return true
		}
	}
	return false
}

// ending is when and why an implant's schedule ended.
type ending struct {
	at  day
	why string
}

// endReasons in the order in which they win on one day.
func endReasons() []string {
	return []string{"died", "stopped", "explanted", "transferred", "completed"}
}

// endOf finds the earliest end of an implant; nil while it runs.
func (p *patient) endOf(m *implant, visits []*visit) *ending {
	var all []ending
	if at, ok := p.deathOf(m); ok {
		all = append(all, ending{at, "died"})
	}
	if m.explanted.known {
		all = append(all, ending{m.explanted.last, "explanted"})
	}
	for _, r := range p.rulings {
		if m.concerns(r) && r.Kind == "stop" {
			all = append(all, ending{readSpan(r.Date).first, "stopped"})
		}
		if m.concerns(r) && r.Kind == "withdraw" && r.Value == "care" {
			all = append(all, ending{readSpan(r.Date).first, "stopped"})
		}
		if m.concerns(r) && r.Kind == "transfer" {
			all = append(all, ending{readSpan(r.Date).first, "transferred"})
		}
	}
	if at, ok := completed(m, visits); ok && at <= p.asOf {
		all = append(all, ending{at, "completed"})
	}
	return earliest(all)
}

// earliest picks the first by day, then by the order of the reasons.
func earliest(all []ending) *ending {
	var found *ending
	for _, why := range endReasons() {
		for i := range all {
			if all[i].why == why && (found == nil || all[i].at < found.at) {
				found = &all[i]
			}
		}
	}
	return found
}

// completed is the day after the last close of a finite schedule.
func completed(m *implant, visits []*visit) (day, bool) {
	if m.unresolved() {
		return 0, false
	}
	for _, s := range m.now().protocol.Series {
		if s.Repeat != nil && s.Repeat.Until == 0 {
			return 0, false
		}
	}
	latest := day(0)
	for _, v := range visits {
		if v.clock == m.now() {
			latest = max(latest, v.closes.last)
		}
	}
	return latest + 1, true
}

// paused tells whether a pause holds on the day. Its last day is the one
// before Until.
func (p *patient) paused(m *implant, on day) bool {
	for _, r := range p.rulings {
		if r.Kind == "pause" && m.concerns(r) && readSpan(r.Date).first <= on && on < until(r) {
			return true
		}
	}
	return false
}

// until is the first day on which a pause no longer holds.
func until(r Ruling) day {
	if at := readSpan(r.Until); at.known {
		return at.first
	}
	return forever
}

// excused tells whether the visit stopped being owed on or before its close.
func (p *patient) excused(v *visit, end *ending) bool {
	if end != nil && end.at <= v.closes.last {
		return true
	}
	if v.clock.until.known && v.clock.until.first <= v.closes.last {
		return true
	}
	if v.instead {
		return true
	}
	for _, r := range p.rulings {
		from := readSpan(r.Date).first
		switch r.Kind {
		case "decline":
			if r.Visit == v.key() && from <= v.closes.last {
				return true
			}
			if r.Visit == (VisitKey{}) && v.implant.concerns(r) && p.swallows(r, v) {
				return true
			}
		case "pause":
			if v.implant.concerns(r) && p.swallows(r, v) {
				return true
			}
		}
	}
	return false
}

// swallows tells whether the whole rest of the window, to its close, lies in
// the time of the ruling. Without an end it takes the visits as they open.
func (p *patient) swallows(r Ruling, v *visit) bool {
	if readSpan(r.Date).first > v.closes.last {
		return false
	}
	if until(r) == forever {
		return v.opens.first <= p.asOf
	}
	return v.closes.last < until(r)
}
