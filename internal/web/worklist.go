package web

import (
	"encoding/csv"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// pageRows is how many rows stand on one page of the worklist.
const pageRows = 200

// worklistPage is what the template of the worklist sees.
type worklistPage struct {
	frame
	Tabs     []tab
	Filters  []filter
	Heads    []head
	Rows     []rowView
	Count    int // rows wanted
	Total    int // all rows
	Snoozed  int // items that a person hid until a later day
	Tests    int // items about patients labelled as made for tests
	First    int // of the rows on this page, from 1
	Last     int
	Back, On string // addresses of the pages before and after; empty: none
	AllLink  string // address of everything on one page; empty where it is
	CSV      string
	Clear    string // address without filters; empty where there are none
}

// tab is a kind of work with its count.
type tab struct {
	Kind, Title, Link string
	N                 int
	Here              bool
}

// filter is a choice in the form.
type filter struct {
	Name, Label string
	Choices     []choice
}

type choice struct {
	Value, Text string
	Here        bool
}

// head is a column's title, with the link that sorts by it.
type head struct {
	Title, Link string
	Sorted      string // ascending or descending; empty
}

// rowView is a row as it is shown.
type rowView struct {
	*Row
	What    string
	Overdue int
	Strip   strip
}

func (s *Server) worklist(w http.ResponseWriter, r *http.Request) error {
	list, err := ask(r.Context(), s.o.Clinic.Worklist)
	if err != nil {
		return err
	}
	return s.show(w, "worklist", http.StatusOK, s.worklistPage(list, readWish(r.URL.Query())))
}

func (s *Server) worklistPage(list Worklist, want wish) worklistPage {
	rows, counts := want.pick(list.Rows)
	p := worklistPage{frame: s.frame("Worklist", list.Site, list.AsOf, list.Alarms), Count: len(rows), Total: len(list.Rows), Snoozed: list.Snoozed, Tests: list.Tests}
	p.Tabs, p.Filters, p.Heads = tabs(want, counts), filters(want, list.Rows), heads(want)
	link := func(change func(*wish)) string {
		other := want
		change(&other)
		if q := other.query(); q != "" {
			return "/?" + q
		}
		return "/"
	}
	first, last := 0, len(rows)
	if !want.All {
		first = min((want.Page-1)*pageRows, max(0, (len(rows)-1)/pageRows*pageRows))
		last = min(first+pageRows, len(rows))
		page := first/pageRows + 1
		if first > 0 {
			p.Back = link(func(w *wish) { w.Page = page - 1 })
		}
		if last < len(rows) {
			p.On = link(func(w *wish) { w.Page = page + 1 })
		}
		if last-first < len(rows) {
			p.AllLink = link(func(w *wish) { w.All, w.Page = true, 1 })
		}
	}
	if last > first {
		p.First = first + 1
	}
	p.Last = last
	p.CSV = strings.Replace(link(func(w *wish) { w.All, w.Page = false, 1 }), "/", "/worklist.csv", 1)
	if want.restricts() {
		p.Clear = link(func(w *wish) { *w = wish{Sort: w.Sort, Down: w.Down} })
	}
	for _, r := range rows[first:last] {
		p.Rows = append(p.Rows, rowView{Row: r, What: notice.Title(r.Kind), Overdue: r.overdue(list.AsOf), Strip: stripOf(r, list.AsOf)})
	}
	return p
}

// tabs are the kinds of work with the number of rows that the other filters
// leave.
func tabs(want wish, counts map[string]int) []tab {
	all := 0
	for _, n := range counts {
		all += n
	}
	link := func(kind string) string {
		other := want
		other.Kind, other.Page = kind, 1
		return "/?" + other.query()
	}
	list := []tab{{Title: "Everything", Link: link(""), N: all, Here: want.Kind == ""}}
	for _, k := range workKinds() {
		list = append(list, tab{Kind: k, Title: notice.Title(k), Link: link(k), N: counts[k], Here: want.Kind == k})
	}
	return list
}

// filters are the choices of the form.
func filters(want wish, rows []Row) []filter {
	var classes []string
	for i := range rows {
		if c := rows[i].Class; c != "" && !slices.Contains(classes, c) {
			classes = append(classes, c)
		}
	}
	slices.Sort(classes)
	plain := func(s string) string { return strings.ReplaceAll(s, "-", " ") }
	list := []filter{
		choices("urgency", "Urgency", want.Urgency, urgencies(), plain),
		choices("class", "Implant", want.Class, classes, notice.ClassName),
		choices("standing", "Standing", want.Standing, texts(standings()), plain),
		choices("follow-up", "Follow-up", want.FollowUp, texts(rungs()), plain),
		choices("booking", "Booking", want.Booking, []string{bookingGone, bookingNone, bookingSome, bookingAside}, bookingWords),
	}
	sort := filter{Name: "sort", Label: "Order", Choices: []choice{{Value: "", Text: "most pressing first", Here: want.Sort == ""}}}
	for _, c := range columns() {
		sort.Choices = append(sort.Choices, choice{c.Key, strings.ToLower(c.Title), want.Sort == c.Key})
	}
	return append(list, sort)
}

func choices(name, label, here string, values []string, text func(string) string) filter {
	f := filter{Name: name, Label: label, Choices: []choice{{Text: "any", Here: here == ""}}}
	for _, v := range values {
		f.Choices = append(f.Choices, choice{v, text(v), v == here})
	}
	return f
}

func bookingWords(word string) string {
	switch word {
	case bookingNone:
		return "not booked"
	case bookingSome:
		return "booked"
	case bookingGone:
		return "date passed, no study"
	}
	return "booked outside the window"
}

// heads are the columns' titles: a second click turns the order round.
func heads(want wish) []head {
	var list []head
	for _, c := range columns() {
		other := want
		other.Sort, other.Down, other.Page = c.Key, want.Sort == c.Key && !want.Down, 1
		h := head{Title: c.Title, Link: "/?" + other.query()}
		if want.Sort == c.Key {
			h.Sorted = "ascending"
			if want.Down {
				h.Sorted = "descending"
			}
		}
		list = append(list, h)
	}
	return list
}

// strip is a visit's window beside today, drawn small: today stands always at
// the same place.
type strip struct {
	Shown     bool
	X, W      int // of the window; no width: it lies beyond an edge
	Booked    int // of the appointment; 0: none
	Before    bool
	After     bool // the window goes on beyond the edges
	ClassName string
}

// The strip's size, and the days before and after today that it shows.
const (
	stripWidth  = 132
	stripBefore = 300
	stripAfter  = 220
)

// stripX is the place of a day, and whether it lies beyond an edge.
func stripX(d, asOf day.Day) int {
	days := int(d-asOf) + stripBefore
	return max(1, min(stripWidth-1, days*stripWidth/(stripBefore+stripAfter)))
}

func stripOf(r *Row, asOf day.Day) strip {
	if r.Opens == 0 || r.Closes == 0 {
		return strip{}
	}
	s := strip{Shown: true, X: stripX(r.Opens, asOf), ClassName: string(r.Standing)}
	if int(asOf-r.Closes) < stripBefore && int(r.Opens-asOf) < stripAfter {
		s.W = max(3, stripX(r.Closes, asOf)-s.X)
	}
	s.Before, s.After = int(asOf-r.Opens) > stripBefore, int(r.Closes-asOf) > stripAfter
	if r.Booking > 0 {
		s.Booked = stripX(r.Booking, asOf)
	}
	return s
}

// worklistCSV is the list as it is filtered and sorted, for a spreadsheet.
func (s *Server) worklistCSV(w http.ResponseWriter, r *http.Request) error {
	list, err := ask(r.Context(), s.o.Clinic.Worklist)
	if err != nil {
		return err
	}
	rows, _ := readWish(r.URL.Query()).pick(list.Rows)
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", `attachment; filename="worklist-`+list.AsOf.String()+`.csv"`)
	if _, err := w.Write([]byte("\ufeff")); err != nil { // by which spreadsheets know UTF-8
		return nil // the reader has gone
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	_ = out.Write([]string{"patient", "record number", "implant", "index", "what is due", "visit", "urgency", "by", "window opens", "window closes", "standing",
		"days overdue", "booked", "booked outside the window", "booked date passed, no study", "last seen", "follow-up", "phone", "why", "id"})
	for _, row := range rows {
		_ = out.Write(cells(row, list.AsOf))
	}
	out.Flush()
	return nil
}

func cells(r *Row, asOf day.Day) []string {
	aside, late := "", ""
	if r.OutOfTime {
		aside = "yes"
	}
	if n := r.overdue(asOf); n > 0 {
		late = strconv.Itoa(n)
	}
	list := []string{r.Name, r.Record, notice.ClassName(r.Class), r.Index.String(), notice.Title(r.Kind), r.Step, r.Urgency, r.By.String(), r.Opens.String(), r.Closes.String(),
		string(r.Standing), late, r.Booking.String(), aside, r.BookedGone.String(), r.LastSeen.String(), rungName(r.FollowUp), r.Phone, r.Why, r.Patient}
	for i := range list {
		list[i] = cell(list[i])
	}
	return list
}

// cell makes a text safe for spreadsheets: one that would be taken for a
// formula begins with an apostrophe (OWASP, "CSV Injection").
func cell(text string) string {
	text = tame(text)
	if text != "" && strings.ContainsRune("=+-@|%＝＋－＠", []rune(text)[0]) {
		return "'" + text
	}
	return text
}

// Reason is why, without the title of the work, which stands beside it.
func (r rowView) Reason() string { return strings.TrimPrefix(r.Why, notice.Title(r.Kind)+". ") }

// Pressing says whether a word of urgency is to be shown.
func (r rowView) Pressing() bool { return r.Urgency != "" && r.Urgency != "routine" }

// remark is a line about what people did with a Task; Loud where the work stays
// though they closed or removed it.
type remark struct {
	Text string
	Loud bool
}

// Said is what people did with the Task of the row, in lines; of their notes the
// newest where the row is one of many.
func (r rowView) Said(all bool) (list []remark) {
	e := r.There
	if n := len(e.Notes); n > 1 && !all {
		e.Notes = e.Notes[n-1:]
	}
	for i, text := range e.Lines(true) {
		list = append(list, remark{text, i == 0 && (e.Closes() || e.Removed) || i == 1 && e.Removed})
	}
	return list
}

// HasVisit says whether the row is about a visit.
func (r rowView) HasVisit() bool { return r.Standing != surveil.Standing("") }
