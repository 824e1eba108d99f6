package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
)

// bulk is a carrier of several items at once.
type bulk struct {
	*rig
	loads []int
	does  func(it outbox.Item) outbox.Result
}

func (b *bulk) CarryAll(_ context.Context, items []outbox.Item) (list []outbox.Result) {
	b.loads = append(b.loads, len(items))
	for _, it := range items {
		b.got = append(b.got, it.Key)
		list = append(list, b.does(it))
	}
	return list
}

func (b *bulk) drain(limit int) outbox.Tally {
	b.t.Helper()
	o := b.options()
	o.Routes[0].Carrier, o.Limit = b, limit
	t, err := outbox.Drain(b.t.Context(), o)
	if err != nil {
		b.t.Fatal(err)
	}
	return t
}

func newBulk(t *testing.T, n int) *bulk {
	b := &bulk{rig: newRig(t)}
	for i := range n {
		b.add(fmt.Sprintf("k%03d", i), fmt.Sprintf("t%03d", i))
	}
	return b
}

// Several items go at once, at most fifty, and each is marked by its own result: one that failed holds no other back.
func TestBulk(t *testing.T) {
	t.Parallel()
	b := newBulk(t, 120)
	b.does = func(it outbox.Item) outbox.Result {
		switch {
		case strings.HasSuffix(it.Key, "3"):
			return outbox.Result{Err: fault.New(fault.Unavailable, "", "", nil)}
		case it.Key == "k007":
			return outbox.Result{Err: fault.New(fault.Invalid, "", "", nil)}
		}
		return outbox.Result{Receipt: "got " + it.Key}
	}
	if got := b.drain(500); got.Sent != 107 || got.Later != 12 || got.Failed != 1 || !slices.Equal(b.loads, []int{50, 50, 20}) {
		t.Errorf("%+v in loads of %v", got, b.loads)
	}
	if it := b.item("k004"); it.State != outbox.Sent || it.Receipt != "got k004" || b.item("k003").State != outbox.Pending || b.item("k007").State != outbox.Failed {
		t.Errorf("%+v", it)
	}
	if got := len(b.marks); got != 2*108 { // every transaction of the rig runs twice
		t.Errorf("%d were marked", got)
	}
	b.now = b.now.Add(time.Hour)
	b.got = nil
	if b.drain(500); len(b.got) != 12 {
		t.Errorf("tried again: %v", b.got)
	}
	b.sound()
}

// A carrier that does not say what became of each item is believed for none; a
// caller who gives up leaves all to be tried again.
func TestBulkSaysTooLittle(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.add("a", "ta")
	r.add("b", "tb")
	o := r.options()
	o.Routes[0].Carrier = short{r}
	if got, err := outbox.Drain(t.Context(), o); err != nil || got.Later != 2 || r.item("a").State != outbox.Pending {
		t.Errorf("%+v %v", got, err)
	}
	r.now = r.now.Add(time.Hour)
	ctx, cancel := context.WithCancel(t.Context())
	b := &bulk{rig: r, does: func(outbox.Item) outbox.Result { cancel(); return outbox.Result{Err: context.Canceled} }}
	o = r.options()
	o.Routes[0].Carrier = b
	if _, err := outbox.Drain(ctx, o); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if it := r.item("a"); it.State != outbox.Pending || it.Attempts != 2 {
		t.Errorf("%+v", it)
	}
	r.sound()
}

type short struct{ *rig }

func (short) CarryAll(context.Context, []outbox.Item) []outbox.Result {
	return []outbox.Result{{Receipt: "one"}}
}

// A receiver that takes nothing closes the route: everything waits untried, one item is tried a day, nobody asks in
// between, and once it takes one, all go. A restart changes nothing of that, because it is stored.
func TestClosed(t *testing.T) {
	t.Parallel()
	b := newBulk(t, 120)
	shut := true
	b.does = func(it outbox.Item) outbox.Result {
		if shut {
			return outbox.Result{Err: fault.Wrap("carry", &outbox.Closed{Why: "no Tasks here", Hint: "Ask."})}
		}
		return outbox.Result{Receipt: "got"}
	}
	first := b.now
	if got := b.drain(500); got.Later != 120 || got.Sent+got.Failed != 0 || !slices.Equal(b.loads, []int{50}) {
		t.Fatalf("%+v in loads of %v", got, b.loads)
	}
	if it := b.item("k000"); it.State != outbox.Pending || it.Attempts != 0 || it.Error != "no Tasks here" {
		t.Errorf("%+v", it)
	}
	for day := range 40 { // longer than an item that fails is tried
		b.now = first.AddDate(0, 0, day).Add(23 * time.Hour)
		b.loads = nil
		if got := b.drain(500); got != (outbox.Tally{}) || b.loads != nil {
			t.Fatalf("day %d: %+v in loads of %v", day, got, b.loads)
		}
		b.now = first.AddDate(0, 0, day+1)
		if got := b.drain(500); got.Later != 1 || !slices.Equal(b.loads, []int{1}) {
			t.Fatalf("day %d: %+v in loads of %v", day, got, b.loads)
		}
		if list := b.closures(); len(list) != 1 || list[0].Route != "server" || list[0].Why != "no Tasks here" || list[0].Hint != "Ask." || !list[0].Since.Equal(first) {
			t.Fatalf("%+v", list)
		}
	}
	b.sound()
	shut, b.loads = false, nil
	b.now = b.now.Add(24 * time.Hour)
	if got := b.drain(500); got.Sent != 1 || len(b.closures()) != 0 {
		t.Errorf("%+v %+v", got, b.closures())
	}
	if got := b.drain(500); got.Sent != 119 {
		t.Errorf("%+v", got)
	}
	b.sound()
}

func (r *rig) closures() (list []outbox.Closure) {
	r.t.Helper()
	err := r.db.View(r.t.Context(), func(rd kv.Reader) (err error) {
		list, err = outbox.Closures(rd)
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}

// What says nothing of the receiver does not open it; whoever knocks has it tried at once; another way out stays open.
func TestClosedIsNotOpenedByNothing(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, key := range []string{"a", "b", "c"} {
		r.add(key, "t"+key)
	}
	r.fail = &outbox.Closed{Why: "no"}
	r.drain()
	r.now, r.fail = r.now.Add(24*time.Hour), fault.New(fault.Unavailable, "", "", nil)
	if r.drain(); len(r.closures()) != 1 {
		t.Error("a server that is away opened it")
	}
	o := r.options()
	o.Routes[0].Carrier = nothing{r}
	if got, err := outbox.Drain(t.Context(), o); err != nil || got.Sent != 1 || len(r.closures()) != 1 {
		t.Errorf("%+v %v", got, err)
	}
	r.fail = &outbox.Closed{Why: "no"}
	r.drain()
	if got := r.drain(); got != (outbox.Tally{}) {
		t.Errorf("%+v", got)
	}
	r.update(func(tx kv.Tx) error { return outbox.Knock(tx, r.now) })
	r.fail = nil
	if got := r.drain(); got.Sent != 1 || len(r.closures()) != 0 {
		t.Errorf("%+v %+v", got, r.closures())
	}
	r.sound()
}

type nothing struct{ *rig }

func (nothing) Carry(context.Context, outbox.Item) (string, error) {
	return outbox.Nothing + ": it is over", nil
}

// A newer item takes the place of one that waits for a closed receiver, and what nobody was told needs no end.
func TestClosedThreads(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.add("a1", "a")
	r.add("b1", "b")
	r.fail = &outbox.Closed{Why: "no"}
	r.drain()
	r.add("a2", "a")
	r.update(func(tx kv.Tx) error {
		gone, err := outbox.Withdraw(tx, "b", r.now)
		if err == nil && !gone {
			t.Error("it was told to nobody")
		}
		return err
	})
	r.now, r.fail, r.got = r.now.Add(24*time.Hour), nil, nil
	r.drain()
	if !slices.Equal(r.got, []string{"a2"}) || r.item("a1").State != outbox.Replaced {
		t.Errorf("%v", r.got)
	}
	r.sound()
}

// What a person removed at the receiver is counted, until the receiver has it again.
func TestRemoved(t *testing.T) {
	t.Parallel()
	b := newBulk(t, 3)
	b.does = func(it outbox.Item) outbox.Result { return outbox.Result{Receipt: "Task/1 " + outbox.Removed} }
	check := func(n int, first bool) {
		t.Helper()
		err := b.db.View(t.Context(), func(r kv.Reader) error {
			got, err1 := outbox.CountRemoved(r)
			was, err2 := outbox.WasRemoved(r, "t000")
			if got != n || was != first {
				t.Errorf("%d, the first %v", got, was)
			}
			return errors.Join(err1, err2)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	b.drain(2)
	check(2, true)
	b.add("k000b", "t000")
	b.does = func(outbox.Item) outbox.Result { return outbox.Result{Receipt: "Task/2 created"} }
	b.drain(0)
	check(1, false)
	b.sound()
}
