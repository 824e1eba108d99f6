package clinic

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/kv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Wanted says which devices are recalled: those with one of the models, one of
// the lots and one of the serial numbers, as far as each is given. A whole UDI
// may stand for any of them.
type Wanted struct {
	Models  []string // device identifiers
	Lots    []string
	Serials []string
}

// RecallRow is a device of a patient, living or not.
type RecallRow struct {
	Patient  string // id of the surviving record; a key where no record is there; empty where the device names nobody
	Line     store.Line
	Label    chart.Label
	Sure     bool     // the label says it in the right field, and is in force
	Found    []string // what was found where
	Implant  string   // the implant that the device belongs to; empty where it is tied to none
	Class    string
	Index    day.Span
	State    surveil.State // empty: no implant on record
	Ended    surveil.End
	EndedOn  day.Day
	Dead     bool
	DeadOn   day.Span
	Next     *surveil.Visit // of the implant, else of any: the earliest that is owed or comes
	FollowUp surveil.Rung
	Remarks  []string // what a person must know before calling
}

// Recall is the answer to Wanted.
type Recall struct {
	Rows     []RecallRow
	Patients int        // patients among the rows
	Gaps     store.Gaps // what could not be searched
}

// String says what is wanted, always in the same words for the same.
func (w Wanted) String() string {
	q, err := newQuery(w)
	if err != nil {
		return ""
	}
	var parts []string
	for _, a := range q.asked {
		forms := slices.Compact(slices.Sorted(slices.Values(a.forms)))
		parts = append(parts, sortName(a.sort)+" "+strings.Join(forms, " or "))
	}
	return strings.Join(parts, " and ")
}

// query is Wanted in the form in which marks are compared.
type query struct {
	asked []asked
}

// asked are the forms of one sort.
type asked struct {
	sort  chart.MarkSort
	forms []string // in the field of the sort
	words []string // anywhere else
}

// newQuery reads what is wanted. The error is of kind Invalid.
func newQuery(w Wanted) (query, error) {
	var q query
	for _, part := range []struct {
		sort chart.MarkSort
		list []string
		of   func(fhir.UDI) string
	}{
		{chart.MarkModel, w.Models, func(u fhir.UDI) string { return u.DI }},
		{chart.MarkLot, w.Lots, func(u fhir.UDI) string { return u.Lot }},
		{chart.MarkSerial, w.Serials, func(u fhir.UDI) string { return u.Serial }},
	} {
		a := asked{sort: part.sort}
		for _, text := range part.list {
			if inside := part.of(fhir.ParseUDI(text)); inside != "" {
				text = inside
			}
			form := chart.MarkForm(part.sort, text)
			if form == "" {
				return q, fault.New(fault.Invalid, "look for devices", "Give it as it is printed on the label.", fmt.Errorf("%q holds no letter and no digit", text))
			}
			a.forms, a.words = append(a.forms, form), append(a.words, chart.MarkForm(chart.MarkText, text))
		}
		if len(a.forms) > 0 {
			q.asked = append(q.asked, a)
		}
	}
	if len(q.asked) == 0 {
		return q, fault.New(fault.Invalid, "look for devices", "Give a lot, a device identifier or a serial number.", errors.New("nothing is asked for"))
	}
	return q, nil
}

// marks are all marks that lead to candidates.
func (q *query) marks() []chart.Mark {
	var list []chart.Mark
	for _, a := range q.asked {
		for _, form := range a.forms {
			list = append(list, chart.Mark{Sort: a.sort, Value: form})
		}
		for _, word := range a.words {
			for _, sort := range []chart.MarkSort{chart.MarkModel, chart.MarkLot, chart.MarkSerial, chart.MarkText} {
				if sort != a.sort {
					list = append(list, chart.Mark{Sort: sort, Value: word})
				}
			}
		}
	}
	return list
}

// How a label answers one sort that was asked for.
const (
	differs = iota - 1 // it says another
	silent             // it says none
	inText             // it has the word in another field
	exact
)

// answer says how a label answers.
func (a *asked) answer(l *chart.Label) int {
	best := silent
	if l.Has(a.sort) {
		best = differs
	}
	for _, m := range l.Marks {
		switch {
		case m.Sort == a.sort && slices.Contains(a.forms, m.Value):
			return exact
		case m.Sort != a.sort && (slices.Contains(a.words, m.Value) || slices.Contains(a.forms, m.Value)):
			best = inText
		}
	}
	return best
}

// found is the version of a label that answers best.
type found struct {
	label   *chart.Label
	version int // its place, from the latest on
	score   int
	sure    bool
	how     []string
}

// best finds the version of a device's label that answers best; false where none
// answers: each says another lot, say, or nothing.
func (q *query) best(versions []store.Labelled, ref string) (found, bool) {
	top := found{}
	for i := range versions {
		for j := range versions[i].List {
			l := &versions[i].List[j]
			if l.Ref != ref {
				continue
			}
			if f, ok := q.judge(l); ok && f.score > top.score {
				f.version = i
				top = f
			}
		}
	}
	return top, top.label != nil
}

// judge says how a label answers all that was asked for.
func (q *query) judge(l *chart.Label) (found, bool) {
	f := found{label: l, sure: !l.Mention}
	hit := false
	for i := range q.asked {
		a := &q.asked[i]
		got := a.answer(l)
		if got == differs {
			return f, false
		}
		f.score += got
		f.sure = f.sure && got == exact
		hit = hit || got > silent
		f.how = append(f.how, sortName(a.sort)+map[int]string{silent: " not on record", inText: " found in another field", exact: " as asked"}[got])
	}
	return f, hit
}

// sortName is what a sort is called.
func sortName(s chart.MarkSort) string {
	return map[chart.MarkSort]string{chart.MarkModel: "device identifier", chart.MarkLot: "lot", chart.MarkSerial: "serial number"}[s]
}

// candidate is a resource that may be about a wanted device.
type candidate struct {
	versions []store.Labelled
	users    []store.Labelled // latest versions of what names it
}

// Recall lists every patient with a device, living or not, whatever became of
// the records of it, and says what it could not search. fault.Invalid where
// nothing that can be looked for is given.
func (c *Clinic) Recall(ctx context.Context, w Wanted) (Recall, error) {
	var out Recall
	q, err := newQuery(w)
	if err != nil {
		return out, err
	}
	if err := c.relabel(ctx); err != nil {
		return out, err
	}
	rc := &recalling{c: c, q: &q, people: map[string]*recalled{}, at: map[string]int{}}
	if err := rc.search(ctx); err != nil {
		return out, err
	}
	err = c.view(ctx, func(r kv.Reader) (err error) {
		out.Gaps, err = store.ReadGaps(r)
		return err
	})
	out.Rows = rc.rows
	slices.SortStableFunc(out.Rows, compareRecall)
	seen := map[string]bool{}
	for i := range out.Rows {
		seen[out.Rows[i].Patient] = true
	}
	delete(seen, "")
	out.Patients = len(seen)
	return out, err
}

// compareRecall puts those who are sure first, then goes by patient and device.
func compareRecall(a, b RecallRow) int {
	if a.Sure != b.Sure {
		if a.Sure {
			return -1
		}
		return 1
	}
	return cmp.Or(cmp.Compare(a.Patient, b.Patient), cmp.Compare(a.Label.Ref, b.Label.Ref))
}

// recalling is one recall while it is worked out.
type recalling struct {
	c      *Clinic
	q      *query
	rows   []RecallRow
	people map[string]*recalled
	at     map[string]int // rows by patient and device
}

// search finds candidates, a page at a time, and what people wrote by hand.
func (rc *recalling) search(ctx context.Context) error {
	var refs []string
	err := rc.c.view(ctx, func(r kv.Reader) error {
		for _, m := range rc.q.marks() {
			list, err := store.Marked(r, m)
			if err != nil {
				return err
			}
			refs = append(refs, list...)
		}
		return nil
	})
	slices.Sort(refs)
	refs = slices.Compact(refs)
	for page := range slices.Chunk(refs, pageSize) {
		if err == nil {
			err = rc.c.view(ctx, func(r kv.Reader) error { return rc.page(r, page) })
		}
	}
	if err != nil {
		return err
	}
	var at store.Page
	return rc.c.pages(ctx, func(r kv.Reader) (bool, error) {
		list, more, err := store.Rulings(r, &at, pageSize)
		for i := 0; err == nil && i < len(list); i++ {
			err = rc.byHand(r, &list[i])
		}
		return more, err
	})
}

// page looks at some candidates.
func (rc *recalling) page(r kv.Reader, refs []string) error {
	for _, ref := range refs {
		versions, err := store.LabelsOf(r, ref)
		if err != nil {
			return err
		}
		var parts []string
		for i := range versions {
			for j := range versions[i].List {
				parts = appendNew(parts, versions[i].List[j].Ref)
			}
		}
		for _, part := range parts {
			if err := rc.device(r, versions, part); err != nil {
				return err
			}
		}
	}
	return nil
}

func appendNew(list []string, s string) []string {
	if slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// device makes the rows of one device: one for each patient that it may be of.
func (rc *recalling) device(r kv.Reader, versions []store.Labelled, ref string) error {
	f, ok := rc.q.best(versions, ref)
	if !ok {
		return nil
	}
	cd := candidate{versions: versions}
	users, err := store.Users(r, ref)
	if err != nil {
		return err
	}
	for _, user := range users {
		list, err := store.LabelsOf(r, user)
		if err != nil {
			return err
		}
		if len(list) > 0 {
			cd.users = append(cd.users, list[0])
		}
	}
	owners := cd.owners()
	if len(owners) == 0 {
		rc.rows = append(rc.rows, RecallRow{Label: *f.label, Found: f.how, Remarks: append(cd.remarks(&f, ""), "the record names no patient: look for the owner")})
	}
	for _, key := range owners {
		if err := rc.row(r, key, &cd, &f); err != nil {
			return err
		}
	}
	return nil
}

// owners are the keys of all patients that the device may be of.
func (cd *candidate) owners() []string {
	var keys []string
	for _, list := range [][]store.Labelled{cd.versions, cd.users} {
		for i := range list {
			if list[i].Of != "" {
				keys = appendNew(keys, list[i].Of)
			}
		}
	}
	return keys
}

// remarks say what is odd about the record of a device, for a patient's key.
func (cd *candidate) remarks(f *found, key string) []string {
	var list []string
	v := &cd.versions[f.version]
	now := &cd.versions[0]
	switch {
	case v.Unread:
		list = append(list, "the device record is quarantined: this was found in its text")
	case now.Back:
		list = append(list, "the device record is marked entered in error")
	case f.version > 0 && now.Unread:
		list = append(list, "a later version of the device record is quarantined")
	case f.version > 0:
		list = append(list, "an earlier version of the device record says so, the present one does not")
	}
	if f.label.Mention && !v.Unread {
		list = append(list, "no device record: only words in "+f.label.Ref)
	}
	if key != "" && v.Of != key {
		said := slices.IndexFunc(cd.users, func(u store.Labelled) bool { return u.Of == key })
		switch {
		case said >= 0:
			list = append(list, cd.users[said].Ref+" of this patient names the device")
		default:
			list = append(list, "another version of the device record is about another patient")
		}
	}
	return list
}

// byHand looks at an implant that a person entered, with words about the device.
func (rc *recalling) byHand(r kv.Reader, ruling *chart.Ruling) error {
	if ruling.Kind != chart.RuleImplant || ruling.Device == "" {
		return nil
	}
	l := intake.Mention(ruling.ID, ruling.Device)
	if l.None() {
		return nil
	}
	f, ok := rc.q.judge(&l.List[0])
	if !ok {
		return nil
	}
	cd := candidate{versions: []store.Labelled{{Ref: ruling.ID, Of: ruling.Patient, List: l.List, Back: ruling.TakenBack != nil}}}
	n := len(rc.rows)
	if err := rc.row(r, ruling.Patient, &cd, &f); err != nil {
		return err
	}
	for i := n; i < len(rc.rows); i++ {
		rc.rows[i].Remarks = []string{"entered by hand: " + strings.TrimSpace(ruling.Device)}
		if ruling.TakenBack != nil {
			rc.rows[i].Remarks = append(rc.rows[i].Remarks, "taken back later")
		}
	}
	return nil
}
