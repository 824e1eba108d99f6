// Package digest lays out a worklist as a letter, in text and in HTML.
//
// Design:
//
//   - Pure: what is to be said goes in, a Letter comes out; the same input gives
//     the same letter to the byte. Nothing here looks at a clock or sends.
//   - What changed since the last letter comes first (Told picks the lines of
//     it from the differences between plans), then what is due, overdue and
//     lost, results that nobody has read, questions, the three sums, how fresh
//     the sources are, and what the program does not do. Alarms stand above all.
//   - A list is cut after so many lines, never silently: its count is that of
//     everything, and a last line says how many more there are.
//   - Mail is read on many screens. A patient is named by initials and the end
//     of the record number; full names, and what findings and questions say,
//     come only where the site has switched names on. A patient with a restricted
//     record (label R or V) is never named, and no finding of theirs is told. The
//     subject holds counts only.
//   - Patients labelled as made for tests are in no list; how many lines that
//     leaves out is said.
//   - The key of a letter is its day and its recipient: a letter that is made
//     twice is the same letter.
package digest

import (
	"slices"
	"strings"
	"unicode"

	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// Input is all that a letter says. Lists come in the order in which they are
// to be read.
type Input struct {
	Site      string
	On        day.Day // the day of the letter
	Since     day.Day // the day of the last letter; zero: there was none
	Names     bool    // the site has switched full names on
	Link      string  // address of the pages; may be empty
	Alarms    []string
	Changed   []Change
	Due       []Item // visits in their window, and those to be arranged
	Overdue   []Item
	Lost      []Item // presumed lost and lost
	Results   []Item // reports and findings that nobody has reviewed, reports that are late
	Questions []Item
	Snoozed   int // items that a person hid until a later day: in none of the lists
	Tests     int // items and changes of patients labelled as made for tests: in none of the lists
	Sums      []Sum
	Sources   []Source
	Drafts    []string // protocols in force that nobody has signed off
}

// Person is a patient as a letter may name them.
type Person struct {
	Name       string
	Record     string // the record number, whole
	Restricted bool   // labelled as confidential beyond the usual: never named in mail
}

// Change is a difference between two plans of a person.
type Change struct {
	Who Person
	notice.Change
}

// Item is one thing that is due, lost, unread or asked.
type Item struct {
	Who     Person
	What    string  // e.g. "EVAR y2: arrange imaging"; no finding and no free text
	By      day.Day // zero: no date
	Detail  string  // told only where names are switched on: finding, question
	Urgency string  // routine, urgent, asap or empty
	Booked  day.Day // zero: no appointment
}

// Sum is a total and the parts that make it up.
type Sum struct {
	Name  string // e.g. "Resources received"
	Total int
	Parts []Part
}

// Part is one part of a sum.
type Part struct {
	Name string
	N    int
}

// Holds says whether the parts add up to the total.
func (s Sum) Holds() bool {
	left := s.Total
	for _, p := range s.Parts {
		left -= p.N
	}
	return left == 0
}

// Source is where data comes from, and when it last came.
type Source struct {
	Name  string
	Last  day.Day // the day of the last success; zero: never
	At    string  // the time of that day, as the site's clocks show it; may be empty
	Stale bool    // silent for longer than the site's limit
}

// Letter is a digest for one recipient, ready to be sent. It is the body of an
// outbox item, as JSON.
type Letter struct {
	Key     string  `json:"key"`
	To      string  `json:"to"`
	On      day.Day `json:"on"`
	Subject string  `json:"subject"`
	Text    string  `json:"text"`
	HTML    string  `json:"html"`
}

// Key is the key of the letter of a day to a recipient. It names no patient.
func Key(on day.Day, to string) string {
	return "digest|" + on.String() + "|" + strings.ToLower(strings.TrimSpace(to))
}

// Told picks, from the differences between plans, those that get a line of
// their own. A change of work on a visit is told by the line of the visit where
// that changed too; of a new implant only the visits are told that ask for
// something. That a scan may serve something else too is not told. Everything
// else is. The order stays.
func Told(changes []notice.Change) []notice.Change {
	var out []notice.Change
	for i := range changes {
		if !toldByAnother(&changes[i], changes) {
			out = append(out, changes[i])
		}
	}
	return out
}

func toldByAnother(c *notice.Change, all []notice.Change) bool {
	same := func(kind notice.Kind, is func(*notice.Change) bool) bool {
		return slices.ContainsFunc(all, func(o notice.Change) bool { return o.Kind == kind && o.Patient == c.Patient && is(&o) })
	}
	switch c.Kind {
	case notice.Visit:
		asks := strings.HasPrefix(c.Now, string(surveil.Overdue)) || strings.HasPrefix(c.Now, string(surveil.Open)) || strings.HasPrefix(c.Now, string(surveil.Undecided))
		return c.Was == "" && !asks && same(notice.ImplantNew, func(o *notice.Change) bool { return o.Implant == c.Implant })
	case notice.WorkNew, notice.WorkChanged, notice.WorkCompleted, notice.WorkCancelled:
		return c.Aside || c.Visit != "" && c.Work != nil && c.Work.About == "" && same(notice.Visit, func(o *notice.Change) bool { return o.Visit == c.Visit })
	}
	return false
}

// Initials are the first letters of a name's words, at most three: "A. Q.".
// A name without letters gives "?".
func Initials(name string) string {
	var out []string
	for _, word := range strings.FieldsFunc(name, func(r rune) bool { return unicode.IsSpace(r) || r == ',' || r == '-' }) {
		for _, r := range word {
			if unicode.IsLetter(r) {
				out = append(out, string(unicode.ToUpper(r))+".")
				break
			}
		}
	}
	if len(out) == 0 {
		return "?"
	}
	return strings.Join(out[:min(3, len(out))], " ")
}

// Tail is the end of a record number: four characters, of a short one no more
// than half, so that the whole is never told. "…" stands for the rest.
func Tail(record string) string {
	r := []rune(tame(record))
	if len(r) == 0 {
		return ""
	}
	return "…" + string(r[len(r)-min(4, len(r)/2):])
}

// withheld stands for a person with a restricted record.
const withheld = "restricted record (see the pages)"

// call is how a letter names a person. One with a restricted record is not named,
// not even by initials: the line stands there all the same.
func (p Person) call(names bool) string {
	if p.Restricted {
		return withheld
	}
	if names && strings.TrimSpace(p.Name) != "" {
		return strings.TrimSpace(tame(p.Name) + " " + tame(p.Record))
	}
	return strings.TrimSpace(Initials(tame(p.Name)) + " " + Tail(p.Record))
}

// longest is how many characters of any text from outside are shown.
const longest = 160

// tame makes a text from outside fit for one line of a letter.
func tame(text string) string { return notice.Tame(text, longest) }
