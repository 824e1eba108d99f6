package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// match finds which study satisfies which visit of one series. Of all
// assignments that keep the order and use a study at most once it takes the
// one with most visits on time, then most visits satisfied, then the earliest
// studies, then the earliest visits. Rulings come before.
func (e *engine) match(m *implant, c *clock, list []*visit) {
	e.acceptRuled(list)
	studies := e.candidates(m, c, list)
	if len(studies) == 0 {
		return
	}
	visits := make([]*visit, 0, len(list))
	for _, v := range list {
		if v.got == nil && !(v.baseline && !c.from.Exact()) && v.opens.First <= e.asOf {
			visits = append(visits, v)
		}
	}
	t := table{visits: visits, studies: studies, cells: make([]place, len(visits)*len(studies))}
	clash := false
	for j, s := range studies {
		hits := 0
		for i, v := range visits {
			if p := v.lies(s.On); p >= late && e.does(s, v) && !(len(s.parts) > 0 && e.doneAlone(s, v)) {
				t.cells[i*len(studies)+j] = p
				hits++
			}
		}
		clash = clash || hits > 1
	}
	if clash {
		t.assign()
	} else {
		t.each()
	}
}

// key is the visit's key as rulings name it.
func (v *visit) key() string { return visitKey(v.implant.id, v.clock.number, v.step) }

// acceptRuled gives a visit the study that a person accepted for it. The
// latest ruling comes first: a visit takes one study, and a study is taken by
// one visit of a series.
func (e *engine) acceptRuled(list []*visit) {
	for i := len(e.rulings) - 1; i >= 0; i-- {
		r := &e.rulings[i]
		if r.Kind != chart.RuleAccept && r.Kind != chart.RuleReviewed || r.Visit == "" {
			continue
		}
		at := slices.IndexFunc(list, func(v *visit) bool { return v.key() == r.Visit })
		if at < 0 || list[at].got != nil {
			continue
		}
		if r.Kind == chart.RuleReviewed {
			list[at].decide(r)
			continue
		}
		for _, s := range e.studies {
			taken := slices.ContainsFunc(list, func(v *visit) bool { return v.got == s })
			if v := list[at]; s.names(r.About) && !taken && !s.refused && !slices.Contains(s.refusedFor, r.Visit) {
				v.got, v.ruling, v.late = s, r.ID, s.On.Last > v.closes.First
			}
		}
	}
}

// asksForDecision says whether a visit wants a person's decision, no imaging.
func (v *visit) asksForDecision() bool {
	return slices.ContainsFunc(v.ways, func(w protocol.Way) bool { return slices.Contains(w.Kinds, chart.RetrievalReview) })
}

// decide does a visit that asks for a decision instead of imaging, with the
// ruling that says it was taken.
func (v *visit) decide(r *chart.Ruling) {
	if !v.asksForDecision() {
		return
	}
	on := day.On(r.From())
	s := &study{Study: &chart.Study{Source: chart.Source{Ref: "Ruling/" + r.ID}, On: on, Kind: chart.RetrievalReview}}
	s.parts = []*study{s} // it has no report to wait for
	v.got, v.ruling, v.late = s, r.ID, on.Last > v.closes.First
}

// candidates are the studies, and events of several studies, that lie for
// certain in a clock and may fit a visit of the series, by date.
func (e *engine) candidates(m *implant, c *clock, list []*visit) []*study {
	found := make([]*study, 0, len(e.studies))
	take := func(s *study) {
		if k, certain := m.clockOf(s.On); k != c || !certain {
			return
		}
		for _, v := range list {
			if v.got != nil && (v.got == s || slices.Contains(v.got.parts, s) || slices.Contains(s.parts, v.got)) {
				return
			}
		}
		found = append(found, s)
	}
	for _, s := range e.studies {
		if !s.refused && !s.Unrecognised && !s.NeverCounts && s.Kind != chart.OtherImaging && s.Kind != chart.KindUnknown {
			take(s)
		}
	}
	if len(list) > 0 && slices.ContainsFunc(found, func(s *study) bool { return e.usablePart(s, list[0].need) }) {
		for _, s := range e.events(list[0].need) {
			take(s)
		}
	}
	slices.SortStableFunc(found, func(a, b *study) int {
		if a.On.First != b.On.First {
			return cmp.Compare(a.On.First, b.On.First)
		}
		if a.On.Last != b.On.Last {
			return cmp.Compare(a.On.Last, b.On.Last)
		}
		if d := cmp.Compare(a.Minute, b.Minute); d != 0 {
			return d
		}
		return strings.Compare(a.Ref, b.Ref)
	})
	return found
}

// table says for each visit and study of a series where the study lies.
type table struct {
	visits  []*visit
	studies []*study
	cells   []place
}

func (t *table) at(i, j int) place { return t.cells[i*len(t.studies)+j] }

func (t *table) give(i, j int) {
	v := t.visits[i]
	v.got, v.late = t.studies[j], t.at(i, j) == late
}

// each is the plain case: no study fits two visits, so each visit takes its
// earliest study on time, else its earliest.
func (t *table) each() {
	for i := range t.visits {
		best := -1
		for j := range t.studies {
			if p := t.at(i, j); p >= late && (best < 0 || p == onTime && t.at(i, best) == late) {
				best = j
			}
		}
		if best >= 0 {
			t.give(i, best)
		}
	}
}

// score is the worth of an assignment of the rest of a table: the pairs are
// kept to compare which studies and visits it uses.
type score struct {
	onTime, all int
	pairs       [][2]int // study, visit
}

// better orders scores by the rule of match.
func (a *score) better(b *score) bool {
	if a.onTime != b.onTime {
		return a.onTime > b.onTime
	}
	if a.all != b.all {
		return a.all > b.all
	}
	for part := range 2 {
		for k := range a.pairs {
			if a.pairs[k][part] != b.pairs[k][part] {
				return a.pairs[k][part] < b.pairs[k][part]
			}
		}
	}
	return false
}

// assign finds the best assignment by working backwards over the table.
func (t *table) assign() {
	n, k := len(t.visits), len(t.studies)
	best := make([]score, (n+1)*(k+1))
	for i := n - 1; i >= 0; i-- {
		for j := k - 1; j >= 0; j-- {
			top := best[(i+1)*(k+1)+j]
			if other := best[i*(k+1)+j+1]; other.better(&top) {
				top = other
			}
			if p := t.at(i, j); p >= late {
				rest := best[(i+1)*(k+1)+j+1]
				with := score{rest.onTime, rest.all + 1, append([][2]int{{j, i}}, rest.pairs...)}
				if p == onTime {
					with.onTime++
				}
				if with.better(&top) {
					top = with
				}
			}
			best[i*(k+1)+j] = top
		}
	}
	for _, pair := range best[0].pairs {
		t.give(pair[1], pair[0])
	}
}
