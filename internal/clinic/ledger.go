package clinic

import (
	"encoding/json"
	"slices"
	"strconv"
	"time"

	"perennial/internal/chart"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// ledger applies the changes of one patient's plan to the work items.
type ledger struct {
	w       *store.Writer
	plan    *surveil.Plan
	chart   *chart.Chart
	tasks   map[string]string // of the chart's Tasks: see person
	changes *Changes
}

// apply makes, changes and closes items, and adds their Tasks to the outbox.
func (l *ledger) apply(changes []notice.Change) error {
	for i := range changes {
		var err error
		switch c := &changes[i]; c.Kind {
		case notice.WorkNew, notice.WorkChanged:
			err = l.need(c)
		case notice.WorkCompleted:
			err = l.close(c, store.WorkCompleted)
		case notice.WorkCancelled:
			err = l.close(c, store.WorkCancelled)
		}
		if err != nil {
			return err
		}
	}
	return l.people(false)
}

// need makes the item of a change, or brings it up to date.
func (l *ledger) need(c *notice.Change) error {
	before, found, err := store.FindItem(l.w.Tx, c.Work.Key)
	if err != nil {
		return err
	}
	if !found {
		it, err := l.w.NewItem(l.plan.Patient, *c.Work)
		if err != nil {
			return err
		}
		l.changes.Made++
		return l.put(nil, &it, store.Event{What: "made"})
	}
	it := before
	it.Work, it.Patient, it.State, it.Reason, it.Evidence = *c.Work, l.plan.Patient, store.WorkOpen, "", nil
	if before.State != store.WorkOpen {
		l.changes.Reopened++
		return l.put(&before, &it, store.Event{What: "reopened"})
	}
	l.changes.Changed++
	return l.put(&before, &it, store.Event{What: "changed"})
}

// close ends an item, with its evidence or its reason. Where a person has set
// the status of its Task, the Task keeps it and gets a note.
func (l *ledger) close(c *notice.Change, state store.WorkState) error {
	before, found, err := store.FindItem(l.w.Tx, c.Work.Key)
	if err != nil || !found || before.State != store.WorkOpen {
		return err
	}
	it := before
	it.State, it.Reason, it.Evidence = state, c.Reason, c.Evidence
	what := "completed"
	if state == store.WorkCompleted {
		l.changes.Completed++
	} else {
		what = "cancelled"
		l.changes.Cancelled++
	}
	l.note(&it, what)
	return l.put(&before, &it, store.Event{What: what, Reason: c.Reason, Evidence: c.Evidence})
}

// note tells the person who has set the status of an item's Task that the item
// ended.
func (l *ledger) note(it *store.Item, what string) {
	if it.Human != nil {
		it.Notes = append(slices.Clone(it.Notes), notice.Note{Text: "Here it is " + what + ": " + notice.ReasonText(it.Reason) + ".", At: stamp(l.w.Now.UnixMilli())})
	}
}

// people keeps what persons did with the Tasks of this patient: with those whose
// items were there before, or with the others.
func (l *ledger) people(before bool) error {
	if l.chart == nil {
		return nil
	}
	for _, ws := range latestStates(l.chart) {
		first, there := l.tasks[ws.Key]
		if there != before {
			continue
		}
		if err := l.person(ws, first); err != nil {
			return err
		}
	}
	return nil
}

// person keeps one status, for the item with a first key, or with the present
// key of the Task where that is empty. A Task that was given back, as it was when
// it was made, is ours again.
func (l *ledger) person(ws *chart.WorkState, first string) error {
	read, key := store.ReadItem, first
	if first == "" {
		read, key = store.FindItem, ws.Key
	}
	before, found, err := read(l.w.Tx, key)
	if err != nil || !found {
		return err
	}
	var human *store.Human
	if ws.Person {
		human = &store.Human{Status: ws.Status, Ref: ws.Ref, Version: ws.Version, On: ws.On.First}
	}
	said := saidOn(ws)
	sameStatus := before.Human == nil && human == nil || before.Human != nil && human != nil && before.Human.Status == human.Status
	if sameStatus && sameSaid(before.Said, said) {
		return nil
	}
	it := before
	if it.Said = said; !sameStatus {
		it.Human = human
	}
	l.changes.People++
	return l.w.PutItem(&before, &it, store.Event{What: "person", Reason: ws.Status, Evidence: []string{ws.Ref}})
}

// saidOn is what people wrote on a Task; nil where they wrote nothing.
func saidOn(ws *chart.WorkState) *store.Said {
	s := store.Said{Owner: notice.Tame(ws.Owner, mostSaid), Business: notice.Tame(ws.Business, mostSaid), Why: notice.Tame(ws.Why, mostSaid)}
	for _, n := range ws.Notes {
		s.Notes = append(s.Notes, notice.Tame(n, mostSaid))
	}
	if sameSaid(&s, &store.Said{}) {
		return nil
	}
	return &s
}

// mostSaid is how many letters are kept of each thing that people wrote.
const mostSaid = 500

func sameSaid(a, b *store.Said) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Owner == b.Owner && a.Business == b.Business && a.Why == b.Why && slices.Equal(a.Notes, b.Notes)
}

// put stores an item and adds its Task to the outbox. A need that ends before
// anybody was told of it is not told at all.
func (l *ledger) put(before, it *store.Item, e store.Event) error {
	if err := l.w.PutItem(before, it, e); err != nil {
		return err
	}
	if it.State != store.WorkOpen && it.Human == nil {
		if withdrawn, err := outbox.Withdraw(l.w.Tx, it.Key, l.w.Now); err != nil || withdrawn {
			return err
		}
	}
	_, err := outbox.Add(l.w.Tx, sending(it, l.plan, ""))
	return err
}

// sending is what is sent of an item. Again tells a sending of the same state
// from the one before.
func sending(it *store.Item, p *surveil.Plan, again string) outbox.Item {
	body, err := json.Marshal(TaskOf(it, p))
	if err != nil {
		body = nil // texts, numbers and days: cannot fail, and the outbox refuses it
	}
	return outbox.Item{Key: it.Key + "/" + strconv.Itoa(it.Rev) + again, Thread: it.Key, Kind: outbox.KindTask, About: "Patient/" + it.Patient,
		Body: body, Added: time.UnixMilli(it.Changed).UTC()}
}

// TaskOf says an item as it is sent. The plan, which may be nil, adds the
// identifiers of the patient and who placed the implant.
func TaskOf(it *store.Item, p *surveil.Plan) notice.Task {
	t := notice.Task{Key: it.Key, Rev: it.Rev, Turn: turnOf(it), Patient: it.Patient, Implant: it.Work.Implant, Visit: it.Work.Visit, About: it.Work.About,
		Kind: it.Work.Kind, Urgency: it.Work.Urgency, State: string(it.State), Status: "requested", Reason: it.Reason, Evidence: it.Evidence,
		From: it.Work.From, By: it.Work.By, Text: notice.WorkText(&it.Work), Authored: stamp(it.Made), Modified: stamp(it.Changed), Notes: it.Notes}
	if it.State != store.WorkOpen {
		t.Status = string(it.State)
	}
	if it.Human != nil {
		t.Status, t.Human = it.Human.Status, true
	}
	if n := len(it.Work.Why); n > 0 {
		t.Rule, t.Facts = it.Work.Why[n-1].Rule, it.Work.Why[n-1].Facts
	}
	if p == nil {
		return t
	}
	t.Identifiers = p.Identifiers
	for i := range p.Implants {
		if p.Implants[i].ID == it.Work.Implant {
			t.Performer = p.Implants[i].Performer
		}
	}
	return t
}

// turnOf is the change by which an item got its state.
func turnOf(it *store.Item) int {
	for i, e := range slices.Backward(it.History) {
		if slices.Contains([]string{"made", "completed", "cancelled", "reopened"}, e.What) {
			return it.Rev - (len(it.History) - 1 - i)
		}
	}
	return it.Rev
}

// stamp writes milliseconds since 1970 as RFC 3339.
func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }

// closeDouble ends an item that became the same as another.
func (l *ledger) closeDouble(before, it *store.Item) error {
	key, err := l.aside(before)
	if err != nil {
		return err
	}
	it.Now, it.Work.Key = key, key
	if before.State != store.WorkOpen {
		return l.w.PutItem(before, it, store.Event{What: "moved", Reason: notice.ReasonMerged})
	}
	it.State, it.Reason = store.WorkCancelled, notice.ReasonMerged
	l.note(it, "cancelled")
	l.changes.Cancelled++
	return l.put(before, it, store.Event{What: "cancelled", Reason: notice.ReasonMerged})
}

// aside is the key of an item that ends as the same as another: the one that it
// has, by which it is needed again should the two come apart; where another item
// has moved there, one that the engine gives to nothing. It ends as the key does,
// which tells what the item is about.
func (l *ledger) aside(it *store.Item) (string, error) {
	holder, found, err := store.FindItem(l.w.Tx, it.Now)
	if err != nil || !found || holder.Key == it.Key {
		return it.Now, err
	}
	return "#" + it.Key + "|" + it.Now, nil
}
