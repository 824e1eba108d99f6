package second

import (
	"fmt"
	"sort"
)

// cause is one fact that adds a visit, or begins a series of them.
type cause struct {
	happening
	what   string // the finding, "" for an operation
	visit  *Added
	series *AddedSeries
}

// addedRows makes what triggers add to a clock, in order of the causes: rows
// of one visit, and series. grid is the calendar, of which a series may take
// the place.
func (p *patient) addedRows(m *implant, c *clock, grid []*visit) [][]*visit {
	var causes []cause
	on := p.sightOf(m, grid)
	for _, t := range c.protocol.Triggers {
		hits := on.hits(c, t.When)
		if t.Visit != nil {
			for _, h := range hits {
				h.visit = t.Visit
				if !addsAlready(causes, h) {
					causes = append(causes, h)
				}
			}
		}
		if t.Series != nil {
			causes = append(causes, on.beginnings(hits, t.Series)...)
		}
	}
	sortCauses(causes)
	var rows [][]*visit
	number := 0
	for _, k := range causes {
		row := p.addedRow(m, c, k)
		for _, v := range row {
			number++
			v.step = fmt.Sprintf("check%d", number)
		}
		if k.series != nil && k.series.Instead {
			takePlace(grid, k.at, row[len(row)-1].target)
		}
		rows = append(rows, row)
	}
	return rows
}

// sortCauses orders by date, then id; those of one fact stay as they are.
func sortCauses(list []cause) {
	sort.SliceStable(list, func(i, j int) bool {
		if list[i].at.first != list[j].at.first {
			return list[i].at.first < list[j].at.first
		}
		return list[i].id < list[j].id
	})
}

// addsAlready tells whether the same fact adds a visit of the same days already.
func addsAlready(causes []cause, k cause) bool {
	for _, old := range causes {
		if old.visit != nil && old.id == k.id && old.visit.Opens == k.visit.Opens && old.visit.Closes == k.visit.Closes {
			return true
		}
	}
	return false
}

// hits lists what meets a condition on a clock, in order.
func (s sight) hits(c *clock, when Condition) []cause {
	var list []cause
	add := func(h happening, what string) {
		if s.implant.clockAt(h.at) == c {
			list = append(list, cause{happening: h, what: what})
		}
	}
	if when.Operation == "coils" && s.p.personIs(when) {
		for _, h := range s.implant.coils {
			add(h, "")
		}
	}
	for _, f := range s.fired(when) {
		add(s.p.seenOn(f), f.What)
	}
	sortCauses(list)
	return list
}

// beginnings picks the hits that begin a series: the first, and after the last
// target of the one before an operation, or a hit of what had gone and came
// back.
func (s sight) beginnings(hits []cause, series *AddedSeries) []cause {
	var list []cause
	for _, h := range hits {
		h.series = series
		if len(list) > 0 {
			before := list[len(list)-1]
			over := before.at.addMonths(series.Until).first < h.at.first
			if !over || h.what != "" && !s.wasGone(h.what, before.at.first, h.at.first) {
				continue
			}
		}
		list = append(list, h)
	}
	return list
}

// wasGone tells whether between two days, on neither, a finding says that
// there is none.
func (s sight) wasGone(what string, after, before day) bool {
	for _, f := range s.findings {
		on := s.p.seenOn(f).at.first
		if f.What == what && saysNone(f) && on > after && on < before {
			return true
		}
	}
	return false
}

// addedRow makes the one visit, or the series, that a cause adds.
func (p *patient) addedRow(m *implant, c *clock, k cause) []*visit {
	var row []*visit
	put := func(v visit, needs []string) {
		v.implant, v.clock, v.n, v.trigger, v.noLate = m, c, 1, true, c.protocol.NoLate
		v.need = needs
		if needs == nil {
			v.need = firstNeed(c.protocol)
		}
		row = append(row, &v)
	}
	if a := k.visit; a != nil {
		put(visit{target: k.at.addMonths(a.Months).addDays(a.Target), opens: k.at.addDays(a.Opens), closes: k.at.addDays(a.Closes), ways: a.Ways}, a.Needs)
	}
	if s := k.series; s != nil {
		for months := s.Every; months <= s.Until; months += s.Every {
			target := k.at.addMonths(months)
			put(visit{target: target, opens: target.addDays(-s.Before), closes: target.addDays(s.After), ways: s.Ways}, s.Needs)
		}
	}
	p.lastDays(row, true)
	return row
}

// takePlace marks the calendar's visits that fall due after the cause of a
// series, up to its last target.
func takePlace(grid []*visit, cause, last span) {
	for _, v := range grid {
		if !v.noLadder && v.target.first > cause.last && v.target.first <= last.first {
			v.instead = true
		}
	}
}
