package outbox_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
)

// What fails is tried again after 1, 2, 4 … minutes, at most 6 hours, and is
// given up after 24 tries.
func TestBackoff(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.add("k1", "")
	r.fail = fault.New(fault.Unavailable, "send", "", errors.New("no answer"))
	var waits []time.Duration
	for r.item("k1").State == outbox.Pending {
		it := r.item("k1")
		if r.now = it.Next.Add(-time.Millisecond); it.Attempts > 0 && r.drain() != (outbox.Tally{}) {
			t.Fatal("it was tried too early")
		}
		r.now = it.Next
		r.drain()
		waits = append(waits, r.item("k1").Next.Sub(r.now))
	}
	for i, want := range []time.Duration{time.Minute, 2 * time.Minute, 4 * time.Minute, 8 * time.Minute} {
		if waits[i] != want {
			t.Errorf("wait %d is %s, want %s", i, waits[i], want)
		}
	}
	if n := len(r.got); n != 24 || waits[20] != 6*time.Hour {
		t.Errorf("%d tries, waits %v", n, waits)
	}
	if it := r.item("k1"); it.State != outbox.Failed || it.Error == "" {
		t.Errorf("%+v", it)
	}
	r.fail = nil
	r.update(func(tx kv.Tx) error { return outbox.Release(tx, "k1", r.now) })
	if got := r.drain(); got.Sent != 1 {
		t.Errorf("released: %+v", got)
	}
	r.sound()
}

// What will never go is given up at once.
func TestFinalFailures(t *testing.T) {
	t.Parallel()
	for _, kind := range []fault.Kind{fault.Invalid, fault.Denied, fault.Conflict} {
		r := newRig(t)
		r.add("k1", "")
		r.fail = fault.New(kind, "send", "", errors.New("no"))
		if got := r.drain(); got != (outbox.Tally{Failed: 1, Why: "send: no"}) || len(r.marks) == 0 {
			t.Errorf("%s: %+v", kind, got)
		}
		r.sound()
	}
}

// What waits for a later try is tried at once when somebody asks for it, each
// once.
func TestHurry(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for i := range 5 {
		r.add(fmt.Sprintf("k%d", i), "")
	}
	r.fail = errors.New("no room")
	if got := r.drain(); got != (outbox.Tally{Later: 5, Why: "no room"}) {
		t.Errorf("first try: %+v", got)
	}
	if got := r.drain(); got != (outbox.Tally{}) {
		t.Errorf("at once again: %+v", got)
	}
	r.fail = nil
	for _, want := range []int{3, 2, 0} {
		n := 0
		r.update(func(tx kv.Tx) (err error) { n, err = outbox.Hurry(tx, r.now, 3); return err })
		if n != want {
			t.Errorf("hurried %d, want %d", n, want)
		}
	}
	if got := r.drain(); got != (outbox.Tally{Sent: 5}) {
		t.Errorf("hurried: %+v", got)
	}
	r.sound()
}

// What was given up is tried again when somebody says so, but for what a newer
// item of its thread tells by now.
func TestRetry(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for i := range 5 {
		r.add(fmt.Sprintf("k%d", i), fmt.Sprintf("w%d", i))
	}
	r.fail = fault.New(fault.Invalid, "send", "", nil)
	if got := r.drain(); got.Failed != 5 {
		t.Errorf("given up: %+v", got)
	}
	r.fail = nil
	r.add("k0-newer", "w0")
	r.now = r.now.AddDate(0, 0, 9)
	for _, want := range []int{3, 2, 0} {
		n := 0
		r.update(func(tx kv.Tx) (err error) { n, err = outbox.Retry(tx, r.now, 3); return err })
		if n != want {
			t.Errorf("looked at %d, want %d", n, want)
		}
	}
	r.got = nil
	if got := r.drain(); got != (outbox.Tally{Sent: 5}) || slices.Contains(r.got, "k0") {
		t.Errorf("tried again: %+v %v", got, r.got)
	}
	if it := r.item("k0"); it.State != outbox.Replaced {
		t.Errorf("%+v", it)
	}
	r.sound()
}

// What a carrier said last of a thread is kept.
func TestLastReceipt(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	last := func(thread, carrier string) (receipt string) {
		err := r.db.View(t.Context(), func(rd kv.Reader) (err error) {
			receipt, err = outbox.LastReceipt(rd, thread, carrier)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return receipt
	}
	r.add("k1", "w1")
	if got := last("w1", "server"); got != "" {
		t.Errorf("before it was sent: %q", got)
	}
	r.drain()
	r.add("k2", "w1")
	if got := last("w1", "server") + last("w1", "files") + last("w2", "server"); got != "receipt" {
		t.Errorf("%q", got)
	}
}
