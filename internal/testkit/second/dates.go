package second

import (
	"fmt"
	"strconv"
	"time"
)

// day is a civil date as the number of days since 1970-01-01.
type day int

// forever stands for "no end"; it is later than every real date.
const forever day = 1 << 40

// span is a closed range of days. A full date has first == last; a month or a
// year alone is as wide as it was sent. known is false where no date is known.
type span struct {
	first, last day
	known       bool
}

// civil makes a day from its parts.
func civil(year, month, date int) day {
	return day(time.Date(year, time.Month(month), date, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// parts gives year, month and day of the month.
func (d day) parts() (int, int, int) {
	t := time.Unix(int64(d)*86400, 0).UTC()
	return t.Year(), int(t.Month()), t.Day()
}

// String writes YYYY-MM-DD; nothing for forever.
func (d day) String() string {
	if d >= forever {
		return ""
	}
	y, m, n := d.parts()
	return fmt.Sprintf("%04d-%02d-%02d", y, m, n)
}

// monthLength counts the days of a month.
func monthLength(year, month int) int {
	_, _, last := (civil(year, month+1, 1) - 1).parts()
	return last
}

// addMonths moves by whole months and clamps to the end of the month.
func (d day) addMonths(n int) day {
	y, m, date := d.parts()
	months := y*12 + (m - 1) + n
	year, month := months/12, months%12+1
	if longest := monthLength(year, month); date > longest {
		date = longest
	}
	return civil(year, month, date)
}

// readSpan reads YYYY, YYYY-MM or YYYY-MM-DD. Anything else is no date.
func readSpan(s string) span {
	number := func(from, to int) int {
		n, err := strconv.Atoi(s[from:to])
		if err != nil {
			return 0
		}
		return n
	}
	switch len(s) {
	case 4:
		if y := number(0, 4); y > 0 {
			return span{civil(y, 1, 1), civil(y, 12, 31), true}
		}
	case 7:
		y, m := number(0, 4), number(5, 7)
		if y > 0 && s[4] == '-' && m >= 1 && m <= 12 {
			return span{civil(y, m, 1), civil(y, m, monthLength(y, m)), true}
		}
	case 10:
		if t, err := time.Parse("2006-01-02", s); err == nil {
			d := day(t.Unix() / 86400)
			return span{d, d, true}
		}
	}
	return span{}
}

// readDay reads a full date; false for anything else.
func readDay(s string) (day, bool) {
	at := readSpan(s)
	return at.first, at.known && at.exact()
}

// exact tells a full date from a month or a year.
func (s span) exact() bool { return s.first == s.last }

// addMonths moves both ends.
func (s span) addMonths(n int) span {
	return span{s.first.addMonths(n), s.last.addMonths(n), s.known}
}

// addDays moves both ends.
func (s span) addDays(n int) span { return span{s.first + day(n), s.last + day(n), s.known} }

// overlaps tells whether the two ranges share a day.
func (s span) overlaps(t span) bool {
	return s.known && t.known && s.first <= t.last && t.first <= s.last
}

// within tells whether the whole range lies in from..to.
func (s span) within(from, to day) bool { return s.known && s.first >= from && s.last <= to }

// begun tells whether a fact of this date exists on the day: once the first
// day of its range has come. A fact without a date always exists.
func (s span) begun(on day) bool { return !s.known || s.first <= on }

// to is the text of the last day where that differs from the first.
func (s span) to() string {
	if !s.known || s.exact() {
		return ""
	}
	return s.last.String()
}

// from is the text of the first day.
func (s span) from() string {
	if !s.known {
		return ""
	}
	return s.first.String()
}

// begunText is begun for a date as sent.
func begunText(date string, on day) bool { return readSpan(date).begun(on) }
