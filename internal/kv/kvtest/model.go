package kvtest

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"perennial/internal/kv"
)

// testModel runs random transactions on the store and on a map, and compares every
// answer. The store is emptied at the start of each run.
func testModel(t *testing.T, db kv.DB) {
	rapid.Check(t, func(rt *rapid.T) {
		m := &machine{db: db, ctx: t, kept: map[string]string{}}
		update(t, db, func(tx kv.Tx) error {
			return tx.Scan(nil, nil, func(k, _ []byte) error { return tx.Delete(k) })
		})
		rt.Repeat(map[string]func(*rapid.T){
			"update": m.update,
			"view":   func(rt *rapid.T) { m.read(rt) },
		})
		m.read(rt)
	})
}

// machine is the store and what it should hold.
type machine struct {
	db   kv.DB
	ctx  testing.TB
	kept map[string]string
}

// op is one step of a transaction, drawn before it so that fn can be repeated.
type op struct{ what, key, to, value string }

// update runs one transaction of several steps, one in four of them given up.
func (m *machine) update(rt *rapid.T) {
	ops := rapid.SliceOfN(rapid.Custom(drawOp), 0, 12).Draw(rt, "ops")
	fails := rapid.IntRange(0, 3).Draw(rt, "fails") == 0
	var next map[string]string
	err := m.db.Update(m.ctx.Context(), func(tx kv.Tx) error {
		next = maps.Clone(m.kept)
		for _, o := range ops {
			if err := o.run(tx, next); err != nil {
				return err
			}
		}
		if fails {
			return io.ErrNoProgress
		}
		return nil
	})
	switch {
	case fails && err == io.ErrNoProgress:
	case !fails && err == nil:
		m.kept = next
	default:
		rt.Fatal(err)
	}
}

// drawOp draws a step on few keys, so that steps meet.
func drawOp(rt *rapid.T) op {
	key := rapid.StringMatching(`[a-d]{1,3}`)
	return op{
		what:  rapid.SampledFrom([]string{"put", "put", "put", "delete", "get", "scan", "clear"}).Draw(rt, "what"),
		key:   key.Draw(rt, "key"),
		to:    key.Draw(rt, "to"),
		value: rapid.StringN(0, 3, -1).Draw(rt, "value"),
	}
}

// run does the step on both sides.
func (o op) run(tx kv.Tx, model map[string]string) error {
	switch o.what {
	case "put":
		model[o.key] = o.value
		return tx.Put([]byte(o.key), []byte(o.value))
	case "delete":
		delete(model, o.key)
		return tx.Delete([]byte(o.key))
	case "get":
		return sameGet(tx, model, o.key)
	case "scan":
		return sameScan(tx, model, o.key, o.to)
	}
	maps.DeleteFunc(model, func(k, _ string) bool { return k >= o.key && k < o.to })
	return tx.Scan([]byte(o.key), []byte(o.to), func(k, _ []byte) error { return tx.Delete(k) })
}

// read compares all pairs and a drawn range.
func (m *machine) read(rt *rapid.T) {
	o := drawOp(rt)
	err := m.db.View(m.ctx.Context(), func(r kv.Reader) error {
		if err := sameScan(r, m.kept, o.key, o.to); err != nil {
			return err
		}
		if err := sameGet(r, m.kept, o.key); err != nil {
			return err
		}
		return sameScan(r, m.kept, "", "\xff")
	})
	if err != nil {
		rt.Fatal(err)
	}
}

// sameGet compares one key.
func sameGet(r kv.Reader, model map[string]string, key string) error {
	got, err := r.Get([]byte(key))
	if want, ok := model[key]; err == nil && (string(got) != want || (got != nil) != ok) {
		return fmt.Errorf("Get(%q) = %q, want %q (there: %v)", key, got, want, ok)
	}
	return err
}

// sameScan compares a range.
func sameScan(r kv.Reader, model map[string]string, from, to string) error {
	got, err := collect(r, []byte(from), []byte(to))
	if err != nil {
		return err
	}
	var want []pair
	for _, k := range slices.Sorted(maps.Keys(model)) {
		if k >= from && k < to {
			want = append(want, pair{k, model[k]})
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		return fmt.Errorf("Scan(%q, %q): -want +got\n%s", from, to, d)
	}
	return nil
}
