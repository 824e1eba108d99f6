package surveil

import (
	"perennial/internal/chart"
	"perennial/internal/day"
)

// Outliner makes outlines, one after the other, in the same memory. The zero
// Outliner is ready. Not for use by several goroutines at once.
type Outliner struct {
	made     []visit
	implants []Implant
	shown    []Visit
}

// Outline is Decide without what explains a plan, for those who count: it has
// the state and end of surveillance, and of each implant its id, class, index,
// clocks and end, and where each visit stands (clock, series, step, number,
// dates and standing). It has no reasons, work, questions, notes, reports and rungs. It
// holds until the next call.
func (o *Outliner) Outline(c *chart.Chart, r *Rules, asOf day.Day) Plan {
	e := &engine{c: c, r: r, asOf: asOf, brief: true, room: o.made[:0]}
	p := Plan{Patient: c.Patient, AsOf: asOf, Identifiers: c.Identifiers}
	if !e.settle() {
		return p
	}
	p.LastSeen = e.seen
	e.overall(&p)
	o.implants, o.shown = o.implants[:0], o.shown[:0]
	for _, m := range e.implants {
		o.implants = append(o.implants, o.sketch(e, m))
	}
	p.Implants, o.made = o.implants, e.room
	return p
}

// sketch is the implant as an outline gives it.
func (o *Outliner) sketch(e *engine, m *implant) Implant {
	out := Implant{ID: m.id, Class: m.class, Index: m.index, Clocks: len(m.clocks), Next: -1}
	if m.end != nil {
		out.Ended, out.EndedOn = m.end.why, m.end.on
	}
	next, from := m.next(), len(o.shown)
	for i, v := range e.listed(m) {
		if v == next {
			out.Next = i
		}
		o.shown = append(o.shown, Visit{Implant: m.id, Clock: v.clock.number, Series: v.seriesID, Step: v.step, N: v.n,
			Target: v.target, Opens: v.opens, Closes: v.closes, Standing: v.standing})
	}
	out.Visits = o.shown[from:len(o.shown):len(o.shown)]
	return out
}
