package surveil

import (
	"slices"
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// addedSeries is the series of visits that triggers add.
const addedSeries = "check"

// adding makes the visits that the triggers of a clock add, in order of their
// causes, and numbers them.
type adding struct {
	e     *engine
	m     *implant
	c     *clock
	n     int
	rows  [][]*visit
	needs []addedNeed
	begun []begun
}

// addedNeed is what an added visit is for: two triggers that want the same days
// for the same cause add one.
type addedNeed struct {
	cause       string
	open, close int
}

// begun is an added series: the hit that began it, and its last target.
type begun struct {
	hit  hit
	last day.Span
}

// added makes the rows of visits that triggers add to a clock.
func (e *engine) added(m *implant, c *clock) [][]*visit {
	a := adding{e: e, m: m, c: c}
	c.hits = e.hits(m, c.care(), c.class)
	for _, h := range c.hits {
		if m.clockAt(h.on) != c {
			continue
		}
		switch then := &h.trigger.Then; {
		case then.Visit != nil:
			a.visit(h, then.Visit)
		case then.Series != nil && a.begins(h):
			a.series(h, then.Series)
		}
	}
	return a.rows
}

// visit adds one visit.
func (a *adding) visit(h hit, v *protocol.Added) {
	need := addedNeed{h.cause, v.Open, v.Close}
	if slices.Contains(a.needs, need) {
		return
	}
	a.needs = append(a.needs, need)
	one := a.put(h, h.on.Add(v.At), h.on.Plus(v.Open), h.on.Plus(v.Close))
	one.wants(v.Ways, v.Needs, h.trigger.Cite)
	a.row(one)
}

// series adds a row of visits, and marks those of the calendar in whose place
// they come.
func (a *adding) series(h hit, s *protocol.AddedSeries) {
	var list []*visit
	for at := s.Every; at <= s.Until; at += s.Every {
		target := h.on.Add(day.Offset{Months: at})
		v := a.put(h, target, target.Plus(-s.Before), target.Plus(s.After))
		v.wants(s.Ways, s.Needs, h.trigger.Cite)
		list = append(list, v)
	}
	a.row(list...)
	last := list[len(list)-1].target
	a.begun = append(a.begun, begun{h, last})
	if !s.Instead {
		return
	}
	for _, v := range a.m.visits {
		if v.clock == a.c && v.ladder && !v.rolling && v.target.First > h.on.Last && v.target.First <= last.First {
			v.note().instead = &h
		}
	}
}

// begins says whether a hit begins a series: the first of its trigger; a later
// one only when the earlier series is over and the finding had gone and came
// back (an operation needs not have gone).
func (a *adding) begins(h hit) bool {
	for i := len(a.begun) - 1; i >= 0; i-- {
		if b := &a.begun[i]; b.hit.trigger == h.trigger {
			return h.on.First > b.last.First && (h.finding == nil || a.cameBack(b.hit, h))
		}
	}
	return true
}

// cameBack says whether between two hits a finding of their sort says that
// there was nothing.
func (a *adding) cameBack(before, now hit) bool {
	return slices.ContainsFunc(a.e.findingsOf(a.m), func(f *chart.Finding) bool {
		on := a.e.hitBy(nil, f).on.First
		return f.What == now.finding.What && gone(f) && on > before.on.First && on < now.on.First
	})
}

// put makes a visit with the next number.
func (a *adding) put(h hit, target, opens, closes day.Span) *visit {
	a.n++
	v := &visit{implant: a.m, clock: a.c, seriesID: addedSeries, ladder: true, step: addedSeries + strconv.Itoa(a.n), n: 1,
		target: target, opens: opens, closes: closes, need: a.c.need, protocol: a.c.care(), trigger: true, cause: h.facts, rule: h.trigger.ID}
	if note := h.noted(); note.Word != "" {
		v.note().ruled = append(v.note().ruled, note)
	}
	return v
}

func (a *adding) row(list ...*visit) {
	a.e.lastDays(a.c, list)
	a.rows = append(a.rows, list)
}
