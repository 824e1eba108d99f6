package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/outbox"
)

// rig is an outbox with a carrier and a clock.
type rig struct {
	t     testing.TB
	db    kv.DB
	now   time.Time
	got   []string // keys carried, in order
	fail  error
	mode  outbox.Mode
	live  bool
	marks []string
}

func newRig(t testing.TB) *rig { return newRigOn(t, kvtest.Twice(memkv.New())) }

func newRigOn(t testing.TB, db kv.DB) *rig {
	t.Cleanup(func() { db.Close() })
	return &rig{t: t, db: db, now: time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC), mode: outbox.Send, live: true}
}

func (r *rig) Carries(kind string) bool { return kind == outbox.KindTask }

func (r *rig) Carry(_ context.Context, it outbox.Item) (string, error) {
	r.got = append(r.got, it.Key)
	return "receipt", r.fail
}

func (r *rig) update(fn func(kv.Tx) error) {
	r.t.Helper()
	if err := r.db.Update(context.Background(), fn); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) add(key, thread string) (added bool) {
	r.t.Helper()
	r.update(func(tx kv.Tx) (err error) {
		added, err = outbox.Add(tx, outbox.Item{Key: key, Thread: thread, Kind: outbox.KindTask, Body: []byte(`{}`), Added: r.now})
		return err
	})
	return added
}

func (r *rig) options() outbox.Options {
	return outbox.Options{DB: r.db, Routes: []outbox.Route{{Name: "server", Carrier: r}}, Mode: r.mode, Live: r.live, Now: func() time.Time { return r.now },
		Mark: func(_ kv.Tx, it outbox.Item) error { r.marks = append(r.marks, it.Key); return nil }}
}

func (r *rig) drain() outbox.Tally {
	r.t.Helper()
	t, err := outbox.Drain(context.Background(), r.options())
	if err != nil {
		r.t.Fatal(err)
	}
	return t
}

func (r *rig) item(key string) (it outbox.Item) {
	r.t.Helper()
	err := r.db.View(context.Background(), func(rd kv.Reader) (err error) {
		it, err = outbox.Get(rd, key)
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return it
}

func (r *rig) sound() {
	r.t.Helper()
	err := r.db.View(context.Background(), func(rd kv.Reader) error {
		wrong, err := outbox.Check(rd)
		if len(wrong) > 0 {
			r.t.Fatal(wrong)
		}
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
}

func TestSendsOnce(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	if !r.add("k1", "") || r.add("k1", "") {
		t.Error("a key is taken once")
	}
	if got := r.drain(); got != (outbox.Tally{Sent: 1}) {
		t.Errorf("%+v", got)
	}
	r.now = r.now.AddDate(1, 0, 0)
	if got := r.drain(); got != (outbox.Tally{}) || len(r.got) != 1 {
		t.Errorf("again: %+v, %v", got, r.got)
	}
	if it := r.item("k1"); it.State != outbox.Sent || it.Receipt != "receipt" || it.Carrier != "server" || it.Attempts != 1 {
		t.Errorf("%+v", it)
	}
	if r.add("k1", "") {
		t.Error("a key that was sent is taken again")
	}
	r.sound()
}

// The program dies after sending and before marking: the item is sent again,
// with the same key.
func TestKilledBetweenSendAndMark(t *testing.T) {
	t.Parallel()
	for name, open := range stores() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRigOn(t, open(t))
			r.add("k1", "w1")
			o := r.options()
			o.DB = &dying{DB: r.db, after: 1}
			if _, err := outbox.Drain(t.Context(), o); !errors.Is(err, errDied) {
				t.Fatal(err)
			}
			if it := r.item("k1"); it.State != outbox.Pending || it.Attempts != 1 {
				t.Errorf("%+v", it)
			}
			r.update(func(tx kv.Tx) error {
				if ok, err := outbox.Withdraw(tx, "w1", r.now); ok || err != nil {
					t.Errorf("what may have arrived is withdrawn: %v", err)
				}
				return nil
			})
			r.now = r.now.Add(time.Minute)
			r.drain()
			if !slices.Equal(r.got, []string{"k1", "k1"}) {
				t.Errorf("carried %v", r.got)
			}
			if it := r.item("k1"); it.State != outbox.Sent {
				t.Errorf("%+v", it)
			}
			r.sound()
		})
	}
}

func stores() map[string]func(testing.TB) kv.DB {
	return map[string]func(testing.TB) kv.DB{
		"memory": func(testing.TB) kv.DB { return memkv.New() },
		"twice":  func(testing.TB) kv.DB { return kvtest.Twice(memkv.New()) },
		"bolt": func(t testing.TB) kv.DB {
			path := filepath.Join(t.TempDir(), "store.db")
			if err := boltkv.Create(path); err != nil {
				t.Fatal(err)
			}
			db, err := boltkv.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			return db
		},
	}
}

// dying is a store that dies after so many commits.
type dying struct {
	kv.DB
	after int
}

var errDied = errors.New("died")

func (d *dying) Update(ctx context.Context, fn func(kv.Tx) error) error {
	if d.after == 0 {
		return errDied
	}
	d.after--
	return d.DB.Update(ctx, fn)
}

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

// Of one thread the newest state counts: an older one that waits is not sent
// after it.
func TestNewerTakesThePlace(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.add("k1", "w1")
	r.fail = errors.New("no answer")
	r.drain()
	r.fail = nil
	r.add("k2", "w1")
	r.add("x1", "w2")
	r.now = r.now.Add(time.Hour)
	r.drain()
	if !slices.Equal(r.got, []string{"k1", "k2", "x1"}) {
		t.Errorf("carried %v", r.got)
	}
	if it := r.item("k1"); it.State != outbox.Replaced {
		t.Errorf("%+v", it)
	}
	r.sound()
}

// The modes, before and after go-live.
func TestModes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		mode         outbox.Mode
		live         bool
		file, server int
	}{
		{outbox.Off, false, 0, 0}, {outbox.Off, true, 0, 0}, {outbox.Files, false, 1, 0}, {outbox.Files, true, 1, 0},
		{"", true, 1, 0}, {outbox.Send, false, 0, 0}, {outbox.Send, true, 0, 1},
	} {
		r, file := newRig(t), &rig{}
		r.add("k1", "")
		r.mode, r.live = c.mode, c.live
		o := r.options()
		o.Routes = append(o.Routes, outbox.Route{Name: "files", Files: true, Carrier: file})
		if _, err := outbox.Drain(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		if len(file.got) != c.file || len(r.got) != c.server {
			t.Errorf("%q live %v: %d to files, %d to the server", c.mode, c.live, len(file.got), len(r.got))
		}
	}
}

func TestHold(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.add("k1", "")
	r.update(func(tx kv.Tx) error { return outbox.Hold(tx, "k1") })
	if got := r.drain(); got != (outbox.Tally{}) {
		t.Errorf("%+v", got)
	}
	r.update(func(tx kv.Tx) error { return outbox.Release(tx, "k1", r.now) })
	r.drain()
	err := r.db.Update(t.Context(), func(tx kv.Tx) error { return outbox.Hold(tx, "k1") })
	if fault.KindOf(err) != fault.Conflict {
		t.Errorf("what was sent is held: %v", err)
	}
	err = r.db.Update(t.Context(), func(tx kv.Tx) error { return outbox.Hold(tx, "k9") })
	if fault.KindOf(err) != fault.NotFound {
		t.Errorf("what is not there is held: %v", err)
	}
	r.sound()
}

// Add refuses what cannot be told apart or read.
func TestAddRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	good := outbox.Item{Key: "k", Kind: "task", Body: []byte(`{}`), Added: r.now}
	for i, spoil := range []func(*outbox.Item){
		func(it *outbox.Item) { it.Key = "" }, func(it *outbox.Item) { it.Kind = "" },
		func(it *outbox.Item) { it.Body = []byte("{") }, func(it *outbox.Item) { it.Added = time.Time{} },
	} {
		it := good
		spoil(&it)
		err := r.db.Update(t.Context(), func(tx kv.Tx) error { _, err := outbox.Add(tx, it); return err })
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%d: %v", i, err)
		}
	}
}

// Whatever happens in whatever order: no key is lost, what was sent had the
// newest state of its thread last, and the order of what waits is right.
func TestProperty(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t)
		newest := map[string]string{}
		n := 0
		rt.Repeat(map[string]func(*rapid.T){
			"add": func(rt *rapid.T) {
				thread := fmt.Sprint("w", rapid.IntRange(0, 3).Draw(rt, "thread"))
				n++
				newest[thread] = fmt.Sprintf("%s/%d", thread, n)
				r.add(newest[thread], thread)
			},
			"drain": func(*rapid.T) { r.fail = nil; r.drain() },
			"fail":  func(*rapid.T) { r.fail = errors.New("no answer"); r.drain() },
			"die": func(rt *rapid.T) {
				r.fail = nil
				o := r.options()
				o.DB = &dying{DB: r.db, after: rapid.IntRange(0, 3).Draw(rt, "commits")}
				outbox.Drain(context.Background(), o)
			},
			"wait": func(rt *rapid.T) {
				r.now = r.now.Add(time.Duration(rapid.IntRange(1, 600).Draw(rt, "minutes")) * time.Minute)
			},
			"": func(*rapid.T) { r.sound() },
		})
		r.fail = nil
		r.now = r.now.Add(24 * time.Hour)
		r.drain()
		for thread, key := range newest {
			if it := r.item(key); it.State != outbox.Sent {
				rt.Fatalf("%s is %s", key, it.State)
			}
			var last string
			for _, k := range r.got {
				if k[:2] == thread {
					last = k
				}
			}
			if last != key {
				rt.Fatalf("of %s the last sent is %s, the newest %s", thread, last, key)
			}
		}
	})
}

// What ends before anybody was told of it is told to nobody.
func TestWithdraw(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		before func(*rig)
		want   bool
	}{
		"waits":            {func(r *rig) { r.add("k1", "w1") }, true},
		"waits, replaced":  {func(r *rig) { r.add("k1", "w1"); r.add("k2", "w1") }, true},
		"sent":             {func(r *rig) { r.add("k1", "w1"); r.drain() }, false},
		"sent, then newer": {func(r *rig) { r.add("k1", "w1"); r.drain(); r.add("k2", "w1") }, false},
		"tried":            {func(r *rig) { r.add("k1", "w1"); r.fail = errors.New("no"); r.drain() }, false},
		"tried, replaced":  {func(r *rig) { r.add("k1", "w1"); r.fail = errors.New("no"); r.drain(); r.add("k2", "w1") }, false},
		"unknown":          {func(*rig) {}, false},
	} {
		r := newRig(t)
		c.before(r)
		r.update(func(tx kv.Tx) error {
			got, err := outbox.Withdraw(tx, "w1", r.now)
			if got != c.want {
				t.Errorf("%s: %v", name, got)
			}
			return err
		})
		r.sound()
		r.fail, r.got = nil, nil
		r.now = r.now.Add(time.Hour)
		if r.drain(); c.want && len(r.got) > 0 {
			t.Errorf("%s: %v were sent", name, r.got)
		}
	}
}

// Long keys are kept apart.
func TestLongKeys(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	long := string(make([]byte, 3000))
	if !r.add(long+"1", long) || !r.add(long+"2", "x") || r.add(long+"1", "") {
		t.Error("long keys are not told apart")
	}
	r.drain()
	if len(r.got) != 2 {
		t.Errorf("%d carried", len(r.got))
	}
	r.sound()
}
