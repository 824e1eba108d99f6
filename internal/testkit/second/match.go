package second

// unit is what one visit can take: a study, or the studies of one event.
type unit struct {
	members []study
	at      span
}

// place tells how a unit lies towards a visit.
type place int

const (
	outside place = iota
	possibly
	late
	onTime
)

// lies tells where a date is: certainly in the window, certainly in the days
// that count after it, possibly in either, or outside.
func (v *visit) lies(at span) place {
	switch {
	case at.within(v.opens.last, v.closes.first):
		return onTime
	case at.within(v.opens.last, v.sure):
		return late
	case at.last >= v.opens.first && at.first <= v.last:
		return possibly
	}
	return outside
}

// clockOf tells to which clock of the implant a study belongs: certainly, or
// possibly (a partial date that touches an operation). On the day of an
// operation it belongs to none.
func (m *implant) clockOf(s study) (c *clock, certain bool) {
	if s.at.last < m.index.first || s.at == m.index && s.at.exact() {
		return nil, true
	}
	if m.explanted.known && s.at.first >= m.explanted.last {
		return nil, true
	}
	for _, op := range m.operations {
		if op.exact() && s.at == op {
			return nil, true
		}
		if s.at.overlaps(op) {
			return m.clockAt(s.at), false
		}
	}
	if s.at.first <= m.index.last {
		return m.clockAt(s.at), false
	}
	from, to := m.clockAt(span{s.at.first, s.at.first, true}), m.clockAt(span{s.at.last, s.at.last, true})
	return from, from == to && (!m.explanted.known || s.at.last < m.explanted.first)
}

// match finds which study does which visit of one series. What a person
// accepted for a visit comes first; the rest is the best assignment.
func (p *patient) match(m *implant, c *clock, visits []*visit) {
	used := p.acceptedFor(visits)
	var open []*visit
	for _, v := range visits {
		if !v.done && !(v.baseline && !c.anchor.exact()) {
			open = append(open, v)
		}
	}
	units := p.units(m, c, used)
	fits := func(i, j int) place { return p.fits(units[i], open[j]) }
	for _, pair := range best(len(units), len(open), fits) {
		v, u := open[pair.visit], units[pair.unit]
		v.done, v.members, v.doneAt, v.timing = true, p.contributing(u.members, v), u.at, "late"
		if fits(pair.unit, pair.visit) == onTime {
			v.timing = "on-time"
		}
	}
}

// acceptedFor gives visits the studies that a person accepted for them, by the
// latest ruling first, and returns the ids of the studies so used.
func (p *patient) acceptedFor(visits []*visit) map[string]bool {
	used := map[string]bool{}
	for i := len(p.rulings) - 1; i >= 0; i-- {
		r := p.rulings[i]
		for _, v := range visits {
			if r.Kind != "accept" || r.Visit != v.key() || v.done {
				continue
			}
			for _, s := range p.studies {
				if s.stated[r.About] && !s.refused && !hasKey(s.refusedFor, v.key()) && !used[s.id] {
					used[s.id] = true
					v.done, v.members, v.doneAt, v.timing = true, []study{s}, s.at, "on-time"
					if s.at.last > v.closes.first {
						v.timing = "late"
					}
				}
			}
		}
	}
	return used
}

// hasKey tells whether the list holds the key.
func hasKey(keys []VisitKey, key VisitKey) bool { return len(without(keys, key)) != len(keys) }

// units lists what the clock may use: its studies, then its events of several
// studies, in order of date and id.
func (p *patient) units(m *implant, c *clock, used map[string]bool) []unit {
	free := func(s study) bool {
		of, certain := m.clockOf(s)
		return certain && of == c && !used[s.id]
	}
	var all []unit
	for _, s := range p.studies {
		for _, event := range p.events {
			if event[0].id != s.id {
				continue
			}
			usable := true
			for _, part := range event {
				usable = usable && free(part)
			}
			if usable {
				all = append(all, unit{event, s.at})
			}
		}
		if free(s) {
			all = append(all, unit{[]study{s}, s.at})
		}
	}
	return all
}

// fits tells how a unit lies towards a visit that it would satisfy by kind and
// territory; outside where it would not.
func (p *patient) fits(u unit, v *visit) place {
	at := v.lies(u.at)
	if at == outside || at == possibly {
		return outside
	}
	if len(u.members) == 1 {
		if !p.satisfiesVisit(u.members[0], v) {
			return outside
		}
		return at
	}
	if !p.together(u.members, v) {
		return outside
	}
	return at
}

// satisfiesVisit is satisfies without what was refused for this visit.
func (p *patient) satisfiesVisit(s study, v *visit) bool {
	return !hasKey(s.refusedFor, v.key()) && p.satisfies(s, v.ways, v.need)
}

// together tells whether the studies of one event cover the need between them
// where no single one does.
func (p *patient) together(members []study, v *visit) bool {
	var union []string
	for _, s := range members {
		if p.satisfiesVisit(s, v) {
			return false
		}
	}
	accepted := true // what a person accepted counts as if its way asked for none
	for _, s := range p.contributing(members, v) {
		union = append(union, s.territories...)
		accepted = accepted && s.accepted
	}
	for _, w := range v.ways {
		if (!w.Accept || accepted) && meets(members[0].kind, union, w, v.need) {
			return true
		}
	}
	return false
}

// contributing lists the studies of an event that may count for the visit and
// show a part of what it needs; a single study is all there is.
func (p *patient) contributing(members []study, v *visit) []study {
	if len(members) == 1 {
		return members
	}
	var list []study
	for _, s := range members {
		if !hasKey(s.refusedFor, v.key()) && p.usable(s) && covers(s.territories, v.need, true) && !covers(s.territories, v.need, false) {
			list = append(list, s)
		}
	}
	return list
}

// usable tells whether a study may count without a person.
func (p *patient) usable(s study) bool {
	return !s.refused && (!s.onReport || p.o.AcceptReports || s.accepted)
}

// pair is one unit on one visit.
type pair struct{ unit, visit int }

// best finds the best one-to-one assignment that keeps the order: most
// on-time visits, then most visits, then the earliest units, then the earliest
// visits. It tries for each unit, in turn, every visit still free after the
// last one used, and leaving the unit out; the rest of the problem depends
// only on how far both lists have been used up, so it is remembered.
func best(units, visits int, fits func(unit, visit int) place) []pair {
	type state struct{ unit, visit int }
	known := map[state][]pair{}
	seen := map[state]bool{}
	var solve func(u, v int) []pair
	solve = func(u, v int) []pair {
		if u == units || v == visits {
			return nil
		}
		at := state{u, v}
		if seen[at] {
			return known[at]
		}
		found := solve(u+1, v)
		for w := v; w < visits; w++ {
			if fits(u, w) == outside {
				continue
			}
			with := append([]pair{{u, w}}, solve(u+1, w+1)...)
			if better(with, found, fits) {
				found = with
			}
		}
		seen[at], known[at] = true, found
		return found
	}
	return solve(0, 0)
}

// better compares two assignments by the rule.
func better(a, b []pair, fits func(unit, visit int) place) bool {
	count := func(list []pair) int {
		n := 0
		for _, x := range list {
			if fits(x.unit, x.visit) == onTime {
				n++
			}
		}
		return n
	}
	if x, y := count(a), count(b); x != y {
		return x > y
	}
	if len(a) != len(b) {
		return len(a) > len(b)
	}
	for i := range a {
		if a[i].unit != b[i].unit {
			return a[i].unit < b[i].unit
		}
	}
	for i := range a {
		if a[i].visit != b[i].visit {
			return a[i].visit < b[i].visit
		}
	}
	return false
}
