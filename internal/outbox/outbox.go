// Package outbox keeps what is to be sent, and sends it.
//
// # Design
//
// Who decides never sends. The transaction that decides adds an Item, so that
// the decision and what is to be told of it are kept together or not at all.
// Drain sends outside any transaction and then marks the item in a second one.
// Between the two the program may die: the item is then sent again, with the
// same Key, so that a receiver who knows keys sees it once. Nothing is lost, and
// what is repeated can be told as a repetition.
//
// An item whose key is known already is not added again. Items of one Thread
// tell of one thing, each in full; a newer one takes the place of an older one
// that has not been sent, so that an old state never arrives after a new one.
//
// A receiver that takes nothing of a kind at all is closed (see Closed): its items
// wait, do not count as tried, and one of them is tried once a day until it opens.
//
// Nothing leaves before go-live, apart from files; with the mode off nothing
// leaves at all and everything waits.
//
// # Keys
//
//	"outbox", "item", key              → JSON of the item
//	"outbox", "due", uint64 ms, key    → nothing: what waits, by when to try it
//	"outbox", "thread", thread         → JSON of the newest item's key, and whether any may have arrived
//	"outbox", "count"                  → JSON of how many items there are in each state
//	"outbox", "route", name            → JSON of a Closure: the receiver takes nothing
//	"outbox", "removed", thread        → nothing: the receiver had it, and a person removed it there
package outbox

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// State is where an item stands.
type State string

// States of an item.
const (
	Pending  State = "pending"  // waits for its turn
	Sent     State = "sent"     // a receiver has it
	Failed   State = "failed"   // given up; a person must look
	Held     State = "held"     // a person holds it back
	Replaced State = "replaced" // a newer one of its thread took its place before it was sent
)

// Kinds of items.
const (
	KindTask   = "task"   // the body is a notice.Task
	KindDigest = "digest" // the body is the digest's
	KindRecord = "record" // the body names a patient whose plan has changed
)

// Item is one thing to send.
type Item struct {
	Key      string          `json:"key"`              // of this item for ever: the same on every try
	Thread   string          `json:"thread,omitempty"` // what it is about; of one thread the newest counts
	Kind     string          `json:"kind"`             // which carrier takes it
	About    string          `json:"about,omitempty"`  // reference, for lists and the audit trail
	Body     json.RawMessage `json:"body"`
	Added    time.Time       `json:"added"`
	State    State           `json:"state"`
	Attempts int             `json:"attempts,omitempty"`
	Next     time.Time       `json:"next,omitzero"` // not to be tried before
	Tried    time.Time       `json:"tried,omitzero"`
	Done     time.Time       `json:"done,omitzero"`
	Carrier  string          `json:"carrier,omitempty"` // which one took it
	Receipt  string          `json:"receipt,omitempty"` // what it said
	Error    string          `json:"error,omitempty"`   // of the last attempt; it names no patient
}

// Counts are how many items there are in each state.
type Counts struct{ Pending, Sent, Failed, Held, Replaced int }

// of points to the count of a state.
func (c *Counts) of(s State) *int {
	switch s {
	case Sent:
		return &c.Sent
	case Failed:
		return &c.Failed
	case Held:
		return &c.Held
	case Replaced:
		return &c.Replaced
	}
	return &c.Pending
}

// record is how an item is stored.
type record struct {
	V int `json:"v"`
	Item
}

const version = 1

// part makes a key part of any text: long ones are cut and told apart by a hash.
func part(s string) string {
	const most = 400
	if len(s) <= most {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return s[:most] + "#" + hex.EncodeToString(sum[:16])
}

func itemKey(key string) []byte              { return kv.Key("outbox", "item", part(key)) }
func dueKey(at time.Time, key string) []byte { return kv.Key("outbox", "due", millis(at), part(key)) }
func threadKey(thread string) []byte         { return kv.Key("outbox", "thread", part(thread)) }
func countKey() []byte                       { return kv.Key("outbox", "count") }

func millis(t time.Time) uint64 { return uint64(max(0, t.UnixMilli())) }

// Get reads an item; fault.NotFound where there is none.
func Get(r kv.Reader, key string) (Item, error) {
	text, err := r.Get(itemKey(key))
	if err != nil {
		return Item{}, err
	}
	if text == nil {
		return Item{}, fault.New(fault.NotFound, "find an item of the outbox", "", nil)
	}
	return decode(text)
}

func decode(text []byte) (Item, error) {
	var rec record
	if err := json.Unmarshal(text, &rec); err != nil || rec.V != version || rec.Key == "" {
		return Item{}, fault.New(fault.Damaged, "read an item of the outbox", "Restore the last backup.", errors.New("it cannot be read"))
	}
	return rec.Item, nil
}

// Add adds an item to what is to be sent, in the transaction that decided it.
// It says false, and changes nothing, where the key is known already.
func Add(tx kv.Tx, it Item) (bool, error) {
	if it.Key == "" || it.Kind == "" || it.Added.IsZero() || !json.Valid(it.Body) {
		return false, fault.New(fault.Invalid, "add to the outbox", "", errors.New("an item without key, kind, time or body"))
	}
	have, err := tx.Get(itemKey(it.Key))
	if err != nil || have != nil {
		return false, err
	}
	it.State, it.Added, it.Attempts, it.Next = Pending, it.Added.UTC(), 0, it.Added.UTC()
	if it.Thread != "" {
		if err := replace(tx, it); err != nil {
			return false, err
		}
	}
	return true, put(tx, nil, it)
}

// thread is what is known of the items of one thread.
type thread struct {
	V      int    `json:"v"`
	Newest string `json:"newest"`         // key
	Told   bool   `json:"told,omitempty"` // an item was sent, or may have been
	// Receipts are what carriers said of the last item that each of them took.
	Receipts map[string]string `json:"receipts,omitempty"`
}

func readThread(r kv.Reader, name string) (t thread, found bool, err error) {
	text, err := r.Get(threadKey(name))
	if err != nil || text == nil {
		return t, false, err
	}
	if json.Unmarshal(text, &t) != nil {
		err = fault.New(fault.Damaged, "read the outbox", "Restore the last backup.", errors.New("a thread cannot be read"))
	}
	return t, true, err
}

// LastReceipt is what a carrier said of the last item of a thread that it took;
// "" where it took none.
func LastReceipt(r kv.Reader, name, carrier string) (string, error) {
	t, _, err := readThread(r, name)
	return t.Receipts[carrier], err
}

func putThread(tx kv.Tx, name string, t thread) error {
	t.V = version
	text, err := json.Marshal(t)
	if err != nil {
		return err
	}
	return tx.Put(threadKey(name), text)
}

// replace lets a new item take the place of the one of its thread that still
// waits.
func replace(tx kv.Tx, it Item) error {
	t, found, err := readThread(tx, it.Thread)
	if err != nil {
		return err
	}
	if found {
		if err := t.drop(tx, it.Added); err != nil {
			return err
		}
	}
	t.Newest = it.Key
	return putThread(tx, it.Thread, t)
}

// drop takes the newest item out of what waits, and notes whether it may have
// arrived.
func (t *thread) drop(tx kv.Tx, at time.Time) error {
	before, err := Get(tx, t.Newest)
	if err != nil {
		return err
	}
	t.Told = t.Told || before.State == Sent || before.Attempts > 0
	if before.State != Pending {
		return nil
	}
	after := before
	after.State, after.Done = Replaced, at.UTC()
	return put(tx, &before, after)
}

// Withdraw takes back what waits of a thread of which nobody has been told
// anything, and says true: then nobody has to be told of its end either. It says
// false where something was sent, or may have been.
func Withdraw(tx kv.Tx, name string, at time.Time) (bool, error) {
	t, found, err := readThread(tx, name)
	if err != nil || !found {
		return false, err
	}
	now, err := Get(tx, t.Newest)
	if err != nil || t.Told || now.State == Sent || now.Attempts > 0 {
		return false, err
	}
	if err := t.drop(tx, at); err != nil {
		return false, err
	}
	return true, putThread(tx, name, t)
}

// put stores an item, keeps the order of what waits and the counts.
func put(tx kv.Tx, before *Item, it Item) error {
	if before != nil && before.State == Pending {
		if err := tx.Delete(dueKey(before.Next, before.Key)); err != nil {
			return err
		}
	}
	if it.State == Pending {
		if err := tx.Put(dueKey(it.Next, it.Key), nil); err != nil {
			return err
		}
	}
	text, err := json.Marshal(record{version, it})
	if err != nil {
		return err
	}
	return errors.Join(tx.Put(itemKey(it.Key), text), count(tx, before, it))
}

// count keeps the counts.
func count(tx kv.Tx, before *Item, it Item) error {
	if before != nil && before.State == it.State {
		return nil
	}
	c, err := ReadCounts(tx)
	if err != nil {
		return err
	}
	if before != nil {
		*c.of(before.State)--
	}
	*c.of(it.State)++
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	return tx.Put(countKey(), text)
}

// ReadCounts gives the counts that are kept on the way.
func ReadCounts(r kv.Reader) (Counts, error) {
	var c Counts
	text, err := r.Get(countKey())
	if err != nil || text == nil {
		return c, err
	}
	return c, json.Unmarshal(text, &c)
}

// List gives up to limit items whose key comes after the given one, in the order
// of their keys; state "" gives all.
func List(r kv.Reader, state State, after string, limit int) ([]Item, error) {
	var list []Item
	from, to := kv.Prefix("outbox", "item")
	if after != "" {
		from = append(itemKey(after), 0)
	}
	err := r.Scan(from, to, func(_, text []byte) error {
		it, err := decode(text)
		if err != nil {
			return err
		}
		if state == "" || it.State == state {
			list = append(list, it)
		}
		if len(list) >= limit {
			return kv.Stop
		}
		return nil
	})
	return list, err
}

// Hold keeps an item back until Release. Only what waits or failed can be held.
func Hold(tx kv.Tx, key string) error {
	return change(tx, key, func(it *Item) bool {
		ok := it.State == Pending || it.State == Failed
		it.State = Held
		return ok
	})
}

// Release lets an item that is held or failed be tried again at a time.
func Release(tx kv.Tx, key string, at time.Time) error {
	return change(tx, key, func(it *Item) bool {
		ok := it.State == Held || it.State == Failed
		it.State, it.Next, it.Attempts = Pending, at.UTC(), 0
		return ok
	})
}

// Hurry lets up to limit items that wait for a later try be tried from a time
// on, and says how many they were.
func Hurry(tx kv.Tx, at time.Time, limit int) (int, error) {
	var list []Item
	_, to := kv.Prefix("outbox", "due")
	err := tx.Scan(kv.Key("outbox", "due", millis(at)+1), to, func(key, _ []byte) error {
		it, err := waiting(tx, key)
		if list = append(list, it); err == nil && len(list) >= limit {
			err = kv.Stop
		}
		return err
	})
	for i := 0; err == nil && i < len(list); i++ {
		after := list[i]
		after.Next = at.UTC()
		err = put(tx, &list[i], after)
	}
	return len(list), err
}

// Retry lets up to limit items that were given up be tried again, and says how
// many it looked at. One of which a newer one tells is not sent any more.
func Retry(tx kv.Tx, at time.Time, limit int) (int, error) {
	list, err := List(tx, Failed, "", limit)
	for i := 0; err == nil && i < len(list); i++ {
		after := list[i]
		after.State, after.Next, after.Attempts, after.Done = Pending, at.UTC(), 0, time.Time{}
		if t, found, terr := readThread(tx, after.Thread); terr != nil {
			return 0, terr
		} else if after.Thread != "" && found && t.Newest != after.Key {
			after.State, after.Done = Replaced, at.UTC()
		}
		err = put(tx, &list[i], after)
	}
	return len(list), err
}

// change alters an item; fault.Conflict where its state does not allow it.
func change(tx kv.Tx, key string, alter func(*Item) bool) error {
	before, err := Get(tx, key)
	if err != nil {
		return err
	}
	after := before
	if !alter(&after) {
		return fault.New(fault.Conflict, "change an item of the outbox", "Look at its state again.", errors.New("it is "+string(before.State)))
	}
	return put(tx, &before, after)
}

// Check looks at every item: what waits is in its order, and the counts are
// right. It gives one line for each thing that is wrong.
func Check(r kv.Reader) ([]string, error) {
	var wrong []string
	var c Counts
	waiting := 0
	from, to := kv.Prefix("outbox", "item")
	err := r.Scan(from, to, func(_, text []byte) error {
		it, err := decode(text)
		if err != nil {
			return err
		}
		*c.of(it.State)++
		due, err := r.Get(dueKey(it.Next, it.Key))
		if err == nil && (due != nil) != (it.State == Pending) {
			wrong = append(wrong, "outbox: an item that is "+string(it.State)+" is in the wrong order of what waits")
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	from, to = kv.Prefix("outbox", "due")
	err = r.Scan(from, to, func(_, _ []byte) error { waiting++; return nil })
	if kept, kerr := ReadCounts(r); kerr == nil && kept != c {
		wrong = append(wrong, "outbox: the counts kept are not those of the items")
	}
	if waiting != c.Pending {
		wrong = append(wrong, "outbox: more waits than there are items that wait")
	}
	return wrong, err
}
