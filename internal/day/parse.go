package day

import (
	"fmt"
	"time"
)

// NoMinute is the minute of the day where the text gave no time.
const NoMinute = -1

// ParseDate reads a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD).
func ParseDate(text string) (Span, error) {
	s, _, err := Parse(text, nil)
	if err == nil && len(text) > 10 {
		return Span{}, bad(text, "a date has no time of day")
	}
	return s, err
}

// Parse reads a FHIR date, dateTime or instant and gives the civil date in
// the zone, with the minute of the day (NoMinute where no time was sent). A
// time with an offset is converted to the zone first; a time without one is
// taken as local, as many systems write it. Seconds may be missing. A nil
// zone takes the date as written.
func Parse(text string, zone *time.Location) (Span, int, error) {
	s, err := parseDay(text)
	if err != nil || len(text) <= 10 {
		return s, NoMinute, err
	}
	c, err := parseClock(text)
	if err != nil {
		return Span{}, NoMinute, err
	}
	minute := c.hour*60 + c.minute
	if !c.hasOffset || zone == nil {
		return s, minute, nil
	}
	return inZone(s.First, minute-c.offset, c.second, zone)
}

// epoch is the Day of 1970-01-01.
const epoch = 719163

// inZone converts a UTC day and minute (which may lie outside the day) to the
// civil date of the zone.
func inZone(d Day, minute, second int, zone *time.Location) (Span, int, error) {
	seconds := (int64(d)-epoch)*86400 + int64(minute)*60 + int64(second)
	_, shift := time.Unix(seconds, 0).In(zone).Zone()
	seconds += int64(shift)
	days := seconds / 86400
	rest := seconds - days*86400
	if rest < 0 {
		days, rest = days-1, rest+86400
	}
	got := Day(days + epoch)
	if got < Min || got > Max {
		return Span{}, NoMinute, bad(d.String(), "the date lies outside the calendar")
	}
	return On(got), int(rest / 60), nil
}

func parseDay(text string) (Span, error) {
	y, ok := four(text)
	if !ok || y < 1 || len(text) < 4 {
		return Span{}, bad(text, "it must start with a year of four digits")
	}
	if len(text) == 4 {
		return Span{of(y, 1, 1), of(y, 12, 31)}, nil
	}
	m, ok := two(text, 5)
	if !ok || text[4] != '-' || m < 1 || m > 12 {
		return Span{}, bad(text, "the month is not 01 to 12")
	}
	if len(text) == 7 {
		return Span{of(y, m, 1), of(y, m, daysIn(y, m))}, nil
	}
	d, ok := two(text, 8)
	if !ok || text[7] != '-' {
		return Span{}, bad(text, "the day of the month is missing")
	}
	on := Of(y, m, d)
	if on == 0 {
		return Span{}, bad(text, "there is no such day")
	}
	return On(on), nil
}

type clock struct {
	hour, minute, second int
	offset               int // minutes east of UTC
	hasOffset            bool
}

// parseClock reads what follows the date: Thh:mm[:ss[.fff]][Z|+hh:mm|-hh:mm].
func parseClock(text string) (clock, error) {
	var c clock
	var okH, okM bool
	if text[10] != 'T' {
		return c, bad(text, "a time follows the date after the letter T")
	}
	c.hour, okH = two(text, 11)
	c.minute, okM = two(text, 14)
	if !okH || !okM || text[13] != ':' || c.hour > 23 || c.minute > 59 {
		return c, bad(text, "the time of day is not hh:mm")
	}
	at := 16
	if at < len(text) && text[at] == ':' {
		s, ok := two(text, at+1)
		if !ok || s > 60 {
			return c, bad(text, "the seconds are not 00 to 60")
		}
		c.second = s
		at = skipFraction(text, at+3)
	}
	return c.withOffset(text, at)
}

func skipFraction(text string, at int) int {
	if at >= len(text) || text[at] != '.' {
		return at
	}
	at++
	for at < len(text) && text[at] >= '0' && text[at] <= '9' {
		at++
	}
	return at
}

func (c clock) withOffset(text string, at int) (clock, error) {
	if at == len(text) {
		return c, nil
	}
	c.hasOffset = true
	if text[at] == 'Z' && at+1 == len(text) {
		return c, nil
	}
	h, okH := two(text, at+1)
	m, okM := two(text, at+4)
	if !okH || !okM || len(text) != at+6 || text[at+3] != ':' || h > 14 || m > 59 || (text[at] != '+' && text[at] != '-') {
		return c, bad(text, "the time zone is not Z, +hh:mm or -hh:mm")
	}
	if c.offset = h*60 + m; text[at] == '-' {
		c.offset = -c.offset
	}
	return c, nil
}

// two reads two digits at the position; false where there are fewer.
func two(text string, at int) (int, bool) {
	if at+2 > len(text) {
		return 0, false
	}
	tens, ones := text[at]-'0', text[at+1]-'0'
	return int(tens)*10 + int(ones), tens <= 9 && ones <= 9
}

// four reads four digits at the start; false where there are fewer.
func four(text string) (int, bool) {
	high, ok1 := two(text, 0)
	low, ok2 := two(text, 2)
	return high*100 + low, ok1 && ok2
}

func bad(text, why string) error {
	if len(text) > 40 {
		text = text[:40] + "…"
	}
	return fmt.Errorf("%q is not a date that FHIR allows: %s", text, why)
}

// Millis reads an instant with seconds and an offset (2026-03-03T10:00:00.123+01:00, or Z) as milliseconds since 1970-01-01
// 00:00 UTC; false for every other form, and at the ends of the calendar. It is the short way for what servers write into
// each resource.
func Millis(text string) (int64, bool) {
	if len(text) < 20 || text[4] != '-' || text[7] != '-' || text[10] != 'T' || text[13] != ':' || text[16] != ':' {
		return 0, false
	}
	y, ok1 := four(text)
	m, ok2 := two(text, 5)
	d, ok3 := two(text, 8)
	hour, ok4 := two(text, 11)
	minute, ok5 := two(text, 14)
	second, ok6 := two(text, 17)
	if !(ok1 && ok2 && ok3 && ok4 && ok5 && ok6) || hour > 23 || minute > 59 || second > 59 {
		return 0, false
	}
	on := Of(y, m, d)
	if on <= Min || on >= Max {
		return 0, false
	}
	at := skipFraction(text, 19)
	offset, ok := offsetOf(text[at:])
	seconds := (int64(on)-epoch)*86400 + int64(hour*60+minute-offset)*60 + int64(second)
	return seconds*1000 + thousandths(text[19:at]), ok
}

// offsetOf reads Z or ±hh:mm, in minutes.
func offsetOf(text string) (int, bool) {
	if text == "Z" {
		return 0, true
	}
	if len(text) != 6 || text[3] != ':' || text[0] != '+' && text[0] != '-' {
		return 0, false
	}
	h, ok1 := two(text, 1)
	m, ok2 := two(text, 4)
	if text[0] == '-' {
		h, m = -h, -m
	}
	return h*60 + m, ok1 && ok2 && h >= -14 && h <= 14 && m >= -59 && m <= 59
}

// thousandths reads ".123…"; what follows the third digit is left off.
func thousandths(text string) (n int64) {
	for i, unit := 1, int64(100); i < len(text) && unit > 0; i++ {
		n += int64(text[i]-'0') * unit
		unit /= 10
	}
	return n
}
