package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Scan is one day of imaging of a proposal: the fewest days that serve all
// visits of the next twelve months which can share a day.
type Scan struct {
	From   day.Day         // any day from here …
	To     day.Day         // … to here serves all; zero: no end
	Serves []string        // keys of the visits, that which closes first at the front
	Kinds  []chart.Kind    // any one of these, by itself
	Covers chart.Territory // all that must be shown
	Booked string          // the appointment that makes it a certain day; empty: none
}

// wish is a visit that a scan day may serve.
type wish struct {
	v        *visit
	from, to day.Day // the days on which imaging serves it
	close    day.Day // by which wishes are ordered
	by       day.Day // the last day for a scan that it shares: for an overdue visit today
	kinds    uint32  // one bit for each kind that does it by itself
	booked   string
	withheld bool
	far      bool // it opens later than in twelve months
}

// scanMonths is how far ahead scan days are proposed.
const scanMonths = 12

// lookAgain is after how many days we look at visits that open more than twice
// as many days ahead: none of them opens within twelve months before that.
const lookAgain = 366

// scans proposes the scan days, that which closes first at the front. Visits
// that can share a day with no other are left out, and so is a day that would
// serve only visits whose imaging is withheld.
func (e *engine) scans() []Scan {
	list := e.wishes()
	if len(list) < 2 {
		return nil
	}
	slices.SortStableFunc(list, compareWishes)
	if list = e.shared(list); len(list) == 0 {
		return nil
	}
	e.holdBack(list)
	s := stabbing{list: list, known: map[string][][]int{}}
	var out []Scan
	for _, group := range s.fewest(s.everything()) {
		if slices.ContainsFunc(group, func(i int) bool { return !list[i].withheld }) {
			out = append(out, scanOf(list, group))
			e.together(list, group)
		}
	}
	return out
}

// compareWishes orders wishes by their close, then by their first day, then by
// their key.
func compareWishes(a, b wish) int {
	if a.close != b.close {
		return cmp.Compare(a.close, b.close)
	}
	if a.from != b.from {
		return cmp.Compare(a.from, b.from)
	}
	return strings.Compare(a.v.key(), b.v.key())
}

// holdBack notes which wishes are withheld.
func (e *engine) holdBack(list []wish) {
	for i := range list {
		w := &list[i]
		w.withheld = e.canWait(w.v) && e.withheld(w.v.implant)
	}
}

// together notes with each visit of a group what one scan may serve as well.
func (e *engine) together(list []wish, group []int) {
	for _, i := range group {
		v := list[i].v
		for _, j := range group {
			if j != i {
				v.note().with = append(v.note().with, list[j].v)
			}
		}
	}
}

// wishes are the visits that still want imaging and open in the next two years:
// what lies further ahead is looked at again in one. One series alone needs no
// proposal: a study serves one visit of it.
func (e *engine) wishes() []wish {
	limit := e.asOf.Plus(2 * lookAgain)
	first, near, several, beyond := (*visit)(nil), 0, false, false
	e.eachPending(func(v *visit) {
		first = cmp.Or(first, v)
		several = several || !sameRow(first, v)
		if v.opens.Last > limit {
			beyond = true
			return
		}
		near++
	})
	if !several {
		return nil
	}
	if beyond {
		e.reached(e.asOf.Plus(lookAgain))
	}
	list := make([]wish, 0, near)
	e.eachPending(func(v *visit) {
		if v.opens.Last > limit {
			return
		}
		if w, ok := e.wish(v); ok {
			list = append(list, w)
		}
	})
	return list
}

// eachPending goes over the visits of implants under surveillance that still
// want imaging.
func (e *engine) eachPending(do func(*visit)) {
	for _, m := range e.implants {
		if m.state() != StateActive {
			continue
		}
		for _, v := range m.visits {
			if v.standing.pending() && !v.asksForDecision() {
				do(v)
			}
		}
	}
}

// canWait says whether the open review of a trigger may hold back the imaging
// of a visit: no trigger made it, and it is still routine.
func (e *engine) canWait(v *visit) bool {
	routine := v.standing == Open || v.standing == Upcoming
	return routine && !v.trigger && !e.reached(v.closes.Last.Plus(-e.r.Settings.AsapDays))
}

// wish says on which days imaging serves a visit for certain; false where
// there is no such day, or nothing does it by itself.
func (e *engine) wish(v *visit) (wish, bool) {
	w := wish{v: v, from: v.opens.Last, to: v.closes.First, kinds: kindBits(v)}
	switch v.standing {
	case Overdue:
		w.from, w.to = v.closes.Last+1, v.sure
	case Booked:
		if b := e.bookingIn(v, e.asOf); b != nil {
			w.from, w.to, w.booked = b.On, b.On, b.Ref
			w.kinds &= 1 << b.Kind
		}
	}
	w.close, w.by = w.to, w.to
	if v.standing == Overdue {
		w.close, w.by = v.closes.First, e.asOf
	}
	if w.kinds == 0 || w.from > w.to || e.passed(w.to) {
		return w, false
	}
	w.far = w.from > e.asOf.Add(day.Offset{Months: scanMonths})
	return w, true
}

// kindBits are the kinds that do a visit by themselves.
func kindBits(v *visit) (bits uint32) {
	for i := range v.ways {
		if w := &v.ways[i]; !w.Acceptance && len(w.With) == 0 {
			for _, k := range w.Kinds {
				bits |= 1 << k
			}
		}
	}
	return bits
}

// sameRow says whether two visits are of one series, of which a study does one
// visit only.
func sameRow(a, b *visit) bool {
	return a.implant == b.implant && a.clock == b.clock && a.series == b.series
}

// joins says whether one scan may serve two wishes, of which the first closes
// first: one kind does both, on one day.
func (w *wish) joins(o *wish) bool {
	return w.kinds&o.kinds != 0 && o.from <= w.by && !sameRow(w.v, o.v)
}

// shared are the wishes of the next twelve months that can share a day with
// another of them. The days on which later ones come to be looked at are noted.
func (e *engine) shared(list []wish) []wish {
	partner := func(i int, far bool) bool {
		for j := range list {
			if i != j && (far || !list[j].far) && list[min(i, j)].joins(&list[max(i, j)]) {
				return true
			}
		}
		return false
	}
	overdue := slices.ContainsFunc(list, func(w wish) bool { return w.v.standing == Overdue })
	var out []wish
	for i := range list {
		w := &list[i]
		if overdue && !w.far {
			e.reached(w.from)
		}
		if w.far && partner(i, true) {
			e.reached(comesIntoSight(w.from))
		}
		if !w.far && partner(i, false) {
			out = append(out, *w)
		}
	}
	return out
}

// comesIntoSight is the first day that has the given one within twelve months.
func comesIntoSight(d day.Day) day.Day {
	first := d.Add(day.Offset{Months: -scanMonths})
	for first.Add(day.Offset{Months: scanMonths}) < d {
		first++
	}
	return first
}

// scanOf is the scan day of a group.
func scanOf(list []wish, group []int) Scan {
	s := Scan{To: forever}
	kinds := ^uint32(0)
	for _, i := range group {
		w := &list[i]
		s.From, s.To = max(s.From, w.from), min(s.To, w.to)
		s.Serves = append(s.Serves, w.v.key())
		s.Covers |= w.v.need
		s.Booked = cmp.Or(s.Booked, w.booked)
		kinds &= w.kinds
	}
	for k := range chart.OtherImaging + 1 {
		if kinds&(1<<k) != 0 {
			s.Kinds = append(s.Kinds, k)
		}
	}
	if s.To >= forever {
		s.To = 0
	}
	return s
}

// stabbing finds the fewest groups of wishes such that one scan serves each
// group. Of several such proposals it takes the one in which each wish, in
// their order, is served by the earliest scan.
type stabbing struct {
	list  []wish
	known map[string][][]int // proposals by what they are for
}

func (s *stabbing) everything() []int {
	all := make([]int, len(s.list))
	for i := range all {
		all[i] = i
	}
	return all
}

// fewest divides the rest, which is in order. Some scan serves the first of
// them, and none does so better than one on its last day: whoever could share
// an earlier day of it can share that one. What is left to choose is the kind,
// and the visit of a series where two could come along. A scan that serves
// more is never worse.
func (s *stabbing) fewest(rest []int) [][]int {
	if len(rest) == 0 {
		return nil
	}
	name := nameOf(rest)
	if best, ok := s.known[name]; ok {
		return best
	}
	var best [][]int
	for _, group := range s.groups(rest) {
		left := slices.DeleteFunc(slices.Clone(rest), func(i int) bool { return slices.Contains(group, i) })
		if next := s.fewest(left); best == nil || len(next)+1 < len(best) {
			best = append([][]int{group}, next...)
		}
	}
	s.known[name] = best
	return best
}

// nameOf names a set of wishes.
func nameOf(rest []int) string {
	b := make([]byte, 0, 2*len(rest))
	for _, i := range rest {
		b = append(b, byte(i>>8), byte(i))
	}
	return string(b)
}

// groups are the largest groups that one scan can serve together with the
// first of the rest; those that take in the earliest wishes come first.
func (s *stabbing) groups(rest []int) [][]int {
	first := &s.list[rest[0]]
	var all [][]int
	for k := range chart.OtherImaging + 1 {
		if first.kinds&(1<<k) == 0 {
			continue
		}
		made := [][]int{{rest[0]}}
		for _, i := range rest[1:] {
			if w := &s.list[i]; w.kinds&(1<<k) != 0 && first.joins(w) {
				made = s.extended(made, i)
			}
		}
		all = append(all, made...)
	}
	all = largest(all)
	slices.SortFunc(all, slices.Compare)
	return all
}

// extended takes a wish into every group; where another of its series is there
// already, the group stays as it is, and one with it in place of that is made.
func (s *stabbing) extended(groups [][]int, i int) [][]int {
	var more [][]int
	for g, group := range groups {
		at := slices.IndexFunc(group, func(j int) bool { return sameRow(s.list[i].v, s.list[j].v) })
		if at < 0 {
			groups[g] = append(slices.Clip(group), i)
			continue
		}
		more = append(more, append(slices.Delete(slices.Clone(group), at, at+1), i))
	}
	return largest(append(groups, more...))
}

// largest leaves out the groups that another takes in.
func largest(groups [][]int) [][]int {
	var out [][]int
	for a, group := range groups {
		inside := func(b int) bool {
			whole := !slices.ContainsFunc(group, func(i int) bool { return !slices.Contains(groups[b], i) })
			return whole && (len(group) < len(groups[b]) || b < a)
		}
		if !slices.ContainsFunc(indexes(groups), func(b int) bool { return b != a && inside(b) }) {
			out = append(out, group)
		}
	}
	return out
}

func indexes(groups [][]int) []int {
	all := make([]int, len(groups))
	for i := range all {
		all[i] = i
	}
	return all
}
