package surveil

import (
	"cmp"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// stand finds the standing of a visit; the first that holds. It gives the
// excuse beside excused. today is the as-of date, or an earlier day where a
// silent feed holds the ladder back.
func (e *engine) stand(v *visit, today day.Day) Standing {
	last := v.last
	if v.clock.until.Known() {
		last = min(last, v.clock.until.First-1)
	}
	from := e.r.Settings.RecordsFrom
	switch {
	case v.got != nil:
		return Done
	case v.baseline && !v.clock.from.Exact():
		return Undecided
	case from > 0 && last < from:
		return Undecided
	case e.excused(v):
		return Excused
	case v.implant.end != nil, v.clock.until.Known(), e.over(v.last, today):
		return Missed
	case e.over(v.closes.Last, today):
		return Overdue
	case e.bookingIn(v, today) != nil:
		return Booked
	case e.come(v.opens.First, today):
		return Open
	}
	return Upcoming
}

// over and come compare with a day that is the as-of date or before it; only
// the as-of date moves with time.
func (e *engine) over(d, today day.Day) bool { return e.come(d+1, today) }

func (e *engine) come(d, today day.Day) bool {
	if today == e.asOf {
		return e.reached(d)
	}
	return d <= today
}

// excused says whether the visit stopped being owed on or before its close,
// and notes why.
func (e *engine) excused(v *visit) bool {
	m := v.implant
	if m.end != nil && m.end.on <= v.closes.Last {
		v.excuse, v.excuseBy = cmp.Or(m.end.excuse, string(m.end.why)), m.end.facts
		return true
	}
	if u := v.clock.until; u.Known() && u.First <= v.closes.Last {
		v.excuse = "superseded"
		for _, op := range m.ops {
			if op.On == u {
				v.excuseBy = []string{op.Ref}
			}
		}
		return true
	}
	if v.aside != nil && v.aside.instead != nil {
		v.excuse, v.excuseBy = "superseded", v.aside.instead.facts
		return true
	}
	for i := range e.rulings {
		r := &e.rulings[i]
		whole := r.Visit == "" && m.concerns(r) && e.swallows(r, v)
		switch {
		case r.Kind == chart.RuleDecline && (whole || r.Visit == v.key() && r.From() <= v.closes.Last):
			v.excuse, v.excuseBy = "declined", []string{r.ID}
			return true
		case r.Kind == chart.RulePause && whole:
			v.excuse, v.excuseBy = "paused", []string{r.ID}
			return true
		}
	}
	return false
}

// swallows says whether the time of a ruling takes in the close of a visit.
// Without an end it takes the visits as they open.
func (e *engine) swallows(r *chart.Ruling, v *visit) bool {
	if r.From() > v.closes.Last {
		return false
	}
	if r.Until == 0 {
		return e.reached(v.opens.First)
	}
	return v.closes.Last < r.Until
}

// coming says whether a booking still lies ahead of a day, or on it.
func (e *engine) coming(b *chart.Booking, today day.Day) bool {
	return b.State == chart.BookingComing && b.Imaging && b.On > 0 && !e.come(b.On+1, today)
}

// bookingIn is the earliest coming booking that lies in the visit's window
// for certain and would satisfy it, once accepted where a person must accept.
func (e *engine) bookingIn(v *visit, today day.Day) *chart.Booking {
	for i := range e.c.Bookings {
		b := &e.c.Bookings[i]
		if e.coming(b, today) && day.On(b.On).Within(v.opens.Last, v.closes.First) && bookedFor(b, v) {
			return b
		}
	}
	return nil
}

// bookedFor says whether what is booked would satisfy a visit.
func bookedFor(b *chart.Booking, v *visit) bool {
	return kindFits(b.Kind, b.Covers, v.ways, v.need) > fitNot
}

// bookedForImplant says whether what is booked would satisfy any step of the
// implant's care protocol.
func bookedForImplant(b *chart.Booking, m *implant) bool {
	for _, s := range m.steps() {
		if kindFits(b.Kind, b.Covers, s.ways, s.need) > fitNot {
			return true
		}
	}
	return false
}

// showBooking is the booking shown with a visit: the earliest in its window,
// and with the next visit, failing that, the earliest outside every window.
func (e *engine) showBooking(v *visit, isNext bool) *VisitBooking {
	if b := e.bookingIn(v, e.asOf); b != nil {
		return &VisitBooking{b.Ref, b.On, true}
	}
	if !isNext {
		return nil
	}
	for i := range e.c.Bookings {
		b := &e.c.Bookings[i]
		if e.coming(b, e.asOf) && (bookedForImplant(b, v.implant) || bookedFor(b, v)) && !e.inSomeWindow(b, v.implant) {
			return &VisitBooking{b.Ref, b.On, false}
		}
	}
	return nil
}

// inSomeWindow says whether a booking lies in the window of some visit.
func (e *engine) inSomeWindow(b *chart.Booking, m *implant) bool {
	for _, w := range m.visits {
		if day.On(b.On).Within(w.opens.Last, w.closes.First) && bookedFor(b, w) && !w.clock.until.Known() {
			return true
		}
	}
	return false
}

// owed says whether a visit of this standing still wants a study, or did and
// never got one.
func (s Standing) owed() bool {
	switch s {
	case Missed, Overdue, Booked, Open, Upcoming:
		return true
	}
	return false
}

// pending says whether the visit can be an implant's next.
func (s Standing) pending() bool { return s.owed() && s != Missed }

// next is the earliest visit by target that is pending.
func (m *implant) next() *visit {
	if m.end != nil {
		return nil
	}
	var found *visit
	for _, v := range m.visits {
		if v.standing.pending() && (found == nil || v.target.First < found.target.First) {
			found = v
		}
	}
	return found
}

// listed are the visits that are shown: of a clock that is over, or a
// schedule that has ended, those whose window had opened by then; else all up
// to and including the first of each series that has not opened.
func (e *engine) listed(m *implant) []*visit {
	var stopped [][2]int
	list := make([]*visit, 0, len(m.visits))
	for _, v := range m.visits {
		last := forever
		if m.end != nil {
			last = m.end.on
		}
		if v.clock.until.Known() {
			last = min(last, v.clock.until.First)
		}
		row := [2]int{v.clock.number, v.series}
		if v.opens.First > last || slices.Contains(stopped, row) {
			continue
		}
		list = append(list, v)
		if v.standing == Upcoming || v.standing == Booked && !e.reached(v.opens.First) {
			stopped = append(stopped, row)
		}
	}
	return list
}
