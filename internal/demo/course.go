package demo

import (
	"cmp"
	"slices"

	"perennial/internal/day"
)

// clock is one run of scans: from an operation to the next that starts a new
// one, or to the end.
type clock struct {
	anchor, until day.Day // until is not included
	class         class
	baseline      int
	breaks        int
	leaves        bool
}

// step is one scan that should come.
type step struct {
	months int
	spread int // days to either side within which people come; less than the window of the visit
}

// steps are the scans of a class after the first: yearly for stent grafts, with
// a half-year for branched ones and where the first scan showed an endoleak; at
// one and five years for an open repair; half-yearly for a carotid stent.
func (c clock) steps(leak bool) []step {
	var out []step
	for year := 1; year <= 8; year++ {
		half := step{12*year - 6, 45}
		switch {
		case c.class == open && year != 1 && year != 5:
			continue
		case c.class == carotid && year <= 2, year == 1 && (c.class == branched || c.class.graft() && leak):
			out = append(out, half)
		}
		out = append(out, step{12 * year, 75})
	}
	return out
}

// live makes the scans of a life from its operations.
func (p *person) live() {
	leak := p.firstLeak()
	for i, o := range p.operations {
		if o.kind == coils {
			p.check(o.on)
			continue
		}
		c := clock{anchor: o.on, until: p.end(), class: p.class, baseline: p.baseline, breaks: p.breaks, leaves: p.leaves}
		for _, next := range p.operations[i+1:] {
			if next.kind != coils {
				c.until = min(c.until, next.on)
				break
			}
		}
		if o.kind != index {
			c.baseline, c.breaks = p.dice.between(16, 75), breakYear(p.dice.unit())
		}
		if o.kind == conversion {
			c.class, c.baseline = open, 0
		}
		p.follow(c, leak != "" && leak != "none")
	}
	slices.SortStableFunc(p.scans, func(a, b scan) int { return cmp.Compare(a.on, b.on) })
	p.scans = slices.CompactFunc(p.scans, func(later, earlier scan) bool { return later.on-earlier.on < 8 })
	p.read(leak)
}

// check is the scan after coils.
func (p *person) check(on day.Day) {
	if seen := on.Plus(p.dice.between(20, 55)); p.dice.chance(0.95) && seen < p.end() {
		p.scans = append(p.scans, scan{on: seen, what: cta})
	}
}

// follow walks through the steps of a clock. The person comes, comes late, stays
// away once, or stays away for good.
func (p *person) follow(c clock, leak bool) {
	p.gone, p.planned = 0, 0
	if c.baseline > 0 && !p.come(c, c.anchor.Plus(c.baseline), p.examAt(c.class, 1)) {
		return
	}
	for _, s := range c.steps(leak) {
		target, year := c.anchor.Add(day.Offset{Months: s.months}), (s.months+11)/12
		on := target.Plus((p.dice.between(-s.spread, s.spread) + p.dice.between(-s.spread, s.spread)) / 2)
		what := p.examAt(c.class, s.months)
		if year > c.breaks && c.breaks > 0 && p.dice.chance(0.12) {
			c.breaks, c.leaves = year, true
		}
		switch {
		case year == c.breaks && c.leaves:
			p.leave(c, target, on)
			return
		case year == c.breaks && s.months%12 == 0 && p.dice.chance(0.5):
			on = target.Plus(p.dice.between(100, 230)) // late, before the next window opens
		case year == c.breaks:
			p.stayAway(c, on)
			continue
		}
		if !p.come(c, on, what) {
			return
		}
	}
}

// come adds a scan; false where the clock is over by then. A scan after the as-of
// date is planned.
func (p *person) come(c clock, on day.Day, what exam) bool {
	if on >= c.until {
		if c.until == p.asOf+1 {
			p.planned, p.plannedAs = on, what
		}
		return false
	}
	p.scans = append(p.scans, scan{on: on, what: what})
	return true
}

// leave is staying away for good, from a visit whose window has closed.
func (p *person) leave(c clock, target, on day.Day) {
	p.stayAway(c, on)
	if closed := target.Plus(90); closed < c.until {
		p.gone = closed
	}
}

// stayAway is an appointment that may have been made and was not kept.
func (p *person) stayAway(c clock, on day.Day) {
	if on < c.until && p.dice.chance(0.35) {
		p.missed = append(p.missed, on)
	}
}

// examAt is what is done at so many months: CT first, and then, for abdominal
// grafts, more duplex than CT, with the whole aorta at five years.
func (p *person) examAt(c class, months int) exam {
	switch {
	case c == carotid:
		return duplex
	case c == open || p.dissection || c == evar && months == 60 && p.dice.chance(0.5):
		return ctaWhole
	case c == evar && months > 6 && p.dice.chance(0.58):
		return duplex
	}
	return cta
}

// firstLeak is the type of endoleak on the first scan: 20 % have one (guide value
// for 30 days); of 880 people 16.6 % had type II, 1.9 % I, 0.8 % III and 0.4 % IV
// at some time (guide values). Types I and III are mostly mended soon.
func (p *person) firstLeak() string {
	if !p.class.graft() {
		return ""
	}
	leak := ""
	switch u := p.leakDraw; {
	case u < 0.012:
		leak = "Ia"
	case u < 0.019:
		leak = "Ib"
	case u < 0.027:
		leak = "IIIa"
	case u < 0.031:
		leak = "IV"
	case u < 0.036:
		leak = "unknown"
	case u < 0.20:
		leak = "II"
	default:
		return "none"
	}
	if p.baseline > 0 && dangerous(leak) && p.dice.chance(0.7) {
		p.operate(cuff, p.indexOn.Plus(p.baseline+p.dice.between(12, 45)))
	}
	return leak
}

// dangerous says whether the type of endoleak is I or III.
func dangerous(leak string) bool { return leak != "" && leak != "II" && leak[0] == 'I' && leak != "IV" }

// read looks at the scans in order: leaks, the size of the sac, reports.
func (p *person) read(leak string) {
	size := p.dice.between(520, 660)
	for i := range p.scans {
		s := &p.scans[i]
		s.report = p.reportOf(s.on)
		c := p.class
		if p.converted(s.on) > 0 {
			c = open
		}
		if !c.graft() {
			continue
		}
		if i > 0 {
			leak = p.nextLeak(leak, p.scans[i-1].on, s.on)
		}
		trend := p.trend
		if p.mended(p.indexOn, s.on) {
			trend = min(trend, -5)
		}
		s.leak, s.size = leak, p.sizeAt(size, trend, s)
	}
	p.halfYears(size)
}

// halfYears adds the scans between the yearly ones for two years after a type II
// endoleak on a later scan than the first. Most people come.
func (p *person) halfYears(size int) {
	var more []scan
	last := day.Day(0)
	for i := 1; i < len(p.scans); i++ {
		s := &p.scans[i]
		if s.leak == "unknown" && s.what == duplex {
			more = append(more, p.closer(size, s.on)...)
		}
		if s.leak != "II" || last > 0 && s.on > last {
			continue
		}
		if last == 0 {
			last = s.on.Plus(18 * 30)
		}
		half := scan{on: s.on.Add(day.Offset{Months: 6}).Plus(p.dice.between(-35, 35)), what: duplex, leak: "II"}
		soon := i+1 < len(p.scans) && p.scans[i+1].on < half.on.Plus(90)
		if soon || half.on >= p.end() || p.gone > 0 && half.on > p.gone || !p.dice.chance(0.95) {
			continue
		}
		half.report, half.size = p.reportOf(half.on), p.sizeAt(size, p.trend, &half)
		more = append(more, half)
	}
	p.scans = append(p.scans, more...)
	slices.SortStableFunc(p.scans, func(a, b scan) int { return cmp.Compare(a.on, b.on) })
}

// closer is the CT within a month of a duplex that shows a leak without a type.
func (p *person) closer(size int, duplexOn day.Day) []scan {
	s := scan{on: duplexOn.Plus(p.dice.between(9, 28)), what: cta, leak: "II"}
	if s.on >= p.end() || p.dice.chance(0.2) {
		return nil
	}
	s.report, s.size = p.reportOf(s.on), p.sizeAt(size, p.trend, &s)
	return []scan{s}
}

// sizeAt is what is measured, in whole numbers throughout, so that every
// processor rounds alike. Duplex reads a little less than CT.
func (p *person) sizeAt(first, trend int, s *scan) int {
	days := min(int(s.on-p.indexOn), 5*365)
	tenths := first + trend*days/365 + p.dice.between(-7, 7)
	if s.what == duplex {
		tenths -= 12
	}
	return max(300, tenths)
}

// nextLeak is what the next scan shows: some leaks close, operations close most,
// few are new.
func (p *person) nextLeak(leak string, before, on day.Day) string {
	switch u := p.dice.unit(); {
	case leak != "none" && p.mended(before, on) && u < 0.9:
		return "none"
	case dangerous(leak), leak != "none" && (p.trend > 0 || u < 0.6):
		return leak
	case leak != "none":
		return "none"
	case u < 0.03 || p.trend > 0 && u < 0.6:
		return "II"
	case u < 0.034:
		return "Ia"
	case u < 0.036:
		return "IIIb"
	case u < 0.040:
		return "unknown"
	}
	return "none"
}

// mended says whether a re-intervention lies between two days.
func (p *person) mended(from, to day.Day) bool {
	return slices.ContainsFunc(p.operations[1:], func(o operation) bool { return o.on >= from && o.on < to })
}

// reportOf is how far the report of a scan has come.
func (p *person) reportOf(on day.Day) string {
	switch age := int(p.asOf - on); {
	case age < 5 && p.dice.chance(0.6), age < 12 && p.dice.chance(0.3):
		return ""
	case age < 12 && p.dice.chance(0.4):
		return "preliminary"
	case p.dice.chance(0.02):
		return "amended"
	}
	return "final"
}
