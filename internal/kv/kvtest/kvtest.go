// Package kvtest is the suite that every kv.DB must pass, and a wrapper that makes
// users of a store prove that their transactions may run twice.
//
// A store is tested in one line: kvtest.Run(t, open), with open giving an empty
// store of its own to each call. The suite holds the contract of package kv:
// absence and emptiness, order, ranges, snapshots, rollback, changes during a scan,
// limits, cancellation, closing; it runs random operations against a model that is
// a plain map, and readers beside a writer.
package kvtest

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Open gives a new, empty store, closed by the end of the test.
type Open func(testing.TB) kv.DB

// Run tests the store that open gives.
func Run(t *testing.T, open func(testing.TB) kv.DB) {
	t.Helper()
	for _, c := range [...]struct {
		name string
		test func(*testing.T, kv.DB)
	}{
		{"absent is nil, empty is not", testAbsence},
		{"scan in order and within the range", testRanges},
		{"stop and errors of scan", testScanEnds},
		{"changes during a scan", testScanChanges},
		{"slices may be reused after put", testPutCopies},
		{"bytes come back as they were", testBytes},
		{"limits", testLimits},
		{"error rolls back", testErrorRollsBack},
		{"panic rolls back", testPanicRollsBack},
		{"ended transactions", testEnded},
		{"own changes are seen", testOwnChanges},
		{"view is a snapshot", testSnapshot},
		{"context", testContext},
		{"context within a scan", testContextScan},
		{"waiting for the writer ends with the context", testContextWait},
		{"readers beside a writer", testConcurrent},
		{"increments from many goroutines", testCounter},
		{"closed", testClosed},
		{"twice", testTwice},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.test(t, open(t))
		})
	}
	t.Run("model", func(t *testing.T) {
		t.Parallel()
		testModel(t, open(t))
	})
	t.Run("model run twice", func(t *testing.T) {
		t.Parallel()
		testModel(t, Twice(open(t)))
	})
}

// Twice wraps a store so that every Update runs its fn once in vain, as if the
// first commit had failed, and then again. A fn that is not repeatable shows.
func Twice(db kv.DB) kv.DB { return twice{db} }

type twice struct{ kv.DB }

// errFirst is the failure of the first commit.
const errFirst firstError = "kvtest: the first commit fails"

type firstError string

// Error is the sentinel's text.
func (e firstError) Error() string { return string(e) }

// Update runs fn, rolls back, and runs it again to be kept.
func (t twice) Update(ctx context.Context, fn func(kv.Tx) error) error {
	err := t.DB.Update(ctx, func(tx kv.Tx) error {
		if err := fn(tx); err != nil {
			return err
		}
		return errFirst
	})
	if !errors.Is(err, errFirst) {
		return err
	}
	return t.DB.Update(ctx, fn)
}

// pair is what a scan gave.
type pair struct{ Key, Value string }

// update runs an Update that must succeed.
func update(t testing.TB, db kv.DB, fn func(kv.Tx) error) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatalf("Update: %v", err)
	}
}

// view runs a View that must succeed.
func view(t testing.TB, db kv.DB, fn func(kv.Reader) error) {
	t.Helper()
	if err := db.View(t.Context(), fn); err != nil {
		t.Fatalf("View: %v", err)
	}
}

// fill puts each string as key and "v"+key as value.
func fill(t testing.TB, db kv.DB, keys ...string) {
	t.Helper()
	update(t, db, func(tx kv.Tx) error {
		for _, k := range keys {
			if err := tx.Put([]byte(k), []byte("v"+k)); err != nil {
				return err
			}
		}
		return nil
	})
}

// collect scans a range within a transaction.
func collect(r kv.Reader, from, to []byte) (got []pair, err error) {
	err = r.Scan(from, to, func(k, v []byte) error {
		got = append(got, pair{string(k), string(v)})
		return nil
	})
	return got, err
}

// keys returns the keys of everything, joined by spaces.
func keys(t testing.TB, db kv.DB) string {
	t.Helper()
	var all [][]byte
	view(t, db, func(r kv.Reader) error {
		all = nil
		return r.Scan(nil, nil, func(k, _ []byte) error {
			all = append(all, bytes.Clone(k))
			return nil
		})
	})
	return string(bytes.Join(all, []byte(" ")))
}

// wantKeys compares the keys of everything.
func wantKeys(t testing.TB, db kv.DB, want string) {
	t.Helper()
	if got := keys(t, db); got != want {
		t.Errorf("keys %q, want %q", got, want)
	}
}

// wantKind compares the kind of an error.
func wantKind(t testing.TB, what string, err error, want fault.Kind) {
	t.Helper()
	if got := fault.KindOf(err); got != want {
		t.Errorf("%s: %v (%v), want %v", what, err, got, want)
	}
}
