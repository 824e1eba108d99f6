package second

import (
	"fmt"
	"sort"
)

// visit is one visit of one clock.
type visit struct {
	implant  *implant
	clock    *clock
	series   int // position among the clock's series; each added visit its own
	noLadder bool
	step     string
	n        int
	target   span
	opens    span
	closes   span
	sure     day // last day that counts, the earliest possible
	last     day // last day that counts, the latest possible
	ways     []Way
	need     []string
	trigger  bool // made by a trigger
	baseline bool
	noLate   bool
	instead  bool // an added series runs in place of it
	agreed   bool // a person agreed another kind of imaging

	// what satisfied it
	done     bool
	members  []study // one, or several of one event
	doneAt   span
	timing   string
	standing string
}

// horizon is how far ahead visits are made, in days: beyond two five-yearly ones.
const horizon = 4500

// key names the visit as a ruling does.
func (v *visit) key() VisitKey {
	return VisitKey{Implant: v.implant.id, Clock: v.clock.number, Step: v.step}
}

// findVisits makes and matches the visits of all clocks of an implant.
func (p *patient) findVisits(m *implant) []*visit {
	if m.unresolved() {
		return nil
	}
	var all []*visit
	for _, c := range m.clocks {
		if c.protocol != nil {
			all = append(all, p.clockVisits(m, c)...)
		}
	}
	return all
}

// clockVisits makes the series of one clock. Conditional steps come after the
// others, since they ask what the first scan showed.
func (p *patient) clockVisits(m *implant, c *clock) []*visit {
	var all []*visit
	number := 0
	add := func(list []*visit) {
		number++
		for _, v := range list {
			v.series = number
			p.agree(v)
		}
		p.match(m, c, list)
		all = append(all, list...)
	}
	for _, s := range c.protocol.Series {
		if !conditional(s) {
			add(p.gridVisits(m, c, s))
		}
	}
	first := all
	for _, s := range c.protocol.Series {
		if conditional(s) && p.firstScanShows(m, first, s) {
			add(p.gridVisits(m, c, s))
		}
	}
	for _, row := range p.addedRows(m, c, all) {
		add(row)
	}
	sort.SliceStable(all, func(i, j int) bool {
		if all[i].target.first != all[j].target.first {
			return all[i].target.first < all[j].target.first
		}
		return all[i].series < all[j].series
	})
	return all
}

// conditional tells whether the series waits for the first scan.
func conditional(s Series) bool { return len(s.Steps) > 0 && s.Steps[0].OnlyIf != nil }

// firstScanShows tells whether the scan that did the baseline visit shows what
// the step asks for.
func (p *patient) firstScanShows(m *implant, visits []*visit, s Series) bool {
	on := p.sightOf(m, visits)
	for _, v := range visits {
		if !v.baseline || !v.done {
			continue
		}
		for _, f := range on.findings {
			if f.on(v.members) && on.meets(f, *s.Steps[0].OnlyIf) {
				return true
			}
		}
	}
	return false
}

// gridVisits makes the visits of a protocol series.
func (p *patient) gridVisits(m *implant, c *clock, s Series) []*visit {
	var list []*visit
	put := func(step Step) {
		target := c.anchor.addMonths(step.Months).addDays(step.Days)
		list = append(list, &visit{
			implant: m, clock: c, noLadder: s.NoLadder, step: step.ID, n: len(list) + 1,
			target: target, opens: target.addDays(-step.Before), closes: target.addDays(step.After),
			ways: step.Ways, need: step.Territory, baseline: step.Baseline,
			trigger: step.OnlyIf != nil, noLate: c.protocol.NoLate,
		})
	}
	for _, step := range s.Steps {
		put(step)
	}
	finite := true
	if r := s.Repeat; r != nil {
		finite = r.Until > 0
		for months := r.First; !finite || months <= r.Until; months += r.Every {
			if c.anchor.first.addMonths(months) > p.asOf+horizon {
				finite = false // cut here, not at its end
				break
			}
			step := r.Step
			step.ID, step.Months = fmt.Sprintf("%s%d", r.Name, months/12), months
			put(step)
		}
	}
	list = p.otherInterval(m, c, s, list)
	p.lastDays(list, finite)
	return list
}

// lastDays says up to which day a study counts for each visit of a series.
func (p *patient) lastDays(list []*visit, finite bool) {
	for i, v := range list {
		v.sure, v.last = v.closes.first, v.closes.last
		switch {
		case v.noLate:
		case i+1 < len(list):
			v.sure = max(v.sure, list[i+1].opens.first-1)
			v.last = max(v.last, list[i+1].opens.last-1)
		case v.trigger && !p.o.AddedEnd, !finite:
			v.sure, v.last = forever, forever
		}
	}
}

// firstNeed is the territory of the protocol's first step.
func firstNeed(protocol *Protocol) []string { return protocol.steps()[0].Territory }

// clockAt is the clock that ran on the day of a fact.
func (m *implant) clockAt(at span) *clock {
	found := m.clocks[0]
	for _, c := range m.clocks {
		if c.anchor.first <= at.first {
			found = c
		}
	}
	return found
}
