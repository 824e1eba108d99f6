package second

// stand finds the standing of a visit as of a day; the first that holds.
func (p *patient) stand(v *visit, end *ending, today day) string {
	last := v.last
	if v.clock.until.known {
		last = min(last, v.clock.until.first-1)
	}
	records := readSpan(p.o.RecordsFrom)
	switch {
	case v.done:
		return "done"
	case v.baseline && !v.clock.anchor.exact():
		return "undecided"
	case records.known && last < records.first:
		return "undecided"
	case p.excused(v, end):
		return "excused"
	case end != nil, v.clock.until.known, today > v.last:
		return "missed"
	case today > v.closes.last:
		return "overdue"
	case len(p.bookingsIn(v, today)) > 0:
		return "booked"
	case today >= v.opens.first:
		return "open"
	}
	return "upcoming"
}

// owed tells whether a visit of this standing still wants a study, or did and
// never got one.
func owed(standing string) bool {
	return has([]string{"missed", "overdue", "booked", "open", "upcoming"}, standing)
}

// settled tells whether a visit is over, one way or the other.
func settled(standing string) bool { return standing == "done" || standing == "missed" }

// coming lists the live bookings on or after the day, earliest first.
func (p *patient) coming(today day) []Booking {
	var list []Booking
	for _, b := range p.chart.Bookings {
		at, ok := readDay(b.Date)
		if !ok || at < today || !has([]string{"proposed", "pending", "booked", "arrived"}, b.Status) {
			continue
		}
		place := len(list)
		for i, other := range list {
			if b.Date < other.Date || b.Date == other.Date && b.ID < other.ID {
				place = i
				break
			}
		}
		list = append(list[:place], append([]Booking{b}, list[place:]...)...)
	}
	return list
}

// booksFor tells whether the booked imaging would satisfy the ways, once
// accepted where a person must accept.
func booksFor(b Booking, ways []Way, need []string) bool {
	for _, w := range ways {
		if meets(b.Kind, b.Territories, w, need) {
			return true
		}
	}
	return false
}

// bookingsIn lists the coming bookings that lie in the visit's window for
// certain and would satisfy it.
func (p *patient) bookingsIn(v *visit, today day) []Booking {
	var list []Booking
	for _, b := range p.coming(today) {
		if at := readSpan(b.Date); at.within(v.opens.last, v.closes.first) && booksFor(b, v.ways, v.need) {
			list = append(list, b)
		}
	}
	return list
}

// booksImplant tells whether the booking would satisfy any step of the
// implant's present protocol.
func (p *patient) booksImplant(b Booking, m *implant) bool {
	if m.unresolved() {
		return false
	}
	for _, step := range p.wanted(m) {
		if booksFor(b, step.Ways, step.Territory) {
			return true
		}
	}
	return false
}

// showBooking is what is shown with a visit: the earliest booking in its
// window; with the next visit, failing that, the earliest one outside every
// window.
func (p *patient) showBooking(v *visit, all []*visit, isNext bool) *BookingPlan {
	if in := p.bookingsIn(v, p.asOf); len(in) > 0 {
		return &BookingPlan{in[0].ID, in[0].Date, true}
	}
	if !isNext {
		return nil
	}
	for _, b := range p.coming(p.asOf) {
		stray := p.booksImplant(b, v.implant) || booksFor(b, v.ways, v.need)
		for _, w := range all {
			at := readSpan(b.Date)
			if at.within(w.opens.last, w.closes.first) && booksFor(b, w.ways, w.need) && !w.clock.until.known {
				stray = false
			}
		}
		if stray {
			return &BookingPlan{b.ID, b.Date, false}
		}
	}
	return nil
}

// next is the earliest visit by target that is neither done, missed, excused
// nor undecided; nil once ended.
func next(visits []*visit, end *ending) *visit {
	if end != nil {
		return nil
	}
	var found *visit
	for _, v := range visits {
		if !has([]string{"overdue", "booked", "open", "upcoming"}, v.standing) {
			continue
		}
		if found == nil || v.target.first < found.target.first {
			found = v
		}
	}
	return found
}

// listed picks the visits that are shown: of a clock that is over those whose
// window had opened by its end, of the present one all up to and including
// the first of each series that has not opened.
func (p *patient) listed(visits []*visit, end *ending) []*visit {
	stopped := map[*clock]map[int]bool{}
	var list []*visit
	for _, v := range visits {
		last := forever
		if end != nil {
			last = end.at
		}
		if v.clock.until.known {
			last = min(last, v.clock.until.first)
		}
		if v.opens.first > last {
			continue
		}
		if stopped[v.clock] == nil {
			stopped[v.clock] = map[int]bool{}
		}
		if stopped[v.clock][v.series] {
			continue
		}
		list = append(list, v)
		if v.standing == "upcoming" || v.standing == "booked" && p.asOf < v.opens.first {
			stopped[v.clock][v.series] = true
		}
	}
	return list
}
