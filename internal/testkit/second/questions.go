package second

import "sort"

// question is one open question with the day on which it arose.
type question struct {
	kind, about string
	at          span
	hides       bool // it hides a visit, or keeps one from being done
}

// ask notes a question once.
func (p *patient) ask(kind, about string, at span, hides bool) {
	for i, q := range p.asked {
		if q.kind == kind && q.about == about {
			p.asked[i].hides = q.hides || hides
			return
		}
	}
	p.asked = append(p.asked, question{kind, about, at, hides})
}

// answered tells whether a person answered the question.
func (p *patient) answered(q question) bool {
	for _, r := range p.rulings {
		if r.Kind == "answer" && r.Asked == q.kind && r.About == q.about {
			return true
		}
	}
	return false
}

// openQuestions lists what stands, by kind, then about.
func (p *patient) openQuestions() []QuestionItem {
	var list []QuestionItem
	for _, q := range p.standing() {
		list = append(list, QuestionItem{q.kind, q.about})
	}
	return list
}

// standing lists the unanswered questions in order.
func (p *patient) standing() []question {
	var list []question
	for _, q := range p.asked {
		if !p.answered(q) {
			list = append(list, q)
		}
	}
	sort.Slice(list, func(i, j int) bool {
		if list[i].kind != list[j].kind {
			return list[i].kind < list[j].kind
		}
		return list[i].about < list[j].about
	})
	return list
}

// studyQuestions asks about the studies that no visit took.
func (p *patient) studyQuestions(results []*result) {
	for _, r := range results {
		for _, v := range r.visits {
			if !owed(v.standing) {
				continue
			}
			for _, s := range p.waitingFor(r, v) {
				p.ask("study-acceptance", s.id, s.at, true)
				r.waiting = true
			}
			p.possiblyFor(r, v)
		}
		p.earlyStudies(r)
	}
}

// usedIn tells whether a visit of the same series (any series of the implant
// where series is 0) took the study.
func usedIn(r *result, s study, c *clock, series int) bool {
	for _, v := range r.visits {
		if series != 0 && (v.clock != c || v.series != series) {
			continue
		}
		for _, part := range v.members {
			if part.id == s.id {
				return true
			}
		}
	}
	return false
}

// candidate tells whether a study lies where it certainly counts for the visit.
func candidate(r *result, v *visit, s study) bool {
	c, certain := r.implant.clockOf(s)
	at := v.lies(s.at)
	return certain && c == v.clock && (at == onTime || at == late) &&
		!hasKey(s.refusedFor, v.key()) && !usedIn(r, s, v.clock, v.series)
}

// waitingFor lists the studies that would do an owed visit once a person
// accepts them. Of a set it is the earlier one.
func (p *patient) waitingFor(r *result, v *visit) []study {
	var list []study
	for _, s := range p.studies {
		if !candidate(r, v, s) || s.refused || p.satisfies(s, v.ways, v.need) {
			continue
		}
		for _, w := range v.ways {
			if meets(s.kind, s.territories, w, v.need) || len(w.Kinds) == 2 && p.setWaits(r, v, w, s) {
				list = append(list, s)
				break
			}
		}
	}
	return list
}

// setWaits tells whether the study is the earlier half of a set of which both
// halves lie where they count.
func (p *patient) setWaits(r *result, v *visit, w Way, s study) bool {
	for _, t := range p.studies {
		kinds := s.kind == w.Kinds[0] && t.kind == w.Kinds[1] || s.kind == w.Kinds[1] && t.kind == w.Kinds[0]
		if kinds && before(s, t) && !t.refused && candidate(r, v, t) && gap(s.at, t.at) <= 30 &&
			covers(s.territories, v.need, false) && covers(t.territories, v.need, false) {
			return true
		}
	}
	return false
}

// possiblyFor asks about studies that satisfy by kind and territory and may
// or may not lie where they count for the owed visit.
func (p *patient) possiblyFor(r *result, v *visit) {
	for _, s := range p.studies {
		c, certain := r.implant.clockOf(s)
		if c == nil || !p.satisfiesVisit(s, v) || usedIn(r, s, nil, 0) {
			continue
		}
		at := v.lies(s.at)
		if certain && (c != v.clock || at != possibly) {
			continue
		}
		if !certain && (at == outside || !couldBeIn(v.clock, s)) {
			continue
		}
		p.ask("partial-date", s.id, s.at, true)
	}
}

// couldBeIn tells whether the study's range has a day inside the clock.
func couldBeIn(c *clock, s study) bool {
	return s.at.last > c.anchor.first && (!c.until.known || s.at.first < c.until.last)
}

// earlyStudies asks "count it?" about studies that no visit of the implant
// took, where of all visits that they fit the nearest is not done.
func (p *patient) earlyStudies(r *result) {
	for _, s := range p.studies {
		c, certain := r.implant.clockOf(s)
		if c == nil || !certain || usedIn(r, s, nil, 0) {
			continue
		}
		nearest := day(0)
		var visits []*visit
		for _, v := range r.visits {
			if v.clock != c || !p.satisfiesVisit(s, v) {
				continue
			}
			away := v.target.first - s.at.first
			if away < 0 {
				away = -away
			}
			if visits == nil || away < nearest {
				nearest, visits = away, nil
			}
			if away == nearest {
				visits = append(visits, v)
			}
		}
		if p.cameForAnother(r, c, s) {
			continue
		}
		for _, v := range visits {
			if owed(v.standing) && v.lies(s.at) != possibly {
				p.ask("study-early", s.id, s.at, true)
			}
		}
	}
}

// cameForAnother tells whether the study lies where it would count for a visit
// that is not done and wants something else.
func (p *patient) cameForAnother(r *result, c *clock, s study) bool {
	for _, v := range r.visits {
		at := v.lies(s.at)
		if v.clock == c && !v.done && (at == onTime || at == late) && !p.satisfies(s, v.ways, v.need) {
			return true
		}
	}
	return false
}
