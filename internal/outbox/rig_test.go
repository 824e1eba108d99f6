package outbox_test

import (
	"context"
	"testing"
	"time"

	"perennial/internal/kv"
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
