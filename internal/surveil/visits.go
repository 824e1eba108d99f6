package surveil

import (
	"cmp"
	"slices"
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// visit is one visit of one clock while it is being worked out.
type visit struct {
	implant  *implant
	clock    *clock
	series   int // row of visits that are matched together
	seriesID string
	ladder   bool
	step     string
	n        int
	target   day.Span
	opens    day.Span
	closes   day.Span
	sure     day.Day // last day that counts, the earliest possible
	last     day.Day // last day that counts, the latest possible
	ways     []protocol.Way
	need     chart.Territory
	trigger  bool // a trigger or a condition made it
	baseline bool
	rolling  bool // counted from the last imaging
	protocol *protocol.Protocol
	cite     protocol.Cite
	also     *protocol.Also // imaging asked for beside it
	cause    []string       // facts that made it
	rule     string         // id of the trigger

	got      *study // what satisfied it
	ruling   string // the ruling that accepted it
	late     bool
	standing Standing
	excuse   string
	excuseBy []string
	aside    *aside // nil for most
}

// aside is what few visits have.
type aside struct {
	agreed  bool     // a person agreed another kind of imaging
	ruled   []Reason // what people ruled about it: kind of imaging, interval, stratum
	with    []*visit // what one scan may serve as well
	instead *hit     // what began the added series that takes its place
}

// note makes room for what few visits have.
func (v *visit) note() *aside {
	if v.aside == nil {
		v.aside = &aside{}
	}
	return v.aside
}

// ruledBy notes what a person ruled about a visit.
func (v *visit) ruledBy(r *chart.Ruling, rule, word string) {
	v.note().ruled = append(v.note().ruled, Reason{Rule: rule, Facts: []string{r.ID}, From: day.On(r.From()), Word: word})
}

// forever is a day after every day of the calendar.
const forever = day.Max

// ahead is how far beyond the as-of date visits are made, in days: more than
// two five-yearly ones.
const ahead = 4500

// findVisits makes and matches the visits of all clocks of an implant. Steps
// with a condition come after the others: they ask what the first scan showed.
func (e *engine) findVisits(m *implant) {
	if m.unresolved() {
		return
	}
	sorted := true // as the visits of one series are
	for _, c := range m.clocks {
		if c.care() == nil {
			continue
		}
		series := 0
		add := func(list []*visit) {
			series++
			for _, v := range list {
				v.series = series
				e.agree(v)
			}
			e.match(m, c, list)
			if m.visits = append(m.visits, list...); len(m.clocks) == 1 && series == 1 {
				return
			}
			sorted = false
		}
		for _, row := range e.rows(m, c) {
			add(row)
		}
		e.conditional(m, c, add)
		for _, row := range e.added(m, c) {
			add(row)
		}
	}
	if sorted {
		return
	}
	slices.SortStableFunc(m.visits, func(a, b *visit) int {
		if a.clock != b.clock {
			return cmp.Compare(a.clock.number, b.clock.number)
		}
		if a.target.First != b.target.First {
			return cmp.Compare(a.target.First, b.target.First)
		}
		return cmp.Compare(a.series, b.series)
	})
}

// rows makes the series of a clock. Where the site changed its protocol the
// visits of each version are those whose target lies in its time; rows of one
// series id are one series.
func (e *engine) rows(m *implant, c *clock) [][]*visit {
	var ids []string
	var rows [][]*visit
	for i, era := range c.eras {
		from, to := era.From, forever
		if i == 0 {
			from = 0
		}
		if i+1 < len(c.eras) {
			to = c.eras[i+1].From - 1
		}
		for j := range era.Protocol.Series {
			s := &era.Protocol.Series[j]
			if !s.For(c.class) {
				continue
			}
			row := slices.Index(ids, s.ID)
			if row < 0 {
				row = len(ids)
				ids, rows = append(ids, s.ID), append(rows, nil)
			}
			made := e.inStratum(m, s, e.seriesOf(m, c, era.Protocol, s))
			if !s.Rolling {
				made = slices.DeleteFunc(made, func(v *visit) bool { return v.target.First < from || v.target.First > to })
			}
			era.explain(made)
			if len(rows[row]) == 0 {
				rows[row] = made
			} else {
				rows[row] = append(rows[row], made...)
			}
		}
	}
	for _, list := range rows {
		slices.SortStableFunc(list, func(a, b *visit) int { return cmp.Compare(a.target.First, b.target.First) })
		for i, v := range list {
			v.n = i + 1
		}
		e.lastDays(c, list)
	}
	return rows
}

// seriesOf makes the visits of one series of a protocol.
func (e *engine) seriesOf(m *implant, c *clock, p *protocol.Protocol, s *protocol.Series) []*visit {
	if s.Rolling {
		return e.rolling(m, c, p, s)
	}
	return e.grid(m, c, p, s)
}

// newVisit makes room for a visit. Visits are made many at a time: of all that
// an evaluation makes they are the most.
func (e *engine) newVisit() *visit {
	if len(e.room) == cap(e.room) {
		e.room = make([]visit, 0, max(16, cap(e.room)*3/2)) // those made before stay where they are
	}
	e.room = append(e.room, visit{})
	return &e.room[len(e.room)-1]
}

// horizon is the day up to which the targets of a repeated step are made: all
// of a series that ends, and of an endless one those well beyond the as-of date.
// An outline shows none beyond the first that has not opened, so that two of
// these are enough where neither a ruling nor a start of records in the future
// can settle a visit that has not opened, and no added series can take its place.
func (e *engine) horizon(c *clock, r *protocol.Repeat) day.Day {
	last := forever
	if r.Until.Zero() {
		last = e.asOf + ahead
	}
	if !e.brief || len(e.rulings) > 0 || len(e.findings) > 0 && c.care().Replaces() || e.r.Settings.RecordsFrom > e.asOf || !c.from.Exact() {
		return last
	}
	return min(last, max(e.asOf, c.from.First.Add(r.From)).Plus(r.Before+r.After+2*31*r.Every.Months))
}

// grid makes the visits of one series of a protocol. Steps with a condition are
// left to conditional.
func (e *engine) grid(m *implant, c *clock, p *protocol.Protocol, s *protocol.Series) []*visit {
	list := make([]*visit, 0, 24)
	put := func(id string, at day.Offset, before, after int) *visit {
		target := c.from.Add(at)
		v := e.newVisit()
		v.implant, v.clock, v.seriesID, v.ladder, v.step, v.need, v.protocol = m, c, s.ID, s.Ladder, id, c.need, p
		v.target, v.opens, v.closes = target, target.Plus(-before), target.Plus(after)
		list = append(list, v)
		return v
	}
	for i := range s.Steps {
		if step := &s.Steps[i]; step.OnlyIf == nil {
			v := put(step.ID, step.At, step.Before, step.After)
			v.wants(step.Ways, step.Needs, step.Cite)
			v.also = step.Also
		}
	}
	if r := s.Repeat; r != nil && r.Every.Months > 0 {
		last := e.horizon(c, r)
		for at := r.From; r.Until.Zero() || at.Months <= r.Until.Months; at.Months += r.Every.Months {
			if c.from.First.Add(at) > last {
				break
			}
			put(s.Prefix+strconv.Itoa(at.Months/12), at, r.Before, r.After).wants(r.Ways, r.Needs, r.Cite)
		}
	}
	if len(list) > 0 && s.Baseline() {
		list[0].baseline = true
	}
	return e.changeIntervals(m, c, s, list)
}

// wants fills in what satisfies a visit.
func (v *visit) wants(ways []protocol.Way, needs chart.Territory, cite protocol.Cite) {
	v.ways, v.cite = ways, cite
	if needs != 0 {
		v.need = needs
	}
}

// lastDays says up to which day a study counts for each visit of a series:
// to the day before the next window opens, or its own close if that is later;
// the last visit of a series that ends counts to its close.
func (e *engine) lastDays(c *clock, list []*visit) {
	for i, v := range list {
		v.sure, v.last = v.closes.First, v.closes.Last
		switch {
		case !v.protocol.Late:
		case i+1 < len(list):
			v.sure = max(v.sure, list[i+1].opens.First-1)
			v.last = max(v.last, list[i+1].opens.Last-1)
		case v.trigger || !finite(v, c.class):
			v.sure, v.last = forever, forever
		}
	}
}

// finite says whether the series of a visit ends.
func finite(v *visit, class string) bool {
	for i := range v.protocol.Series {
		s := &v.protocol.Series[i]
		if s.ID == v.seriesID && s.For(class) && s.Repeat != nil && s.Repeat.Until.Zero() {
			return false
		}
	}
	return true
}

// conditional adds the steps whose condition the first scan of the clock
// meets; each is a series of its own.
func (e *engine) conditional(m *implant, c *clock, add func([]*visit)) {
	first := slices.IndexFunc(m.visits, func(v *visit) bool { return v.clock == c && v.baseline && v.got != nil })
	if first < 0 {
		return
	}
	scan := m.visits[first].got
	p := m.visits[first].protocol
	for i := range p.Series {
		s := &p.Series[i]
		for j := range s.Steps {
			step := &s.Steps[j]
			if step.OnlyIf == nil || !s.For(c.class) {
				continue
			}
			if facts := e.shows(m, scan, step.OnlyIf); len(facts) > 0 {
				v := e.conditionalVisit(m, c, p, s, step)
				v.cause = append(facts, m.visits[first].evidence()...)
				e.lastDays(c, []*visit{v})
				add([]*visit{v})
			}
		}
	}
}

// evidence names what a done visit rests on beside its first study: the other
// parts of an event, and the ruling that accepted it.
func (v *visit) evidence() []string {
	var facts []string
	for i, part := range v.got.parts {
		if i > 0 {
			facts = append(facts, part.Ref)
		}
	}
	if by := v.ruling + v.got.acceptedBy; by != "" {
		facts = append(facts, by)
	}
	return facts
}

func (e *engine) conditionalVisit(m *implant, c *clock, p *protocol.Protocol, s *protocol.Series, step *protocol.Step) *visit {
	target := c.from.Add(step.At)
	v := &visit{implant: m, clock: c, seriesID: s.ID, ladder: s.Ladder, step: step.ID, n: 1, target: target, rule: step.ID,
		opens: target.Plus(-step.Before), closes: target.Plus(step.After), need: c.need, protocol: p, trigger: true}
	v.wants(step.Ways, step.Needs, step.Cite)
	v.also = step.Also
	return v
}

// certain says where a study lies with regard to a visit.
type place uint8

const (
	outside  place = iota
	possibly       // some reading of the dates puts it inside
	late
	onTime
)

// lies says where a date lies with regard to a visit: for certain in the
// window, for certain where it still counts, possibly, or not.
func (v *visit) lies(on day.Span) place {
	switch {
	case on.Within(v.opens.Last, v.closes.First):
		return onTime
	case on.Within(v.opens.Last, v.sure):
		return late
	case on.Meets(v.opens.First, v.last):
		return possibly
	}
	return outside
}

// clockOf says to which clock of an implant a study belongs: after the
// operation that started it and before the next. Studies on the day of an
// operation belong to none; certain is false where a partial date leaves it
// open.
func (m *implant) clockOf(on day.Span) (c *clock, certain bool) {
	if !m.index.Known() || m.explanted != nil && on.First >= m.explanted.On.Last {
		return nil, false
	}
	for _, k := range m.clocks {
		if on.Last <= k.from.First || k.until.Known() && on.First >= k.until.Last {
			continue
		}
		sure := on.First > k.from.Last && (!k.until.Known() || on.Last < k.until.First)
		sure = sure && (m.explanted == nil || on.Last < m.explanted.On.First)
		for _, op := range m.coils {
			if !on.Meets(op.On.First, op.On.Last) {
				continue
			}
			if sure = false; on == op.On && on.Exact() {
				return nil, false
			}
		}
		return k, sure
	}
	return nil, false
}
