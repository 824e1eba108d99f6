package fhirserve

import (
	"strings"
	"time"
)

// span is the time that a date of a search stands for, from its first to before
// its last millisecond; milliseconds since 1970.
type span struct{ first, last int64 }

// moments tests times by a date with its prefix; false where it is none.
func moments(text string, zone *time.Location) (func(at int64) bool, bool) {
	prefix := "eq"
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		prefix, text = text[:2], text[2:]
	}
	s, ok := parseSpan(text, zone)
	if !ok {
		return nil, false
	}
	test := map[string]func(int64) bool{
		"eq": func(at int64) bool { return at >= s.first && at < s.last },
		"ge": func(at int64) bool { return at >= s.first },
		"gt": func(at int64) bool { return at >= s.last },
		"le": func(at int64) bool { return at < s.last },
		"lt": func(at int64) bool { return at < s.first },
	}[prefix]
	return test, test != nil
}

// parseSpan reads a year, a month, a day, or a moment to the minute, the second or
// a part of it. Without a zone it is a time of the site.
func parseSpan(text string, zone *time.Location) (span, bool) {
	for _, form := range []struct {
		layout string
		next   func(time.Time) time.Time
	}{
		{"2006", func(t time.Time) time.Time { return t.AddDate(1, 0, 0) }},
		{"2006-01", func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }},
		{"2006-01-02", func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }},
		{"2006-01-02T15:04", func(t time.Time) time.Time { return t.Add(time.Minute) }},
		{"2006-01-02T15:04:05", nil},
	} {
		for _, end := range []string{"", "Z07:00"} {
			if end != "" && !strings.Contains(form.layout, "T") {
				continue
			}
			if t, err := time.ParseInLocation(form.layout+end, text, zone); err == nil {
				next := form.next
				if next == nil {
					next = step(text)
				}
				return span{t.UnixMilli(), next(t).UnixMilli()}, true
			}
		}
	}
	return span{}, false
}

// step is how long a time to the second, or to a part of it, lasts. Parts below a
// millisecond are not told apart.
func step(text string) func(time.Time) time.Time {
	long := time.Second
	if _, fraction, ok := strings.Cut(text, "."); ok {
		digits := 0
		for digits < len(fraction) && fraction[digits] >= '0' && fraction[digits] <= '9' {
			digits++
		}
		for range min(digits, 3) {
			long /= 10
		}
	}
	return func(t time.Time) time.Time { return t.Add(long) }
}
