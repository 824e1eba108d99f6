package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// column is one column of the worklist.
type column struct {
	Key, Title string
	less       func(a, b *Row) int
}

// columns are all columns, in the order in which they stand.
func columns() []column {
	text := func(of func(*Row) string) func(a, b *Row) int {
		return func(a, b *Row) int { return compareText(of(a), of(b)) }
	}
	return []column{
		{"patient", "Patient", text(func(r *Row) string { return r.Name })},
		{"record", "Record number", text(func(r *Row) string { return r.Record })},
		{"implant", "Implant", func(a, b *Row) int {
			return cmp.Or(compareText(a.Class, b.Class), cmp.Compare(a.Index.First, b.Index.First))
		}},
		{"due", "What is due", func(a, b *Row) int {
			return cmp.Or(cmp.Compare(rank(workKinds(), a.Kind), rank(workKinds(), b.Kind)), cmp.Compare(a.Step, b.Step))
		}},
		{"window", "Window", func(a, b *Row) int { return cmp.Or(compareDay(a.Closes, b.Closes), compareDay(a.By, b.By)) }},
		{"standing", "Standing", func(a, b *Row) int { return cmp.Compare(rank(standings(), a.Standing), rank(standings(), b.Standing)) }},
		{"booking", "Booking", func(a, b *Row) int {
			return cmp.Or(compareDay(a.BookedGone, b.BookedGone), compareDay(a.Booking, b.Booking))
		}},
		{"seen", "Last seen", func(a, b *Row) int { return cmp.Compare(a.LastSeen, b.LastSeen) }},
		{"phone", "Phone", text(func(r *Row) string { return r.Phone })},
		{"why", "Why", text(func(r *Row) string { return r.Why })},
	}
}

// compareText orders without regard to case; what is empty comes last.
func compareText(a, b string) int {
	if (a == "") != (b == "") {
		return cmp.Compare(b, a)
	}
	return cmp.Or(strings.Compare(strings.ToLower(a), strings.ToLower(b)), strings.Compare(a, b))
}

// compareDay orders days; no day comes last.
func compareDay(a, b day.Day) int {
	if (a == 0) != (b == 0) {
		return cmp.Compare(b, a)
	}
	return cmp.Compare(a, b)
}

// pressing is the order in which a list stands without a wish: the most urgent
// first, then by the day by which it is wanted.
func pressing(a, b *Row) int {
	return cmp.Or(compareBool(a.There.Closes(), b.There.Closes()), cmp.Compare(rank(urgencies(), a.Urgency), rank(urgencies(), b.Urgency)), compareDay(a.By, b.By),
		strings.Compare(a.Patient, b.Patient), strings.Compare(a.Kind, b.Kind), strings.Compare(a.Step, b.Step))
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// wish is what a reader asked of the list. All of it stands in the address, and
// none of it names a patient.
type wish struct {
	Kind, Urgency, Class, Standing, FollowUp, Booking string
	Sort                                              string
	Down                                              bool
	Page                                              int // from 1
	All                                               bool
}

// Words of wish.Booking.
const (
	bookingNone  = "none"  // nothing is booked
	bookingSome  = "some"  // there is an appointment
	bookingGone  = "gone"  // the booked date has passed without a study
	bookingAside = "aside" // booked outside the window
)

// readWish reads an address. Words that are not known restrict nothing.
func readWish(q url.Values) wish {
	known := func(key string, words []string) string {
		if v := q.Get(key); slices.Contains(words, v) {
			return v
		}
		return ""
	}
	var keys []string
	for _, c := range columns() {
		keys = append(keys, c.Key)
	}
	w := wish{Kind: known("kind", workKinds()), Urgency: known("urgency", urgencies()), Standing: known("standing", texts(standings())),
		FollowUp: known("follow-up", texts(rungs())), Booking: known("booking", []string{bookingNone, bookingSome, bookingGone, bookingAside}),
		Sort: known("sort", keys), Down: q.Get("dir") == "down", All: q.Get("rows") == "all", Page: 1}
	if class := q.Get("class"); len(class) < 60 {
		w.Class = class
	}
	if n, err := strconv.Atoi(q.Get("page")); err == nil && n > 1 && n < 1_000_000 {
		w.Page = n
	}
	return w
}

func texts[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = string(v)
	}
	return out
}

// query writes the wish as an address does.
func (w wish) query() string {
	q := url.Values{}
	put := func(key, value string) {
		if value != "" {
			q.Set(key, value)
		}
	}
	put("kind", w.Kind)
	put("urgency", w.Urgency)
	put("class", w.Class)
	put("standing", w.Standing)
	put("follow-up", w.FollowUp)
	put("booking", w.Booking)
	put("sort", w.Sort)
	if w.Down {
		q.Set("dir", "down")
	}
	if w.All {
		q.Set("rows", "all")
	}
	if w.Page > 1 {
		q.Set("page", strconv.Itoa(w.Page))
	}
	return q.Encode()
}

// restricts says whether the wish leaves anything out.
func (w wish) restricts() bool {
	return w.Kind+w.Urgency+w.Class+w.Standing+w.FollowUp+w.Booking != ""
}

// takes says whether a row is wanted; the kind is not looked at, so that the
// tabs can count.
func (w wish) takes(r *Row) bool {
	switch w.Booking {
	case bookingNone:
		if r.Booking > 0 {
			return false
		}
	case bookingSome:
		if r.Booking == 0 {
			return false
		}
	case bookingGone:
		if r.BookedGone == 0 {
			return false
		}
	case bookingAside:
		if !r.OutOfTime {
			return false
		}
	}
	return (w.Urgency == "" || w.Urgency == r.Urgency) && (w.Class == "" || w.Class == r.Class) &&
		(w.Standing == "" || w.Standing == string(r.Standing)) && (w.FollowUp == "" || w.FollowUp == string(r.FollowUp))
}

// pick gives the rows that are wanted, in the wanted order, and how many there
// are of each kind of work.
func (w wish) pick(rows []Row) (list []*Row, counts map[string]int) {
	counts = map[string]int{}
	for i := range rows {
		r := &rows[i]
		if !w.takes(r) {
			continue
		}
		counts[r.Kind]++
		if w.Kind == "" || w.Kind == r.Kind {
			list = append(list, r)
		}
	}
	order := pressing
	for _, c := range columns() {
		if c.Key == w.Sort {
			order = c.less
		}
	}
	slices.SortStableFunc(list, func(a, b *Row) int {
		if w.Down {
			a, b = b, a
		}
		return cmp.Or(order(a, b), pressing(a, b))
	})
	return list, counts
}

// what is due, in words: "Arrange imaging, y2".
func (r *Row) what() string {
	text := notice.Title(r.Kind)
	if r.Step != "" {
		text += ", " + tame(r.Step)
	}
	return text
}

// overdue is how many days ago the window closed; 0 where it did not.
func (r *Row) overdue(asOf day.Day) int {
	if r.Standing == surveil.Overdue && r.Closes > 0 && asOf > r.Closes {
		return int(asOf - r.Closes)
	}
	return 0
}
