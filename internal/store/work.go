package store

import (
	"encoding/json"
	"strconv"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// WorkState is where a work item stands: whether what it asks for is still
// needed. What people have done with its Task stands beside it.
type WorkState string

// States of a work item: the terms of the third sum.
const (
	WorkOpen      WorkState = "open"
	WorkCompleted WorkState = "completed"
	WorkCancelled WorkState = "cancelled"
)

// Item is a work item, from its first day on.
type Item struct {
	Key      string // the first key that it got: the identifier of its Task for ever
	Now      string // the key that the engine gives it now
	Patient  string // id of the surviving record
	State    WorkState
	Work     surveil.Work // as it is, or was last
	Reason   string       // why completed or cancelled
	Evidence []string
	Human    *Human // what a person has done with its Task
	Said     *Said  // what people wrote on its Task
	Rev      int    // counts the changes, from 1
	Made     int64  // milliseconds since 1970
	Changed  int64
	History  []Event // oldest first
	Notes    []notice.Note
}

// Human is the status that a person gave to the Task of an item. It wins over
// ours.
type Human struct {
	Status  string  `json:"status"` // FHIR Task status
	Ref     string  `json:"ref"`    // of the Task
	Version string  `json:"version,omitempty"`
	On      day.Day `json:"on,omitempty"`
}

// Said is what people wrote on the Task of an item, in their own system.
type Said struct {
	Owner    string   `json:"owner,omitempty"`    // who has taken it
	Business string   `json:"business,omitempty"` // where it stands, in their words
	Why      string   `json:"why,omitempty"`      // of the status
	Notes    []string `json:"notes,omitempty"`
}

// Event is one thing that happened to an item.
type Event struct {
	At       int64    `json:"at"`   // milliseconds since 1970
	What     string   `json:"what"` // made, changed, completed, cancelled, reopened, moved, person
	Reason   string   `json:"reason,omitempty"`
	Evidence []string `json:"evidence,omitempty"`
}

// itemRecord is how an item is stored.
type itemRecord struct {
	V        int           `json:"v"`
	Key      string        `json:"key"`
	Now      string        `json:"now,omitempty"`
	Patient  string        `json:"patient"`
	State    WorkState     `json:"state"`
	Work     workRecord    `json:"work"`
	Reason   string        `json:"reason,omitempty"`
	Evidence []string      `json:"evidence,omitempty"`
	Human    *Human        `json:"human,omitempty"`
	Said     *Said         `json:"said,omitempty"`
	Rev      int           `json:"rev"`
	Made     int64         `json:"made"`
	Changed  int64         `json:"changed"`
	History  []Event       `json:"history"`
	Notes    []notice.Note `json:"notes,omitempty"`
}

func (it *Item) record() itemRecord {
	r := itemRecord{V: 1, Key: it.Key, Patient: it.Patient, State: it.State, Work: workRecordOf(&it.Work), Reason: it.Reason, Evidence: it.Evidence,
		Human: it.Human, Said: it.Said, Rev: it.Rev, Made: it.Made, Changed: it.Changed, History: it.History, Notes: it.Notes}
	if it.Now != it.Key {
		r.Now = it.Now
	}
	return r
}

func decodeItem(text []byte) (Item, error) {
	var r itemRecord
	err := decode(text, &r)
	it := Item{Key: r.Key, Now: r.Now, Patient: r.Patient, State: r.State, Work: r.Work.work(), Reason: r.Reason, Evidence: r.Evidence,
		Human: r.Human, Said: r.Said, Rev: r.Rev, Made: r.Made, Changed: r.Changed, History: r.History, Notes: r.Notes}
	if it.Now == "" {
		it.Now = it.Key
	}
	return it, err
}

func workKey(key string) []byte            { return kv.Key("work", part(key)) }
func workNowKey(now string) []byte         { return kv.Key("work-now", part(now)) }
func workOfKey(patient, key string) []byte { return kv.Key("work-of", part(patient), part(key)) }
func workInKey(s WorkState, by day.Day, key string) []byte {
	return kv.Key("work-in", string(s), int32(by), part(key))
}

// ReadItem reads an item by its first key; false where there is none.
func ReadItem(r kv.Reader, key string) (Item, bool, error) {
	text, err := r.Get(workKey(key))
	if err != nil || text == nil {
		return Item{}, false, err
	}
	it, err := decodeItem(text)
	return it, err == nil, err
}

// FindItem reads an item by the key that the engine gives it now.
func FindItem(r kv.Reader, now string) (Item, bool, error) {
	first, err := r.Get(workNowKey(now))
	if err != nil {
		return Item{}, false, err
	}
	if first != nil {
		return ReadItem(r, string(first))
	}
	it, found, err := ReadItem(r, now)
	return it, found && it.Now == now, err
}

// ItemsOf lists all items that a patient ever had, by first key.
func ItemsOf(r kv.Reader, patient string) ([]Item, error) {
	keys, err := texts(r, "work-of", part(patient))
	if err != nil {
		return nil, err
	}
	var list []Item
	for _, key := range keys {
		it, found, err := ReadItem(r, key)
		if err != nil {
			return nil, err
		}
		if !found {
			return nil, damaged("a work item is missing")
		}
		list = append(list, it)
	}
	return list, nil
}

// Items lists up to limit items of a state from the page on, by the day by which
// they are wanted (those without one first), and moves the page.
func Items(r kv.Reader, state WorkState, p *Page, limit int) (list []Item, more bool, err error) {
	more, err = p.scan(r, limit, func(_, key []byte) error {
		it, found, err := ReadItem(r, string(key))
		if err == nil && !found {
			err = damaged("a work item is missing")
		}
		list = append(list, it)
		return err
	}, "work-in", string(state))
	return list, more, err
}

// NewItem makes an item for work that is needed, open and not stored yet. Its
// first key is that of the work, unless an item whose work has another key by
// now had it.
func (w *Writer) NewItem(patient string, work surveil.Work) (Item, error) {
	it := Item{Key: work.Key, Now: work.Key, Patient: patient, State: WorkOpen, Work: work}
	for n := 2; ; n++ {
		have, err := w.Tx.Get(workKey(it.Key))
		if err != nil || have == nil {
			return it, err
		}
		it.Key = work.Key + "#" + strconv.Itoa(n)
	}
}

// PutItem stores an item in place of the one before; nil where it is new. It
// counts the change and writes it into the history.
func (w *Writer) PutItem(before *Item, it *Item, e Event) error {
	e.At = w.Now.UnixMilli()
	it.Rev++
	it.Changed = e.At
	it.History = append(it.History, e)
	if before == nil {
		it.Made = e.At
		w.counts.Work.Ever++
	} else {
		*w.counts.Work.of(before.State)--
		if err := w.dropItemKeys(before, it); err != nil {
			return err
		}
	}
	*w.counts.Work.of(it.State)++
	text, err := json.Marshal(it.record())
	if err != nil {
		return err
	}
	if err := w.putText(workKey(it.Key), text); err != nil {
		return err
	}
	return w.putItemKeys(it)
}

// dropItemKeys removes the places in orders that an item leaves.
func (w *Writer) dropItemKeys(before, it *Item) error {
	if before.State != it.State || before.Work.By != it.Work.By {
		if err := w.drop(workInKey(before.State, before.Work.By, before.Key)); err != nil {
			return err
		}
	}
	if before.Patient != it.Patient {
		if err := w.drop(workOfKey(before.Patient, before.Key)); err != nil {
			return err
		}
	}
	if before.Now == it.Now || before.Now == before.Key {
		return nil
	}
	holder, err := w.Tx.Get(workNowKey(before.Now))
	if err != nil || string(holder) != before.Key {
		return err // another item has taken the key
	}
	return w.drop(workNowKey(before.Now))
}

func (w *Writer) putItemKeys(it *Item) error {
	if err := w.putText(workInKey(it.State, it.Work.By, it.Key), []byte(it.Key)); err != nil {
		return err
	}
	if err := w.putText(workOfKey(it.Patient, it.Key), []byte(it.Key)); err != nil {
		return err
	}
	if it.Now == it.Key {
		return w.drop(workNowKey(it.Now)) // one that leaves the key led there
	}
	return w.putText(workNowKey(it.Now), []byte(it.Key))
}
