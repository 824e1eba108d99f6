package outbox

import (
	"context"
	"errors"
	"slices"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Carrier sends items of some kinds. An implementation may be asked to carry one
// item more than once, with the same Key, and must then have one effect where
// its receiver makes that possible.
type Carrier interface {
	// Carries says whether it takes items of a kind.
	Carries(kind string) bool
	// Carry sends an item and gives what the receiver said, for the record. An
	// error of kind fault.Invalid, fault.Denied or fault.Conflict is final; after
	// any other the item is tried again later.
	Carry(ctx context.Context, it Item) (receipt string, err error)
}

// Mode is how far things are sent.
type Mode string

// Modes.
const (
	Off   Mode = "off"   // nothing leaves, everything waits
	Files Mode = "files" // to files only; the default
	Send  Mode = "send"  // to servers and people, once go-live has been said
)

// Route is a carrier with its name and whether it only writes files.
type Route struct {
	Name    string
	Files   bool
	Carrier Carrier
}

// Options say what Drain may do.
type Options struct {
	DB     kv.DB
	Routes []Route
	Mode   Mode // empty: files
	Live   bool // go-live has been said
	Now    func() time.Time
	Limit  int // items at most; 0: 100
	// Mark, if not nil, is called in the transaction that marks an item as sent or
	// failed: for the audit trail. It may be called more than once.
	Mark func(tx kv.Tx, it Item) error
}

// Tally is what Drain did.
type Tally struct {
	Sent, Failed, Later int    // Later: will be tried again
	Why                 string // the last error of those that were not sent; it names no patient
}

// Most tries, after which an item has failed and a person must look: with the
// waits of backoff this is almost four days.
const mostAttempts = 24

// backoff is how long to wait after so many attempts: 1 minute, doubled each
// time, at most 6 hours.
func backoff(attempts int) time.Duration {
	if attempts > 9 {
		return 6 * time.Hour
	}
	return min(time.Minute<<max(0, attempts-1), 6*time.Hour)
}

// Drain sends what is due, each item outside any transaction, and marks it. It
// stops early where the context ends. What could not be sent is no error: it
// stands in the tally and with the item.
func Drain(ctx context.Context, o Options) (Tally, error) {
	var t Tally
	if o.Limit <= 0 {
		o.Limit = 100
	}
	if !slices.ContainsFunc(o.Routes, func(r Route) bool { return o.allowed(&r) }) {
		return t, nil
	}
	keys, err := o.due(ctx)
	if err != nil {
		return t, err
	}
	items, err := o.try(ctx, keys)
	if err != nil {
		return t, err
	}
	for _, it := range items {
		if err := ctx.Err(); err != nil {
			return t, err
		}
		if err := o.send(ctx, o.route(it.Kind), it, &t); err != nil {
			return t, err
		}
	}
	return t, nil
}

// route is the carrier that may take a kind now.
func (o *Options) route(kind string) *Route {
	for i := range o.Routes {
		r := &o.Routes[i]
		if r.Carrier.Carries(kind) && o.allowed(r) {
			return r
		}
	}
	return nil
}

// allowed says whether the mode lets a route be used.
func (o *Options) allowed(r *Route) bool {
	switch o.Mode {
	case Off:
		return false
	case Send:
		return !r.Files && o.Live
	}
	return r.Files
}

// due lists the keys of what is to be tried by now and can be carried, in a
// short read.
func (o *Options) due(ctx context.Context) ([]string, error) {
	var list []string
	able := map[string]bool{}
	from, _ := kv.Prefix("outbox", "due")
	to := kv.Key("outbox", "due", millis(o.Now())+1)
	err := o.DB.View(ctx, func(r kv.Reader) error {
		list = list[:0]
		return r.Scan(from, to, func(key, _ []byte) error {
			it, err := waiting(r, key)
			if err != nil {
				return err
			}
			if _, known := able[it.Kind]; !known {
				able[it.Kind] = o.route(it.Kind) != nil
			}
			if able[it.Kind] {
				list = append(list, it.Key)
			}
			if len(list) >= o.Limit {
				return kv.Stop
			}
			return nil
		})
	})
	return list, err
}

// try notes, before anything is sent, that it is going to be: should the program
// die meanwhile, nobody takes it for something that never left. It also keeps
// two who drain at once from sending the same.
func (o *Options) try(ctx context.Context, keys []string) ([]Item, error) {
	var list []Item
	if len(keys) == 0 {
		return nil, nil
	}
	err := o.DB.Update(ctx, func(tx kv.Tx) error {
		list = list[:0]
		now := o.Now().UTC()
		for _, key := range keys {
			before, err := Get(tx, key)
			if err != nil {
				return err
			}
			if before.State != Pending || before.Next.After(now) {
				continue
			}
			it := before
			it.Attempts++
			it.Tried, it.Next = now, now.Add(backoff(it.Attempts))
			if err := put(tx, &before, it); err != nil {
				return err
			}
			list = append(list, it)
		}
		return nil
	})
	return list, err
}

// waiting reads the item that a key of the order of what waits names.
func waiting(r kv.Reader, key []byte) (Item, error) {
	parts, err := kv.Split(key)
	if err != nil || len(parts) != 4 {
		return Item{}, fault.New(fault.Damaged, "read the outbox", "Restore the last backup.", errors.New("a key is not one of ours"))
	}
	text, err := r.Get(kv.Key("outbox", "item", parts[3]))
	if err != nil {
		return Item{}, err
	}
	return decode(text)
}

// send carries one item and marks it.
func (o *Options) send(ctx context.Context, route *Route, it Item, t *Tally) error {
	receipt, err := route.Carrier.Carry(ctx, it)
	if err != nil && ctx.Err() != nil {
		return ctx.Err() // the caller gave up: nobody knows whether it arrived, so it is tried again
	}
	now := o.Now().UTC()
	after := it
	after.Carrier, after.Error = route.Name, ""
	switch {
	case err == nil:
		after.State, after.Done, after.Receipt = Sent, now, receipt
		t.Sent++
	case final(err) || after.Attempts >= mostAttempts:
		after.State, after.Done, after.Error = Failed, now, err.Error()
		t.Failed, t.Why = t.Failed+1, after.Error
	default:
		after.Error = err.Error()
		t.Later, t.Why = t.Later+1, after.Error
	}
	return o.DB.Update(ctx, func(tx kv.Tx) error { return o.mark(tx, it, after) })
}

// final says whether trying again is of no use.
func final(err error) bool {
	switch fault.KindOf(err) {
	case fault.Invalid, fault.Denied, fault.Conflict:
		return true
	}
	return false
}

// mark stores what became of an item, unless a person or a newer item changed it
// meanwhile; that it was sent is noted all the same.
func (o *Options) mark(tx kv.Tx, before, after Item) error {
	now, err := Get(tx, before.Key)
	if err != nil {
		return err
	}
	if now.State != Pending && after.State != Sent {
		return nil
	}
	if err := put(tx, &now, after); err != nil {
		return err
	}
	if err := noteReceipt(tx, &after); err != nil {
		return err
	}
	if o.Mark == nil || after.State == Pending {
		return nil
	}
	return o.Mark(tx, after)
}

// noteReceipt keeps what the carrier said with the item's thread.
func noteReceipt(tx kv.Tx, it *Item) error {
	if it.State != Sent || it.Thread == "" {
		return nil
	}
	t, found, err := readThread(tx, it.Thread)
	if err != nil || !found {
		return err
	}
	if t.Receipts == nil {
		t.Receipts = map[string]string{}
	}
	t.Receipts[it.Carrier] = it.Receipt
	return putThread(tx, it.Thread, t)
}
