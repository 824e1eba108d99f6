package clinic_test

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// While resources come in, digest after digest is made: every patient is told of
// as new in one of them, and in one only.
func TestDigestWhileThingsChange(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const people = 60
	told := map[string]int{}
	digest := func(n int) {
		err := r.Digest(t.Context(), func(ctx context.Context) ([]outbox.Item, error) {
			err := r.SinceDigest(ctx, func(p store.Pair, _ store.Line) error {
				if p.Then == nil {
					told[p.Patient]++
				}
				return nil
			})
			return []outbox.Item{{Key: fmt.Sprint("letter", n), Kind: outbox.KindDigest, Body: json.RawMessage(`{}`), Added: r.clock}}, err
		})
		if err != nil {
			t.Error(err)
		}
	}
	var wait sync.WaitGroup
	wait.Go(func() {
		for i := range people {
			id := fmt.Sprintf("p%03d", i)
			if _, err := r.Import(t.Context(), "test", batchesOf(raws([]string{patient(id, ""), evar("e"+id, id, "2026-05-20")}), 2)); err != nil {
				t.Error(err)
			}
		}
	})
	made := 0
	for ; len(told) < people/2 && made < 1000; made++ {
		digest(made)
	}
	wait.Wait()
	digest(made)
	if len(told) != people {
		t.Errorf("%d of %d patients were told of", len(told), people)
	}
	for id, n := range told {
		if n != 1 {
			t.Errorf("%s is told of in %d digests", id, n)
		}
	}
	if made < 2 {
		t.Error("all was told in one digest: the test does not test much")
	}
	if got := len(items(t, r.db, outbox.Pending)) - openItems(t, r); got != made+1 {
		t.Errorf("%d letters wait, %d were made", got, made+1)
	}
	r.sound()
}

// openItems is how many Tasks wait.
func openItems(t *testing.T, r *rig) (n int) {
	t.Helper()
	for _, it := range items(t, r.db, outbox.Pending) {
		if it.Kind == outbox.KindTask {
			n++
		}
	}
	return n
}

// A letter that was made before is not made again, and then nothing counts as told.
func TestDigestTwice(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	letter := func(context.Context) ([]outbox.Item, error) {
		return []outbox.Item{{Key: "digest|2026-06-30|x", Kind: outbox.KindDigest, Body: json.RawMessage(`{}`), Added: r.clock}}, nil
	}
	if err := r.Digest(t.Context(), letter); err != nil {
		t.Fatal(err)
	}
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	if err := r.Digest(t.Context(), letter); fault.KindOf(err) != fault.Conflict {
		t.Errorf("the same letter again: %v", err)
	}
	n := 0
	if err := r.SinceDigest(t.Context(), func(store.Pair, store.Line) error { n++; return nil }); err != nil || n != 1 {
		t.Errorf("%d patients are left to tell of, %v", n, err)
	}
	r.sound()
}
