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
