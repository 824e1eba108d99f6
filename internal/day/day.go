// Package day does civil-date arithmetic the way a surveillance program needs
// it: whole days in the site's time zone, no time of day, no clock.
//
// A Day is one civil date. A Span is a date as FHIR wrote it, which may be a
// month or a year only: it keeps the first and the last day that the text may
// mean, so nothing is made up. An Offset is an ISO 8601 duration of calendar
// months and days. Adding an offset clamps to the end of the month and always
// starts from the day it is given, so a schedule is counted from its anchor
// and never from a clamped date: 31 Jan + P1M is 28 or 29 Feb, + P2M is
// 31 Mar (ISO 8601 leaves the clamp open; the CQL specification, section
// "Date and time arithmetic", says last day of the month).
//
// Package time is used here for one thing, the conversion of an instant with
// an offset to the civil date of a zone. Nothing here reads the clock.
package day

import "fmt"

// Day is one civil date of the proleptic Gregorian calendar, counted so that
// 1 is 0001-01-01. The zero value is no day.
type Day int32

// Bounds of what Parse accepts.
const (
	Min Day = 1       // 0001-01-01
	Max Day = 3652059 // 9999-12-31
)

// Of gives the day of a year, a month (1 to 12) and a day of the month. It
// gives zero where there is no such date.
func Of(year, month, dayOfMonth int) Day {
	if year < 1 || year > 9999 || month < 1 || month > 12 || dayOfMonth < 1 || dayOfMonth > daysIn(year, month) {
		return 0
	}
	return of(year, month, dayOfMonth)
}

// of counts the days of the date without checking it.
func of(year, month, dayOfMonth int) Day {
	y, m := year, month
	if m <= 2 {
		y--
		m += 12
	}
	// Days before 1 March of year y, then the days of the months since March.
	return Day(365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + dayOfMonth - 306)
}

// Civil gives year, month and day of the month; zeros for no day.
func (d Day) Civil() (year, month, dayOfMonth int) {
	if d <= 0 {
		return 0, 0, 0
	}
	z := int(d) + 305 // days since 1 March of year 0
	era := z / 146097
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	dayOfMonth = doy - (153*mp+2)/5 + 1
	month, year = mp+3, yoe+era*400
	if month > 12 {
		month, year = month-12, year+1
	}
	return year, month, dayOfMonth
}

// String writes the day as YYYY-MM-DD; no day is the empty text.
func (d Day) String() string {
	if d <= 0 {
		return ""
	}
	return string(d.Append(make([]byte, 0, 10)))
}

// Append appends YYYY-MM-DD to b.
func (d Day) Append(b []byte) []byte {
	y, m, dd := d.Civil()
	return append(b, byte('0'+y/1000), byte('0'+y/100%10), byte('0'+y/10%10), byte('0'+y%10), '-',
		byte('0'+m/10), byte('0'+m%10), '-', byte('0'+dd/10), byte('0'+dd%10))
}

// Text writes the day for people: 3 Mar 2026.
func (d Day) Text() string {
	if d <= 0 {
		return ""
	}
	y, m, dd := d.Civil()
	return fmt.Sprintf("%d %s %d", dd, monthName(m), y)
}

func monthName(m int) string {
	return "JanFebMarAprMayJunJulAugSepOctNovDec"[3*(m-1) : 3*m]
}

// Plus gives the day n days later (earlier where n is negative).
func (d Day) Plus(n int) Day { return d + Day(n) }

// Add gives the day that lies the offset after d: first the months, clamped
// to the end of the month, then the days.
func (d Day) Add(o Offset) Day {
	if o.Months == 0 {
		return d + Day(o.Days)
	}
	y, m, dd := d.Civil()
	n := y*12 + m - 1 + o.Months
	y, m = n/12, n%12+1
	return of(y, m, min(dd, daysIn(y, m))) + Day(o.Days)
}

// MarshalText writes the day as YYYY-MM-DD.
func (d Day) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads YYYY-MM-DD; the empty text is no day.
func (d *Day) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*d = 0
		return nil
	}
	s, err := ParseDate(string(text))
	if err != nil {
		return err
	}
	if !s.Exact() {
		return fmt.Errorf("%q is not a whole date: write it as YYYY-MM-DD", text)
	}
	*d = s.First
	return nil
}

func leap(y int) bool { return y%4 == 0 && (y%100 != 0 || y%400 == 0) }

func daysIn(y, m int) int {
	switch m {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if leap(y) {
			return 29
		}
		return 28
	}
	return 31
}
