package outbox

import (
	"context"
	"errors"
	"slices"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Carrier sends items of some kinds. Where its receiver takes none of them at
// all it gives a Closed as the error. An implementation may be asked to carry one
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

// Bulk is a Carrier that can carry several items at once. What holds for Carry
// holds for each of them alone.
type Bulk interface {
	Carrier
	// CarryAll sends at most Together items and gives what became of each, in
	// their order.
	CarryAll(ctx context.Context, items []Item) []Result
}

// Together is how many items a Bulk is given at once at most.
const Together = 50

// Result is what became of one item.
type Result struct {
	Receipt string
	Err     error
}

// What a receipt says where it is not of something that was taken.
const (
	Nothing = "nothing to send"           // how it begins where the receiver was told nothing
	Removed = "was removed on the server" // what it holds where a person took the item away there
)

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

	closed map[string]Closure // by the name of the route
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
	if err := o.closures(ctx); err != nil {
		return t, err
	}
	keys, err := o.due(ctx)
	if err != nil {
		return t, err
	}
	items, err := o.try(ctx, keys)
	if err != nil {
		return t, err
	}
	for _, l := range o.loads(items) {
		if err := ctx.Err(); err != nil {
			return t, err
		}
		if err := o.send(ctx, l, &t); err != nil {
			return t, err
		}
	}
	return t, nil
}

// load is what is given to a carrier at once.
type load struct {
	route *Route
	items []Item
}

// loads shares the items out, for each carrier in their order.
func (o *Options) loads(items []Item) (list []load) {
	for i := range o.Routes {
		route, most := &o.Routes[i], 1
		if _, ok := route.Carrier.(Bulk); ok {
			most = Together
		}
		mine := slices.DeleteFunc(slices.Clone(items), func(it Item) bool { return o.route(it.Kind) != route })
		for part := range slices.Chunk(mine, most) {
			list = append(list, load{route, part})
		}
	}
	return list
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
	able := map[string]int{} // how many of a kind may be tried
	from, _ := kv.Prefix("outbox", "due")
	to := kv.Key("outbox", "due", millis(o.Now())+1)
	err := o.DB.View(ctx, func(r kv.Reader) error {
		list = list[:0]
		clear(able)
		return r.Scan(from, to, func(key, _ []byte) error {
			it, err := waiting(r, key)
			if err != nil {
				return err
			}
			if _, known := able[it.Kind]; !known {
				able[it.Kind] = o.most(it.Kind)
			}
			if able[it.Kind] > 0 {
				able[it.Kind]--
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

// send carries items and marks them.
func (o *Options) send(ctx context.Context, l load, t *Tally) error {
	if c, ok := o.closed[l.route.Name]; ok && c.Next.After(o.Now()) {
		return o.giveBack(ctx, l.items, c.Why, t) // it closed a moment ago
	}
	results := carry(ctx, l)
	if err := ctx.Err(); err != nil && slices.ContainsFunc(results, func(r Result) bool { return r.Err != nil }) {
		return err // the caller gave up: nobody knows what arrived, so it is tried again
	}
	now := o.Now().UTC()
	after := make([]Item, len(l.items))
	tally := Tally{Why: t.Why}
	for i := range l.items {
		after[i] = outcome(l.items[i], l.route.Name, results[i], now, &tally)
	}
	shut, opened := o.turn(l.route.Name, results, now)
	err := o.DB.Update(ctx, func(tx kv.Tx) error {
		for i := range after {
			if err := o.mark(tx, l.items[i], after[i]); err != nil {
				return err
			}
		}
		switch {
		case shut != nil:
			return putClosure(tx, *shut)
		case opened:
			return tx.Delete(routeKey(l.route.Name))
		}
		return nil
	})
	if shut != nil {
		o.closed[l.route.Name] = *shut
	} else if opened {
		delete(o.closed, l.route.Name)
	}
	t.Sent, t.Failed, t.Later, t.Why = t.Sent+tally.Sent, t.Failed+tally.Failed, t.Later+tally.Later, tally.Why
	return err
}

// carry gives a load to its carrier. One that does not answer for each item is
// not believed for any.
func carry(ctx context.Context, l load) []Result {
	if b, ok := l.route.Carrier.(Bulk); ok {
		if results := b.CarryAll(ctx, l.items); len(results) == len(l.items) {
			return results
		}
		return slices.Repeat([]Result{{Err: fault.New(fault.Internal, "send several items", "", errors.New("the carrier did not say what became of each"))}}, len(l.items))
	}
	receipt, err := l.route.Carrier.Carry(ctx, l.items[0])
	return []Result{{receipt, err}}
}

// outcome is an item after it was carried.
func outcome(it Item, route string, r Result, now time.Time, t *Tally) Item {
	it.Carrier, it.Error = route, ""
	shut, closed := errors.AsType[*Closed](r.Err)
	switch {
	case r.Err == nil:
		it.State, it.Done, it.Receipt = Sent, now, r.Receipt
		t.Sent++
	case closed:
		untried(&it, shut.Error())
		t.Later, t.Why = t.Later+1, it.Error
	case final(r.Err) || it.Attempts >= mostAttempts:
		it.State, it.Done, it.Error = Failed, now, r.Err.Error()
		t.Failed, t.Why = t.Failed+1, it.Error
	default:
		it.Error = r.Err.Error()
		t.Later, t.Why = t.Later+1, it.Error
	}
	return it
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
	return errors.Join(putThread(tx, it.Thread, t), noteRemoved(tx, it))
}
