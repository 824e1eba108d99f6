package second

import (
	"fmt"
	"sort"
)

// agree adds the kinds of imaging that a person agreed for a visit: for the
// one that is named, else for those that close on the day of the ruling or
// later and fall due before its end.
func (p *patient) agree(v *visit) {
	for _, r := range p.rulings {
		if r.Kind != "modality" {
			continue
		}
		all := r.Visit == (VisitKey{}) && v.implant.concerns(r) && readSpan(r.Date).first <= v.closes.last && v.target.first < until(r)
		if all || r.Visit == v.key() {
			v.ways = append(append([]Way{}, v.ways...), Way{Kinds: []string{r.Value}})
			v.agreed = true
		}
	}
}

// agreedWays are the ways that were agreed for all visits of an implant.
func (p *patient) agreedWays(m *implant) []Way {
	var ways []Way
	for _, r := range p.rulings {
		if r.Kind == "modality" && r.Visit == (VisitKey{}) && m.concerns(r) {
			ways = append(ways, Way{Kinds: []string{r.Value}})
		}
	}
	return ways
}

// wanted is the steps of the implant's protocol with what was agreed.
func (p *patient) wanted(m *implant) []Step {
	var all []Step
	for _, step := range m.now().protocol.steps() {
		step.Ways = append(append([]Way{}, step.Ways...), p.agreedWays(m)...)
		all = append(all, step)
	}
	return all
}

// monthsOf reads an interval of months, written P6M; zero for anything else.
func monthsOf(text string) int {
	n := 0
	if _, err := fmt.Sscanf(text, "P%dM", &n); err != nil || n < 1 || n > 120 {
		return 0
	}
	return n
}

// intervalOn is the latest ruling on the interval that is in force on a day.
func (p *patient) intervalOn(m *implant, on day) *Ruling {
	var found *Ruling
	for i, r := range p.rulings {
		if r.Kind == "interval" && m.concerns(r) && readSpan(r.Date).first <= on && on < until(r) && monthsOf(r.Value) > 0 {
			found = &p.rulings[i]
		}
	}
	return found
}

// otherInterval makes the repeated visits of a series again, month by month
// from the anchor: on each month the protocol's visit or the ruling's.
func (p *patient) otherInterval(m *implant, c *clock, s Series, list []*visit) []*visit {
	if s.Repeat == nil || s.NoLadder {
		return list
	}
	var out []*visit
	for i, v := range list {
		if i < len(s.Steps) || p.intervalOn(m, v.target.first) == nil {
			out = append(out, v)
		}
	}
	for months := 1; c.anchor.first.addMonths(months) <= p.asOf+horizon; months++ {
		r := p.intervalOn(m, c.anchor.first.addMonths(months))
		if r == nil || months%monthsOf(r.Value) != 0 || s.Repeat.Until > 0 && months > s.Repeat.Until {
			continue
		}
		if p.hasFixed(s, months) {
			continue
		}
		step := s.Repeat.Step
		half := (monthsOf(r.Value)*30 - 1) / 2
		target := c.anchor.addMonths(months)
		out = append(out, &visit{
			implant: m, clock: c, step: p.monthName(c, s, months),
			target: target, opens: target.addDays(-min(step.Before, half)), closes: target.addDays(min(step.After, half)),
			ways: step.Ways, need: step.Territory, noLate: c.protocol.NoLate,
		})
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].target.first < out[j].target.first })
	for i, v := range out {
		v.n = i + 1
	}
	return out
}

// hasFixed tells whether a fixed step lies at so many months.
func (p *patient) hasFixed(s Series, months int) bool {
	for _, step := range s.Steps {
		if step.Months == months && step.Days == 0 {
			return true
		}
	}
	return false
}

// monthName names a visit by its months: whole years as the series does. A
// name that some step has gets an r.
func (p *patient) monthName(c *clock, s Series, months int) string {
	name := fmt.Sprintf("m%d", months)
	if months%12 == 0 {
		name = fmt.Sprintf("%s%d", s.Repeat.Name, months/12)
	}
	for _, other := range c.protocol.Series {
		for _, step := range other.Steps {
			if step.ID == name {
				return name + "r"
			}
		}
	}
	return name
}
