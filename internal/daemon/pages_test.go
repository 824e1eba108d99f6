package daemon_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/daemon"
	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// A scan that may do for a visit that is missed by now: nobody owes the visit
// any more, but the question about it stands.
const asked = `{"resourceType":"Patient","id":"q2","identifier":[{"system":"urn:mrn","value":"Q-2"}],"name":[{"family":"Quay","given":["Testa"]}]}
{"resourceType":"Procedure","id":"q2-evar","status":"completed","subject":{"reference":"Patient/q2"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2019-03-05"}
{"resourceType":"ImagingStudy","id":"q2-ct","status":"available","subject":{"reference":"Patient/q2"},"started":"2022-03-01","procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74177"}]}]}
`

// Rows of the worklist have the index date of their implant and the window of
// their visit, also of one that is missed.
func TestRowsHaveIndexAndWindow(t *testing.T) {
	t.Parallel()
	c, now := clinicWith(t, inJune, asked), inJune
	pages := &daemon.Pages{Clinic: c, Now: now}
	list, err := pages.Worklist(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var missed, windows int
	for _, r := range list.Rows {
		if r.Class != "evar" || r.Index != day.On(day.Of(2019, 3, 5)) {
			t.Errorf("%s %s: class %q, index %s", r.Kind, r.Step, r.Class, r.Index)
		}
		if r.Opens > 0 && r.Closes > r.Opens {
			windows++
		}
		if r.Standing == surveil.Missed {
			missed++
			if r.Step != "y3" || r.Opens != day.Of(2021, 12, 5) || r.Closes != day.Of(2022, 6, 3) {
				t.Errorf("%s: %s to %s", r.Step, r.Opens, r.Closes)
			}
		}
	}
	if missed != 1 || windows < 2 {
		t.Errorf("%d rows about a missed visit, %d with a window: %+v", missed, windows, list.Rows)
	}
	l, err := daemon.Letter(t.Context(), &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: time.Now}, daemon.Digest{Names: true}, "nurse@example.org")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(l.Text), " ")
	for _, want := range []string{"EVAR y3: answer the question", "EVAR: chase the report"} {
		if !strings.Contains(text, want) {
			t.Errorf("the letter does not say %q:\n%s", want, l.Text)
		}
	}
}

// The days in the reason of a row are those of today, though time alone changed
// nothing and the plan is from an earlier day.
func TestRowsCountTheDaysFromToday(t *testing.T) {
	t.Parallel()
	today := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	now := func() time.Time { return today }
	c := clinicWith(t, now, patient)
	pages := &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: now}
	closes := time.Time{}
	for _, want := range []string{"1 day ago", "2 days ago", "9 days ago"} {
		n, _ := strconv.Atoi(want[:1])
		if !closes.IsZero() {
			today = closes.AddDate(0, 0, n)
		}
		for ; ; today = today.AddDate(0, 0, 1) {
			if _, err := c.Tick(t.Context()); err != nil {
				t.Fatal(err)
			}
			list, err := pages.Worklist(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(list.Rows, func(r web.Row) bool { return r.Kind == surveil.WorkChase && r.Step == "y1" })
			if i < 0 {
				continue // still in its window
			}
			if closes.IsZero() {
				closes = today.AddDate(0, 0, -1)
			}
			if why := list.Rows[i].Why; !strings.Contains(why, ", "+want+";") {
				t.Errorf("%s: not %q in %q", today.Format(time.DateOnly), want, why)
			}
			break
		}
	}
}

// A snoozed item is on neither the worklist nor the letter, and both count it.
func TestSnoozedWorkIsHiddenAndCounted(t *testing.T) {
	t.Parallel()
	now := func() time.Time { return time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC) }
	c := clinicWith(t, now, patient)
	pages := &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: now}
	look := func() (rows, snoozed int, letter string) {
		list, err := pages.Worklist(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		l, err := daemon.Letter(t.Context(), pages, daemon.Digest{}, "nurse@example.org")
		if err != nil {
			t.Fatal(err)
		}
		_, due, _ := strings.Cut(l.Text, "\nDue: ")
		return len(list.Rows), list.Snoozed, due
	}
	rows, snoozed, letter := look()
	if rows < 1 || snoozed != 0 || !strings.Contains(letter, "EVAR y1: arrange imaging") {
		t.Fatalf("%d rows, %d snoozed, letter:\n%s", rows, snoozed, letter)
	}
	hide := chart.Ruling{Patient: "q1", Kind: chart.RuleSnooze, About: "q1|Procedure/q1-evar|1|y1|2|arrange-imaging", Until: day.Of(2026, 3, 1), Who: "N. Quay", Why: "abroad"}
	if _, err := c.Rule(t.Context(), hide); err != nil {
		t.Fatal(err)
	}
	fewer, snoozed, letter := look()
	if fewer != rows-1 || snoozed != 1 || strings.Contains(letter, "EVAR y1: arrange imaging") || !strings.Contains(letter, "1 more snoozed until a later day.") {
		t.Errorf("%d rows of %d, %d snoozed, letter:\n%s", fewer, rows, snoozed, letter)
	}
}
