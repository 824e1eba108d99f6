package web_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// column gives the words of one column of the worklist.
func column(root *html.Node, n int) (list []string) {
	for _, tr := range all(all(root, "tbody")[0], "tr") {
		var cells []*html.Node
		for c := tr.FirstChild; c != nil; c = c.NextSibling {
			if c.Type == html.ElementNode {
				cells = append(cells, c)
			}
		}
		list = append(list, text(cells[n]))
	}
	return list
}

func sortWard() *ward {
	w := &ward{list: web.Worklist{AsOf: today()}}
	for i := range 40 {
		k := (i * 7) % 40
		r := web.Row{Patient: fmt.Sprint(i), Name: fmt.Sprintf("N%02d", k), Record: fmt.Sprintf("R%02d", (k*3)%40), Class: []string{"evar", "tevar", "open-repair"}[k%3], Kind: []string{surveil.WorkArrange, surveil.WorkChase, surveil.WorkReview}[k%3],
			Urgency: []string{"routine", "urgent", "asap", "stat"}[k%4], Step: fmt.Sprintf("y%d", k), Standing: []surveil.Standing{surveil.Open, surveil.Overdue, surveil.Booked, ""}[k%4], Opens: today() - day.Day(k), Closes: today() + day.Day(k*5), By: today() + day.Day(k),
			LastSeen: today() - day.Day(k*9), Phone: fmt.Sprintf("P%02d", (k*11)%40), Why: fmt.Sprintf("W%02d", (k*13)%40), FollowUp: surveil.RungCurrent}
		if k%4 == 1 {
			r.Booking = today() + day.Day(k)
		}
		if k%5 == 2 {
			r.BookedGone = today() - day.Day(k)
		}
		if k == 11 {
			r.Phone, r.Why = "", ""
		}
		w.list.Rows = append(w.list.Rows, r)
	}
	return w
}

// Each column sorts by its link, and the second click turns it round.
func TestSortByEveryColumn(t *testing.T) {
	t.Parallel()
	s := server(t, sortWard())
	root, _ := page(t, s, "/")
	heads := all(all(root, "thead")[0], "th")
	if len(heads) != 10 {
		t.Fatalf("%d columns", len(heads))
	}
	texts := map[string]int{"Patient": 0, "Record number": 1, "Phone": 8, "Why": 9}
	for _, h := range heads {
		link := all(h, "a")[0]
		up, _ := page(t, s, attr(link, "href"))
		if got := attr(all(all(up, "thead")[0], "th")[slices.Index(heads, h)], "aria-sort"); got != "ascending" {
			t.Errorf("%s: aria-sort %q", text(h), got)
		}
		again := all(all(all(up, "thead")[0], "th")[slices.Index(heads, h)], "a")[0]
		down, _ := page(t, s, attr(again, "href"))
		a, b := column(up, 0), column(down, 0)
		if slices.Equal(a, b) || len(a) != 40 {
			t.Errorf("%s: the second click turns nothing round", text(h))
		}
		if n, ok := texts[text(h)]; ok {
			list := column(up, n)
			if !slices.IsSortedFunc(list, func(x, y string) int {
				if (x == "") != (y == "") {
					return strings.Compare(y, x) // what is empty comes last
				}
				return strings.Compare(x, y)
			}) {
				t.Errorf("%s: %v", text(h), list)
			}
		}
	}
}

// Without a wish the most urgent comes first, then what is wanted soonest.
func TestMostPressingFirst(t *testing.T) {
	t.Parallel()
	w := sortWard()
	w.list.Rows[3].Urgency, w.list.Rows[3].There.Status = "stat", "completed"
	root, _ := page(t, server(t, w), "/")
	last := -1
	order := []string{"stat", "asap", "urgent", "by"}
	names := column(root, 3)
	for _, cell := range names[:39] {
		at := slices.IndexFunc(order, func(word string) bool { return strings.Contains(cell, word+" ") })
		if at < last {
			t.Errorf("%q comes after %q", cell, order[last])
		}
		last = at
	}
	if !strings.Contains(names[39], "its Task was closed, it is needed still") {
		t.Errorf("what a person closed does not come last: %q", names[39])
	}
}

func TestFilters(t *testing.T) {
	t.Parallel()
	w := sortWard()
	s := server(t, w)
	for query, takes := range map[string]func(r *web.Row) bool{
		"kind=review-finding":            func(r *web.Row) bool { return r.Kind == surveil.WorkReview },
		"urgency=stat":                   func(r *web.Row) bool { return r.Urgency == "stat" },
		"class=tevar":                    func(r *web.Row) bool { return r.Class == "tevar" },
		"standing=overdue":               func(r *web.Row) bool { return r.Standing == surveil.Overdue },
		"booking=gone":                   func(r *web.Row) bool { return r.BookedGone > 0 },
		"booking=none&class=evar":        func(r *web.Row) bool { return r.Booking == 0 && r.Class == "evar" },
		"booking=some":                   func(r *web.Row) bool { return r.Booking > 0 },
		"follow-up=lost":                 func(r *web.Row) bool { return r.FollowUp == surveil.RungLost },
		"standing=nonsense&kind=<x>":     func(*web.Row) bool { return true },
		"page=99999":                     func(*web.Row) bool { return true },
		"page=-3&sort=nothing&dir=right": func(*web.Row) bool { return true },
	} {
		want := 0
		for i := range w.list.Rows {
			if takes(&w.list.Rows[i]) {
				want++
			}
		}
		root, _ := page(t, s, "/?"+query)
		if got := len(all(all(root, "tbody")[0], "tr")); got != want {
			t.Errorf("%s: %d rows, want %d", query, got, want)
		}
		if words := text(all(root, "caption")[0]); want < 40 && !strings.Contains(words, "out of 40 open items; the rest is filtered out") {
			t.Errorf("%s: nothing says that rows are left out: %s", query, words)
		}
	}
}

// The list is cut into pages, aloud, and can be had whole.
func TestPages(t *testing.T) {
	t.Parallel()
	s := server(t, bigWard(450))
	seen := map[string]bool{}
	path := "/"
	for n := 0; path != "" && n < 5; n++ {
		root, _ := page(t, s, path)
		for _, name := range column(root, 0) {
			seen[name] = true
		}
		path = ""
		for _, a := range all(root, "a") {
			if attr(a, "rel") == "next" {
				path = attr(a, "href")
			}
		}
	}
	root, _ := page(t, s, "/?rows=all")
	if n := len(column(root, 0)); len(seen) != 450 || n != 450 {
		t.Errorf("%d over the pages, %d at once", len(seen), n)
	}
}

func bigWard(n int) *ward {
	w := &ward{list: web.Worklist{AsOf: today()}}
	for i := range n {
		w.list.Rows = append(w.list.Rows, web.Row{Patient: fmt.Sprint(i), Name: fmt.Sprintf("Name %05d", (i*7919)%n), Record: fmt.Sprint(i), Class: "evar", Kind: surveil.WorkArrange, Urgency: "routine", Step: "y1",
			Standing: surveil.Open, Opens: today() - 10, Closes: today() + 100, By: today() + day.Day(i%300), Why: "Its window is open.", Phone: "+1 555 0100"})
	}
	return w
}

// The first page over 10,000 rows is sorted by what was asked (how long it
// takes is a benchmark).
func TestPageOverTenThousandRows(t *testing.T) {
	t.Parallel()
	_, text := page(t, server(t, bigWard(10_000)), "/?sort=patient")
	if first, second := strings.Index(text, "Name 00000"), strings.Index(text, "Name 00001"); first < 0 || second < first {
		t.Errorf("Name 00000 stands at %d, Name 00001 at %d", first, second)
	}
}

func BenchmarkWorklist(b *testing.B) {
	s := server(b, bigWard(10_000))
	for b.Loop() {
		get(b, s, "/?sort=patient")
	}
}

// A spreadsheet gets every row that is wanted, and no formula.
func TestCSV(t *testing.T) {
	t.Parallel()
	w := &ward{list: web.Worklist{AsOf: today()}}
	// The signs by which spreadsheets know a formula: OWASP, "CSV Injection".
	formulas := []string{`=1+1`, `+1 555 0100`, `-2+3`, `@SUM(A1)`, "\t=1+1", "\r=1+1", " =1+1", "＝1+1", "＋1", "－1", "＠x", `=HYPERLINK("http://example.org","x")`, "|cmd", "\u200b=1+1"}
	for i, f := range formulas {
		w.list.Rows = append(w.list.Rows, web.Row{Patient: f, Name: f, Record: f, Phone: f, Class: "x" + f, Step: f, Why: f, Kind: surveil.WorkArrange, Urgency: "routine", By: today() + day.Day(i)})
	}
	w.list.Rows = append(w.list.Rows, web.Row{Patient: "p", Name: "Ada, \"the\" Quill\nfeather", Kind: surveil.WorkChase, Standing: surveil.Overdue, Closes: today() - 12, Urgency: "routine", By: today() + 99})
	got := get(t, server(t, w), "/worklist.csv")
	if got.Code != 200 || !strings.HasPrefix(got.Header().Get("Content-Type"), "text/csv") || !strings.Contains(got.Header().Get("Content-Disposition"), `filename="worklist-2026-03-03.csv"`) {
		t.Fatalf("%d %v", got.Code, got.Header())
	}
	rows, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(got.Body.Bytes(), []byte("\ufeff")))).ReadAll()
	if err != nil || len(rows) != len(formulas)+2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows {
		for _, cell := range row {
			if strings.ContainsAny(cell, "\r\n\t") || cell != "" && strings.ContainsRune("=+-@|%＝＋－＠", []rune(strings.TrimSpace(cell))[0]) {
				t.Errorf("a formula: %q", cell)
			}
		}
	}
	last := rows[len(rows)-1]
	if last[0] != `Ada, "the" Quill feather` || last[11] != "12" || last[10] != "overdue" {
		t.Errorf("%q", last)
	}
}

// The colours of text stand out from their ground by 4.5 to 1 at least (WCAG
// 2.2, 1.4.3; the formula is that of "relative luminance" there).
func TestContrast(t *testing.T) {
	t.Parallel()
	css, err := os.ReadFile("static/style.css")
	if err != nil {
		t.Fatal(err)
	}
	colour := map[string]string{}
	for _, part := range strings.FieldsFunc(string(css), func(r rune) bool { return r == ';' || r == '{' || r == '}' }) {
		if name, value, ok := strings.Cut(strings.TrimSpace(part), ":"); ok && strings.HasPrefix(name, "--") {
			colour[name[2:]] = strings.TrimSpace(value)
		}
	}
	pairs := [][2]string{{"on-desk", "desk"}, {"alarm", "alarm-ground"}}
	for _, name := range strings.Fields("ink soft link overdue open booked done missed upcoming excused undecided today alarm desk") {
		pairs = append(pairs, [2]string{name, "sheet"}, [2]string{name, "paper"})
	}
	for _, p := range pairs {
		if c := contrast(colour[p[0]], colour[p[1]]); c < 4.5 {
			t.Errorf("%s on %s: %.2f", p[0], p[1], c)
		}
	}
}

func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + .05) / (min(x, y) + .05)
}

func luminance(hex string) float64 {
	var c [3]int
	if _, err := fmt.Sscanf(hex, "#%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
		return 0.5 // no colour: no contrast either
	}
	sum := 0.0
	for i, weight := range []float64{.2126, .7152, .0722} {
		v := float64(c[i]) / 255
		if v <= .04045 {
			v /= 12.92
		} else {
			v = pow24((v + .055) / 1.055)
		}
		sum += weight * v
	}
	return sum
}

func FuzzWish(f *testing.F) {
	f.Add("kind=review-finding&page=2&sort=phone&dir=down")
	f.Add("class=%00<script>&rows=all&page=999999")
	s := server(f, sortWard())
	f.Fuzz(func(t *testing.T, query string) {
		if _, err := url.ParseQuery(query); err != nil || strings.ContainsAny(query, " \r\n\t#") {
			return
		}
		u := url.URL{Path: "/", RawQuery: query}
		if _, err := url.ParseRequestURI(u.String()); err != nil {
			return
		}
		for _, c := range query {
			if c <= ' ' || c >= 0x7f {
				return
			}
		}
		if got := get(t, s, "/?"+query); got.Code != 200 || strings.Contains(got.Body.String(), "<script") {
			t.Fatalf("%q: %d", query, got.Code)
		}
	})
}
