package clinic

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// pageSize is how much is read in one short read.
const pageSize = 500

// Filter says which work items or visits are wanted. What is empty does not
// restrict.
type Filter struct {
	Kinds    []string // of work
	Urgency  string   // at least: routine, urgent, asap, stat
	Patient  string   // id of the record
	Class    string   // of an implant
	Text     string   // part of a name, an id or an identifier, in any case
	Until    day.Day  // wanted from this day at the latest: work that begins later is left out
	Standing []surveil.Standing
	Snoozed  bool // items that a person hid until a later day, too
	Limit    int  // 0: all
	// Tests, if not nil, leaves out the rows of patients who are labelled as made
	// for tests, and counts them.
	Tests *int
}

// Row is a work item with its patient.
type Row struct {
	Item    store.Item
	Line    store.Line
	Step    string           // of the visit: "y2"
	Text    string           // what is to be done and why
	Overdue int              // days since the day by which it was wanted; negative before it
	Booked  day.Day          // the next appointment for imaging
	NoShow  day.Day          // an appointment for imaging that passed without a study
	Snoozed day.Day          // a person hid it until this day; zero: it shows
	Closed  bool             // a person has closed its Task, and it is needed still
	There   notice.Elsewhere // what people did with its Task
}

// Worklist lists the open work items: the most urgent first, then by the day by
// which they are wanted. Those whose Task a person has closed come last. Those
// that a person snoozed are left out, unless the filter asks for them.
func (c *Clinic) Worklist(ctx context.Context, f Filter) ([]Row, error) {
	var rows []Row
	var page store.Page
	today := c.Today()
	lines := map[string]store.Line{}
	err := c.pages(ctx, func(r kv.Reader) (bool, error) {
		items, more, err := store.Items(r, store.WorkOpen, &page, pageSize)
		if err != nil {
			return false, err
		}
		for i := range items {
			if !f.item(&items[i]) {
				continue
			}
			line, err := lineOf(r, lines, items[i].Patient)
			if err != nil {
				return false, err
			}
			if f.line(&line) {
				row := rowOf(items[i], line, today)
				if row.There, err = elsewhere(r, &items[i]); err != nil {
					return false, err
				}
				row.Closed = row.There.Closes()
				rows = append(rows, row)
			}
		}
		return more, nil
	})
	slices.SortStableFunc(rows, compareRows)
	if f.Limit > 0 && len(rows) > f.Limit {
		rows = rows[:f.Limit]
	}
	return rows, err
}

// lineOf reads the line of a patient once.
func lineOf(r kv.Reader, known map[string]store.Line, patient string) (store.Line, error) {
	if line, ok := known[patient]; ok {
		return line, nil
	}
	line, _, err := store.ReadLine(r, patient)
	known[patient] = line
	return line, err
}

func compareRows(a, b Row) int {
	if a.Closed != b.Closed {
		if a.Closed {
			return 1
		}
		return -1
	}
	if d := cmp.Compare(rank(b.Item.Work.Urgency), rank(a.Item.Work.Urgency)); d != 0 {
		return d
	}
	if d := cmp.Compare(a.Item.Work.By, b.Item.Work.By); d != 0 {
		return d
	}
	return cmp.Compare(a.Item.Key, b.Item.Key)
}

// rank orders urgencies as FHIR request priorities do.
func rank(urgency string) int {
	return slices.Index([]string{"routine", "urgent", "asap", "stat"}, urgency)
}

func rowOf(it store.Item, line store.Line, today day.Day) Row {
	it.Work.Why = slices.Clone(it.Work.Why)
	for i := range it.Work.Why {
		it.Work.Why[i] = it.Work.Why[i].On(today)
	}
	row := Row{Item: it, Line: line, Step: stepOf(it.Work.Visit), Text: notice.WorkText(&it.Work), Snoozed: it.Work.Snoozed}
	if it.Work.By > 0 {
		row.Overdue = int(today - it.Work.By)
	}
	row.Booked, row.NoShow = line.Booked(today)
	return row
}

// stepOf is the step in the key of a visit.
func stepOf(visit string) string { return visit[strings.LastIndexByte(visit, '/')+1:] }

// elsewhere is what people did with the Task of an item.
func elsewhere(r kv.Reader, it *store.Item) (e notice.Elsewhere, err error) {
	if it.Human != nil {
		e.Status = it.Human.Status
	}
	if s := it.Said; s != nil {
		e.Owner, e.Business, e.Why, e.Notes = s.Owner, s.Business, s.Why, s.Notes
	}
	e.Removed, err = outbox.WasRemoved(r, it.Key)
	return e, err
}

// item says whether an item is wanted.
func (f *Filter) item(it *store.Item) bool {
	return (len(f.Kinds) == 0 || slices.Contains(f.Kinds, it.Work.Kind)) &&
		(f.Urgency == "" || rank(it.Work.Urgency) >= rank(f.Urgency)) &&
		(f.Snoozed || it.Work.Snoozed == 0) && (f.Patient == "" || f.Patient == it.Patient) &&
		(f.Until == 0 || it.Work.From <= f.Until)
}

// line says whether a patient is wanted.
func (f *Filter) line(l *store.Line) bool {
	if f.Class != "" && !slices.Contains(l.Classes, f.Class) || !f.text(l) {
		return false
	}
	if f.Tests != nil && l.Test {
		*f.Tests++
		return false
	}
	return true
}

// text says whether a patient has the text that is looked for.
func (f *Filter) text(l *store.Line) bool {
	if f.Text == "" {
		return true
	}
	text := strings.ToLower(strings.Join(append([]string{l.Patient, l.Name}, l.Identifiers...), "\n"))
	return strings.Contains(text, strings.ToLower(f.Text))
}

// DueRow is a visit that is owed, with its patient.
type DueRow struct {
	Line    store.Line
	Owed    store.Owed
	Days    int // since the close; negative before it
	NoShow  day.Day
	Standby bool // the patient is not under surveillance: paused or unresolved
}

// Due lists the visits that are overdue, open, booked or next, those overdue
// first and then by their close. Without a Standing in the filter upcoming ones
// are left out.
func (c *Clinic) Due(ctx context.Context, f Filter) ([]DueRow, error) {
	var rows []DueRow
	today := c.Today()
	err := c.Lines(ctx, func(l store.Line) error {
		if f.Patient != "" && f.Patient != l.Patient || l.State == surveil.StateEnded {
			return nil
		}
		for _, o := range l.Owed {
			wanted := slices.Contains(f.Standing, o.Standing) || len(f.Standing) == 0 && o.Standing != surveil.Upcoming
			if !wanted || f.Class != "" && f.Class != o.Class || f.Until > 0 && o.Opens > f.Until || !f.line(&l) {
				continue
			}
			_, gone := l.Booked(today)
			rows = append(rows, DueRow{Line: l, Owed: o, Days: int(today - o.Closes), NoShow: gone, Standby: l.State != surveil.StateActive})
		}
		return nil
	})
	slices.SortStableFunc(rows, func(a, b DueRow) int {
		if d := cmp.Compare(a.Owed.Closes, b.Owed.Closes); d != 0 {
			return d
		}
		return cmp.Compare(a.Line.Patient, b.Line.Patient)
	})
	if f.Limit > 0 && len(rows) > f.Limit {
		rows = rows[:f.Limit]
	}
	return rows, err
}

// Lines visits the lines of all patients with an implant, by id.
func (c *Clinic) Lines(ctx context.Context, visit func(store.Line) error) error {
	var page store.Page
	return c.pages(ctx, func(r kv.Reader) (bool, error) {
		list, more, err := store.Lines(r, &page, pageSize)
		for i := 0; err == nil && i < len(list); i++ {
			err = visit(list[i])
		}
		return more, err
	})
}

// Questions lists the open questions as rows of the worklist: those that hide a
// visit first. A snoozed one is among them.
func (c *Clinic) Questions(ctx context.Context, f Filter) ([]Row, error) {
	f.Kinds, f.Snoozed = []string{surveil.WorkQuestion}, true
	return c.Worklist(ctx, f)
}
