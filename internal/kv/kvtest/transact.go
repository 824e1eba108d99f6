package kvtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// spoil changes everything fill put in, for transactions that are to be undone.
func spoil(tx kv.Tx) error {
	return errors.Join(tx.Put([]byte("a"), []byte("spoilt")), tx.Delete([]byte("b")), tx.Put([]byte("x"), nil))
}

// wantUnspoilt checks that nothing of spoil was kept and that writing goes on.
func wantUnspoilt(t *testing.T, db kv.DB) {
	t.Helper()
	wantKeys(t, db, "a b")
	view(t, db, func(r kv.Reader) error {
		v, err := r.Get([]byte("a"))
		if string(v) != "va" {
			t.Errorf("a is %q after rollback", v)
		}
		return err
	})
	fill(t, db, "c")
	wantKeys(t, db, "a b c")
}

func testErrorRollsBack(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	err := db.Update(t.Context(), func(tx kv.Tx) error {
		return errors.Join(spoil(tx), io.ErrNoProgress)
	})
	if !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("Update returned %v, want fn's own error", err)
	}
	wantUnspoilt(t, db)
}

func testPanicRollsBack(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	for _, run := range []func(){
		func() {
			_ = db.Update(t.Context(), func(tx kv.Tx) error { panic(errors.Join(spoil(tx), io.ErrNoProgress)) })
		},
		func() { _ = db.View(t.Context(), func(kv.Reader) error { panic(io.ErrNoProgress) }) },
		func() {
			_ = db.Update(t.Context(), func(tx kv.Tx) error {
				return tx.Scan(nil, nil, func(_, _ []byte) error { panic(errors.Join(spoil(tx), io.ErrNoProgress)) })
			})
		},
	} {
		func() {
			defer func() {
				if err, _ := recover().(error); !errors.Is(err, io.ErrNoProgress) {
					t.Errorf("the panic of fn arrived as %v", err)
				}
			}()
			run()
		}()
	}
	wantUnspoilt(t, db)
}

func testEnded(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	var r kv.Reader
	var tx kv.Tx
	view(t, db, func(in kv.Reader) error { r = in; return nil })
	update(t, db, func(in kv.Tx) error { tx = in; return nil })
	for name, use := range map[string]func() error{
		"Get after View":      func() error { _, err := r.Get([]byte("a")); return err },
		"Scan after View":     func() error { _, err := collect(r, nil, nil); return err },
		"Get after Update":    func() error { _, err := tx.Get([]byte("a")); return err },
		"Scan after Update":   func() error { _, err := collect(tx, nil, nil); return err },
		"Put after Update":    func() error { return tx.Put([]byte("a"), nil) },
		"Delete after Update": func() error { return tx.Delete([]byte("a")) },
	} {
		wantKind(t, name, use(), fault.Internal)
	}
	wantKeys(t, db, "a b")
}

func testSnapshot(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	view(t, db, func(r kv.Reader) error {
		done := make(chan error, 1)
		go func() { done <- db.Update(t.Context(), spoil) }()
		if err := <-done; err != nil { // a reader does not hold up the writer
			return err
		}
		got, err := collect(r, nil, nil)
		if fmt.Sprint(got) != "[{a va} {b vb}]" {
			t.Errorf("a snapshot changed: %q", got)
		}
		v, err2 := r.Get([]byte("x"))
		if v != nil {
			t.Error("a snapshot shows a later key")
		}
		return errors.Join(err, err2)
	})
	wantKeys(t, db, "a x")
}

func testContext(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	never := func() error { t.Error("fn ran though the context had ended"); return nil }
	for name, err := range map[string]error{
		"View":   db.View(ended, func(kv.Reader) error { return never() }),
		"Update": db.Update(ended, func(kv.Tx) error { return never() }),
	} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s = %v, want cancelled", name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	err := db.Update(ctx, func(tx kv.Tx) error { cancel(); return spoil(tx) })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("an Update cancelled before its commit = %v", err)
	}
	wantUnspoilt(t, db)
}

func testContextScan(t *testing.T, db kv.DB) {
	update(t, db, func(tx kv.Tx) error {
		for i := range 5000 {
			if err := tx.Put(kv.Key(uint64(i)), nil); err != nil {
				return err
			}
		}
		return nil
	})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	seen := 0
	err := db.View(ctx, func(r kv.Reader) error {
		return r.Scan(nil, nil, func(_, _ []byte) error {
			if seen++; seen == 10 {
				cancel()
			}
			return nil
		})
	})
	if !errors.Is(err, context.Canceled) || seen > 2000 {
		t.Errorf("a cancelled scan went on for %d keys and returned %v", seen, err)
	}
}

func testContextWait(t *testing.T, db kv.DB) {
	held, let := make(chan bool), make(chan bool)
	done := make(chan error, 1)
	go func() {
		done <- db.Update(t.Context(), func(tx kv.Tx) error {
			held <- true
			<-let
			return tx.Put([]byte("first"), nil)
		})
	}()
	<-held
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	err := db.Update(ctx, func(tx kv.Tx) error { return tx.Put([]byte("second"), nil) })
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("waiting for the writer returned %v, want the deadline", err)
	}
	let <- true
	if err := <-done; err != nil {
		t.Error(err)
	}
	wantKeys(t, db, "first")
}

func testConcurrent(t *testing.T, db kv.DB) {
	const rounds, width = 60, 40
	write := func(round uint64) error {
		return db.Update(t.Context(), func(tx kv.Tx) error {
			for i := range uint64(width) {
				if err := tx.Put(kv.Key(i), kv.Key(round)); err != nil {
					return err
				}
			}
			return tx.Put(kv.Key("round"), kv.Key(round))
		})
	}
	if err := write(0); err != nil {
		t.Fatal(err)
	}
	stop := make(chan bool)
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					readRound(t, db, width)
				}
			}
		})
	}
	for round := range uint64(rounds) {
		if err := write(round + 1); err != nil {
			t.Error(err)
		}
	}
	close(stop)
	readers.Wait()
}

// readRound checks that one snapshot holds one round only.
func readRound(t *testing.T, db kv.DB, width int) {
	err := db.View(t.Context(), func(r kv.Reader) error {
		want, err := r.Get(kv.Key("round"))
		if err != nil {
			return err
		}
		n := 0
		from, to := kv.Key(uint64(0)), kv.Key(uint64(width))
		err = r.Scan(from, to, func(_, v []byte) error {
			if n++; !bytes.Equal(v, want) {
				return fmt.Errorf("a snapshot mixes rounds %x and %x", v, want)
			}
			return nil
		})
		if err == nil && n != width {
			err = fmt.Errorf("a snapshot holds %d of %d keys", n, width)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

func testCounter(t *testing.T, db kv.DB) {
	const workers, each = 4, 25
	key := []byte("n")
	var group sync.WaitGroup
	for range workers {
		group.Go(func() {
			for range each {
				err := db.Update(t.Context(), func(tx kv.Tx) error {
					v, err := tx.Get(key)
					return errors.Join(err, tx.Put(key, append(bytes.Clone(v), '|')))
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	view(t, db, func(r kv.Reader) error {
		v, err := r.Get(key)
		if len(v) != workers*each {
			t.Errorf("%d increments kept of %d", len(v), workers*each)
		}
		return err
	})
}

func testClosed(t *testing.T, db kv.DB) {
	fill(t, db, "a")
	for range 2 {
		if err := db.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}
	wantKind(t, "View", db.View(t.Context(), func(kv.Reader) error { return nil }), fault.Internal)
	wantKind(t, "Update", db.Update(t.Context(), func(kv.Tx) error { return nil }), fault.Internal)
}

// testTwice checks the wrapper itself: fn runs twice, its changes count once.
func testTwice(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b")
	runs := 0
	update(t, Twice(db), func(tx kv.Tx) error {
		runs++
		v, err := tx.Get([]byte("a"))
		return errors.Join(err, tx.Put([]byte("a"), append(bytes.Clone(v), '!')))
	})
	view(t, db, func(r kv.Reader) error {
		v, err := r.Get([]byte("a"))
		if runs != 2 || string(v) != "va!" {
			t.Errorf("fn ran %d times and left %q, want 2 and va!", runs, v)
		}
		return err
	})
	err := Twice(db).Update(t.Context(), func(kv.Tx) error { return io.ErrNoProgress })
	if err != io.ErrNoProgress {
		t.Errorf("Twice lost fn's error: %v", err)
	}
}
