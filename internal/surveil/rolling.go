package surveil

import (
	"slices"
	"strconv"

	"perennial/internal/day"
	"perennial/internal/protocol"
)

// rolling makes the visits of a series that is anchored on the last imaging:
// one is owed at a time, an interval after the imaging before it. Imaging that
// comes before a window opens moves the visit on; it never counts early. The
// step ids number the visits: r1, r2, …
func (e *engine) rolling(m *implant, c *clock, p *protocol.Protocol, s *protocol.Series) []*visit {
	r := s.Repeat
	if r == nil {
		return nil
	}
	var list []*visit
	anchor := c.from
	put := func() *visit {
		target := anchor.Add(r.Every)
		ruled := e.intervalAt(m, target.First)
		if ruled != nil {
			every, _ := ruled.Interval()
			target = anchor.Add(every)
		}
		v := &visit{implant: m, clock: c, seriesID: s.ID, ladder: s.Ladder, step: "r" + strconv.Itoa(len(list)+1), target: target,
			opens: target.Plus(-r.Before), closes: target.Plus(r.After), need: c.need, protocol: p, rolling: true}
		v.wants(r.Ways, r.Needs, r.Cite)
		if ruled != nil {
			every, _ := ruled.Interval()
			v.ruledBy(ruled, "interval-changed", everyText(every))
		}
		return v
	}
	for _, on := range e.rollingImaging(m, c, r) {
		if v := put(); on.First >= v.opens.Last {
			list = append(list, v)
		}
		anchor = on
	}
	return append(list, put())
}

// rollingImaging lists the days of the studies that satisfy a rolling series.
func (e *engine) rollingImaging(m *implant, c *clock, r *protocol.Repeat) []day.Span {
	need := c.need
	if r.Needs != 0 {
		need = r.Needs
	}
	ways := append(slices.Clip(r.Ways), m.agreed...)
	var days []day.Span
	for _, s := range e.studies {
		if k, certain := m.clockOf(s.On); k == c && certain && s.On.Exact() && e.fits(s, ways, need) == fitFull {
			days = append(days, s.On)
		}
	}
	slices.SortFunc(days, func(a, b day.Span) int { return int(a.First - b.First) })
	return slices.Compact(days)
}

// CyclesMissed counts the whole intervals that have gone by since a visit of
// a rolling series fell due.
func CyclesMissed(target, asOf day.Day, every day.Offset) int {
	n := 0
	for d := target.Add(every); d <= asOf && !every.Zero(); d = d.Add(every) {
		n++
	}
	return n
}
