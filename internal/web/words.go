package web

import (
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// longest is how many characters of any text from outside are shown.
const longest = 300

// tame makes a text from outside fit to be shown.
func tame(text string) string { return notice.Tame(text, longest) }

func joinWords(a, b string) string { return strings.TrimSpace(a + " " + b) }

// RecordNumber is the value of the first identifier, which stands on pages as
// the record number; "" where there is none.
func RecordNumber(identifiers []string) string {
	if len(identifiers) == 0 {
		return ""
	}
	_, value, ok := strings.Cut(identifiers[0], "|")
	if !ok {
		return identifiers[0]
	}
	return value
}

// standings are all standings, the most pressing first.
func standings() []surveil.Standing {
	return []surveil.Standing{surveil.Overdue, surveil.Open, surveil.Undecided, surveil.Booked, surveil.Upcoming, surveil.Missed, surveil.Done, surveil.Excused}
}

// rungs are all rungs, the most pressing first.
func rungs() []surveil.Rung {
	return []surveil.Rung{surveil.RungLost, surveil.RungPresumedLost, surveil.RungOverdue, surveil.RungCurrent}
}

// workKinds are all kinds of work, in the order of the tabs.
func workKinds() []string {
	return []string{surveil.WorkReview, surveil.WorkTrace, surveil.WorkChase, surveil.WorkArrange, surveil.WorkReport, surveil.WorkObtain, surveil.WorkKidney, surveil.WorkQuestion}
}

// urgencies are all urgencies, the most pressing first.
func urgencies() []string { return []string{"stat", "asap", "urgent", "routine"} }

// rungName is a rung as it is said to people.
func rungName(r surveil.Rung) string { return strings.ReplaceAll(string(r), "-", " ") }

// markPath is the shape that stands for a standing, in a box of 12 by 12. Each
// has its own, so that they are told apart without colour.
func markPath(s string) string {
	switch s {
	case string(surveil.Done):
		return "M6 1a5 5 0 1 0 0 10A5 5 0 1 0 6 1z"
	case string(surveil.Overdue), string(surveil.RungPresumedLost):
		return "M6 .6 11.7 11H.3z"
	case string(surveil.Booked):
		return "M6 .5 11.5 6 6 11.5.5 6z"
	case string(surveil.Open):
		return "M1 1h10v10H1zM3 3v6h3V3z"
	case string(surveil.Upcoming), string(surveil.RungCurrent):
		return "M6 1a5 5 0 1 0 0 10A5 5 0 1 0 6 1zM6 2.6a3.4 3.4 0 1 1 0 6.8A3.4 3.4 0 1 1 6 2.6z"
	case string(surveil.Missed), string(surveil.RungLost):
		return "M2.3.9 6 4.6 9.7.9l1.4 1.4L7.4 6l3.7 3.7-1.4 1.4L6 7.4l-3.7 3.7L.9 9.7 4.6 6 .9 2.3z"
	case string(surveil.Excused):
		return "M1 5h10v2H1z"
	}
	return "M4.8 9.6h2.3V12H4.8zM2.4 4C2.4 1.700 4 .4 6.100.4 8.300.4 9.900 1.600 9.900 3.600c0 2.300-2.800 2.600-2.800 4.900H4.900c0-3 2.600-3.300 2.600-4.900 0-.8-.6-1.200-1.400-1.200-.9 0-1.400.6-1.400 1.600z"
}

// functions are what the templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"date": day.Day.Text, "span": day.Span.Text, "tame": tame, "class": func(s string) string { return tame(notice.ClassName(s)) }, "imaging": notice.KindText, "rung": func(r surveil.Rung) string { return tame(rungName(r)) },
		"title": func(s string) string { return tame(notice.Title(s)) }, "mark": markPath, "group": group, "reason": (*surveil.Reason).Text, "ended": func(s string) string { return tame(notice.ReasonText(s)) },
		"path": url.PathEscape, "evidence": notice.EvidenceMark, "group64": func(n int64) string { return group(int(n)) }, "moment": moment, "words": func(s string) string { return tame(strings.ReplaceAll(s, "-", " ")) },
	}
}

// moment writes a time of RFC 3339 as a date and a time of day.
func moment(text string) string {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return tame(text)
	}
	return day.Of(at.Year(), int(at.Month()), at.Day()).Text() + " " + at.Format("15:04")
}

// group writes a number with thin spaces between thousands.
func group(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// ago says how long ago a time was, roughly.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d minutes ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d hours ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

// rank is the place of a word in a list; words not in it come last.
func rank[T comparable](list []T, one T) int {
	if i := slices.Index(list, one); i >= 0 {
		return i
	}
	return len(list)
}
