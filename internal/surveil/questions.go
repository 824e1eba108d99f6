package surveil

import (
	"cmp"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// studyQuestions asks about the studies of an implant that no visit took:
// those that wait for acceptance, those that possibly count, those that came
// early or beside another.
func (e *engine) studyQuestions(m *implant) {
	if m.unresolved() {
		return
	}
	used := map[*study]bool{}
	m.used = used
	for _, v := range m.visits {
		if v.got != nil {
			used[v.got] = true
			for _, part := range v.got.parts {
				used[part] = true
			}
		}
	}
	for _, s := range e.studies {
		if s.refused || s.Unrecognised || s.NeverCounts {
			continue
		}
		c, certain := m.clockOf(s.On)
		if c == nil {
			continue
		}
		for _, v := range m.visits {
			if v.got == nil && v.standing.owed() && v.opens.First <= s.On.Last {
				e.askForVisit(v, s, c, certain)
			}
		}
		if certain && !used[s] {
			e.askEarly(m, c, s)
		}
	}
}

// askForVisit asks about one study and one visit that is owed.
func (e *engine) askForVisit(v *visit, s *study, c *clock, certain bool) {
	m := v.implant
	at := v.lies(s.On)
	why := Reason{Facts: []string{s.Ref}, From: s.On, Word: v.step}
	if e.waits(m, v, s) {
		m.waiting = true
		why.Rule = "study-waits"
		e.ask(Question{Kind: "study-acceptance", About: s.Ref, Since: s.On.First, Hides: true, Visit: v.key(), Why: why})
		return
	}
	if m.used[s] || e.fits(s, v.ways, v.need) != fitFull || s.refusedForVisit(v) {
		return
	}
	if certain && (c != v.clock || at != possibly) || !certain && (at == outside || !couldBeIn(v.clock, s.On)) {
		return
	}
	why.Rule = "study-may-count"
	e.ask(Question{Kind: "partial-date", About: s.Ref, Since: s.On.First, Hides: true, Visit: v.key(), Why: why})
}

// waits says whether a study would do an owed visit once a person accepts it:
// by itself, or as the earlier half of a set.
func (e *engine) waits(m *implant, v *visit, s *study) bool {
	if !e.candidate(m, v, s) || e.fits(s, v.ways, v.need) == fitFull {
		return false
	}
	if e.fits(s, v.ways, v.need) == fitAccept {
		return true
	}
	return e.partner(s, v.ways, v.need, func(t *study) bool {
		later := cmp.Or(cmp.Compare(t.On.First, s.On.First), cmp.Compare(t.On.Last, s.On.Last), cmp.Compare(t.Ref, s.Ref))
		return later > 0 && e.candidate(m, v, t)
	}) != nil
}

// candidate says whether a study lies for certain where it counts for a visit
// and is not taken by another visit of the series.
func (e *engine) candidate(m *implant, v *visit, s *study) bool {
	c, certain := m.clockOf(s.On)
	if !certain || c != v.clock || v.lies(s.On) < late || s.refused || s.refusedForVisit(v) {
		return false
	}
	return !slices.ContainsFunc(m.visits, func(o *visit) bool {
		return o.clock == v.clock && o.series == v.series && o.got != nil && (o.got == s || slices.Contains(o.got.parts, s))
	})
}

// couldBeIn says whether some day of a date lies inside a clock.
func couldBeIn(c *clock, on day.Span) bool {
	return on.Last > c.from.First && (!c.until.Known() || on.First < c.until.Last)
}

// askEarly asks "count it?" about a study that no visit of the implant took,
// where of all visits that it fits the one with the nearest target is owed.
func (e *engine) askEarly(m *implant, c *clock, s *study) {
	var nearest []*visit
	best := 0
	for _, v := range m.visits {
		if v.clock != c || e.fits(s, v.ways, v.need) != fitFull || s.refusedForVisit(v) {
			continue
		}
		away := int(v.target.First - s.On.First)
		away = max(away, -away)
		if nearest == nil || away < best {
			best, nearest = away, nil
		}
		if away == best {
			nearest = append(nearest, v)
		}
	}
	if slices.ContainsFunc(m.visits, func(v *visit) bool {
		return v.clock == c && v.got == nil && v.lies(s.On) >= late && e.fits(s, v.ways, v.need) != fitFull
	}) {
		return // it came for a visit that wants something else
	}
	for _, v := range nearest {
		if v.standing.owed() && v.lies(s.On) != possibly {
			e.ask(Question{Kind: "study-early", About: s.Ref, Since: s.On.First, Hides: true, Visit: v.key(),
				Why: Reason{Rule: "study-outside-windows", Facts: []string{s.Ref}, From: s.On, Word: v.step}})
		}
	}
}

// kindQuestions asks about studies that no rule recognised, from the first
// index day on.
func (e *engine) kindQuestions() {
	if len(e.implants) == 0 {
		return
	}
	first := forever
	for _, m := range e.implants {
		first = min(first, m.index.First)
	}
	for _, s := range e.studies {
		if (s.Unrecognised || s.Kind == chart.KindUnknown) && !s.refused && s.On.Last >= first {
			e.ask(Question{Kind: "study-kind", About: s.Ref, Since: s.On.First, Why: Reason{Rule: "study-not-recognised", Facts: []string{s.Ref}, From: s.On, Word: s.Said}})
		}
	}
}
