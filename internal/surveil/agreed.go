package surveil

import (
	"fmt"
	"slices"
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// agree adds to a visit the kinds of imaging that a person agreed for it: by
// name, or for the implant's visits that close on the day of the ruling or
// later (and fall due before the day on which it ends).
func (e *engine) agree(v *visit) {
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind != chart.RuleModality || !e.agreedFor(r, v) {
			continue
		}
		if k, ok := chart.ParseKind(r.Value); ok && r.Problem() == "" {
			v.ways = append(slices.Clip(v.ways), protocol.Way{Kinds: []chart.Kind{k}})
			v.note().agreed = true
			v.ruledBy(r, "modality-agreed", k.String())
		}
	}
}

func (e *engine) agreedFor(r *chart.Ruling, v *visit) bool {
	if r.Visit != "" {
		return r.Visit == v.key()
	}
	return v.implant.concerns(r) && r.From() <= v.closes.Last && (r.Until == 0 || v.target.First < r.Until)
}

// agreedWays are the ways that a person agreed for all visits of an implant.
func (e *engine) agreedWays(m *implant) []protocol.Way {
	var list []protocol.Way
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind != chart.RuleModality || r.Visit != "" || !m.concerns(r) || r.Problem() != "" {
			continue
		}
		if k, ok := chart.ParseKind(r.Value); ok {
			list = append(list, protocol.Way{Kinds: []chart.Kind{k}})
		}
	}
	return list
}

// intervalAt is the ruling by which a visit that falls due on a day has
// another interval: the latest of those in force on that day.
func (e *engine) intervalAt(m *implant, on day.Day) *chart.Ruling {
	var found *chart.Ruling
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind == chart.RuleInterval && m.concerns(r) && r.From() <= on && (r.Until == 0 || on < r.Until) && r.Problem() == "" {
			found = r
		}
	}
	return found
}

// changeIntervals puts in place of the repeated visits of a series that fall
// due under a ruling those of the ruling's interval, counted from the anchor.
// The fixed steps stay, and so does a series that moves no rung.
func (e *engine) changeIntervals(m *implant, c *clock, s *protocol.Series, list []*visit) []*visit {
	if s.Repeat == nil || !s.Ladder || !e.changed(m) {
		return list
	}
	fixed := func(at day.Offset) bool {
		return slices.ContainsFunc(s.Steps, func(step protocol.Step) bool { return step.OnlyIf == nil && step.At == at })
	}
	out := slices.DeleteFunc(slices.Clone(list), func(v *visit) bool {
		step := slices.ContainsFunc(s.Steps, func(step protocol.Step) bool { return step.ID == v.step })
		return !step && e.intervalAt(m, v.target.First) != nil
	})
	for i := range e.rulings {
		r := &e.rulings[i]
		every, ok := r.Interval()
		if r.Kind != chart.RuleInterval || !m.concerns(r) || !ok {
			continue
		}
		for at := every; c.from.First.Add(at) <= e.asOf+ahead && !beyond(s.Repeat, at); at = (day.Offset{Months: at.Months + every.Months, Days: at.Days + every.Days}) {
			if target := c.from.Add(at); !fixed(at) && e.intervalAt(m, target.First) == r {
				out = append(out, e.intervalVisit(m, c, s, r, at))
			}
		}
	}
	return out
}

// changed says whether a person changed the interval of an implant.
func (e *engine) changed(m *implant) bool {
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleInterval && m.concerns(r) {
			return true
		}
	}
	return false
}

// protocolOf is the protocol of a clock that a series is of.
func (e *engine) protocolOf(c *clock, s *protocol.Series) *protocol.Protocol {
	for _, era := range c.eras {
		for i := range era.Protocol.Series {
			if &era.Protocol.Series[i] == s {
				return era.Protocol
			}
		}
	}
	return c.care()
}

// beyond says whether a repeated visit lies beyond the end of its series.
func beyond(r *protocol.Repeat, at day.Offset) bool {
	return !r.Until.Zero() && at.Months*30+at.Days > r.Until.Months*30
}

// intervalVisit is one visit of a changed interval. Its window is that of the
// protocol's repeats, but no wider than half the interval to each side.
func (e *engine) intervalVisit(m *implant, c *clock, s *protocol.Series, r *chart.Ruling, at day.Offset) *visit {
	p := e.protocolOf(c, s)
	every, _ := r.Interval()
	half := (every.Months*30 + every.Days - 1) / 2
	target := c.from.Add(at)
	v := e.newVisit()
	v.implant, v.clock, v.seriesID, v.ladder, v.step, v.need, v.protocol = m, c, s.ID, s.Ladder, intervalStep(p, s, at), c.need, p
	v.target, v.opens, v.closes = target, target.Plus(-min(s.Repeat.Before, half)), target.Plus(min(s.Repeat.After, half))
	v.wants(s.Repeat.Ways, s.Repeat.Needs, s.Repeat.Cite)
	v.ruledBy(r, "interval-changed", everyText(every))
	return v
}

// intervalStep names a visit by its place on the calendar: whole years as the
// series does, else months or days. A name that a step has already gets an r.
func intervalStep(p *protocol.Protocol, s *protocol.Series, at day.Offset) string {
	id := "d" + strconv.Itoa(at.Days)
	switch {
	case at.Months > 0 && at.Months%12 == 0:
		id = s.Prefix + strconv.Itoa(at.Months/12)
	case at.Months > 0:
		id = "m" + strconv.Itoa(at.Months)
	}
	for i := range p.Series {
		if slices.ContainsFunc(p.Series[i].Steps, func(step protocol.Step) bool { return step.ID == id }) {
			return id + "r"
		}
	}
	return id
}

// everyText is an interval in words.
func everyText(o day.Offset) string {
	n, unit := o.Days, "days"
	if o.Months > 0 {
		n, unit = o.Months, "months"
	}
	if n == 1 {
		return "every month"
	}
	return fmt.Sprintf("every %d %s", n, unit)
}

// stratumAt is the risk stratum on a day, as a person confirmed it. An abnormal
// finding after the confirmation breaks it: then none is confirmed.
func (e *engine) stratumAt(m *implant, on day.Day) (string, *chart.Ruling) {
	var found *chart.Ruling
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleStratum && m.concerns(r) && r.From() <= on && r.Problem() == "" {
			found = r
		}
	}
	if found == nil {
		return chart.StratumNone, nil
	}
	for _, f := range e.findingsOf(m) {
		if abnormal(f) && f.On.Last > found.From() && f.On.First <= on {
			return chart.StratumNone, nil
		}
	}
	return found.Value, found
}

// inStratum leaves of a series for some strata the visits that fall due while
// the patient is in one of them.
func (e *engine) inStratum(m *implant, s *protocol.Series, list []*visit) []*visit {
	if len(s.Strata) == 0 {
		return list
	}
	return slices.DeleteFunc(list, func(v *visit) bool {
		stratum, r := e.stratumAt(m, v.target.First)
		if r != nil {
			v.ruledBy(r, "stratum-confirmed", stratum)
		}
		return !slices.Contains(s.Strata, stratum)
	})
}
