package boltkv_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/kv/kvtest"
)

// TestMain lets the test binary be the other process of a test: its first argument
// says which.
func TestMain(m *testing.M) {
	// Under the race detector every child would sleep a second at its end.
	os.Setenv("GORACE", "atexit_sleep_ms=0 "+os.Getenv("GORACE"))
	if len(os.Args) == 3 {
		switch os.Args[1] {
		case boltkv.CheckCommand:
			if !boltkv.RunCheck(os.Stdout, os.Args[2]) {
				os.Exit(1)
			}
			os.Exit(0)
		case "hold":
			childHolds(os.Args[2])
		case "write":
			childWrites(os.Args[2])
		}
	}
	goleak.VerifyTestMain(m)
}

// childHolds opens the store and keeps it until it is killed.
func childHolds(path string) {
	db, err := boltkv.Open(path)
	fmt.Println("open", err)
	if err == nil {
		bufio.NewReader(os.Stdin).ReadString('\n')
		db.Close()
	}
	os.Exit(0)
}

// childWrites commits one number after the other, under two keys that must agree and
// a row of its own, and says so after each commit.
func childWrites(path string) {
	db, err := boltkv.Open(path)
	if err != nil {
		fmt.Println("failed", err)
		os.Exit(1)
	}
	for {
		var n uint64
		err := db.Update(context.Background(), func(tx kv.Tx) error {
			v, err := tx.Get(kv.Key("a"))
			n, _ = strconv.ParseUint(string(v), 10, 64)
			n++
			text := []byte(strconv.FormatUint(n, 10))
			return errors.Join(err, tx.Put(kv.Key("a"), text), tx.Put(kv.Key("row", n), text), tx.Put(kv.Key("z"), text))
		})
		if err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
		fmt.Println("ack", n)
	}
}

// self is this test binary.
func self(t testing.TB) string {
	t.Helper()
	path, err := os.Executable()
	must(t, err)
	return path
}

// child prepares this test binary as another process.
func child(t *testing.T, word, path string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), self(t), word, path)
	cmd.Stderr = os.Stderr
	return cmd
}

// must ends a test that cannot go on.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatalf("%v\nhint: %s", err, fault.HintOf(err))
	}
}

// small has settings for tests: little address space, short waits.
func small() boltkv.Options {
	return boltkv.Options{Wait: 100_000_000, MapSize: 1 << 20}
}

// create makes a store in a folder of its own.
func create(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store.db")
	must(t, boltkv.Create(path))
	return path
}

// open opens a store and closes it at the end of the test.
func open(t testing.TB, path string) *boltkv.DB {
	t.Helper()
	db, err := small().Open(path)
	must(t, err)
	t.Cleanup(func() { must(t, db.Close()) })
	return db
}

// fill puts n pairs in commits of 100, and closes.
func fill(t testing.TB, path string, n uint64) {
	t.Helper()
	db, err := small().Open(path)
	must(t, err)
	for first := uint64(0); first < n; first += 100 {
		must(t, db.Update(t.Context(), func(tx kv.Tx) error {
			for i := first; i < min(first+100, n); i++ {
				if err := tx.Put(kv.Key("row", i), fmt.Appendf(nil, `{"n":%d,"text":"invented row"}`, i)); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	must(t, db.Close())
}

// content reads all pairs.
func content(ctx context.Context, db kv.DB) (map[string]string, error) {
	all := map[string]string{}
	err := db.View(ctx, func(r kv.Reader) error {
		return r.Scan(nil, nil, func(k, v []byte) error {
			all[string(k)] = string(v)
			return nil
		})
	})
	return all, err
}

// wantFault compares an error's kind and that it says what to do.
func wantFault(t testing.TB, err error, want fault.Kind) {
	t.Helper()
	if got := fault.KindOf(err); got != want {
		t.Errorf("%v\nis %v, want %v", err, got, want)
	}
	if fault.HintOf(err) == "" {
		t.Errorf("%v\nsays nothing about what to do", err)
	}
}

func TestContract(t *testing.T) {
	t.Parallel()
	kvtest.Run(t, func(t testing.TB) kv.DB {
		path := create(t)
		db := open(t, path)
		t.Cleanup(func() { // runs before the Close above: a backup is checked through and through
			if _, err := db.Backup(context.Background(), discard{}); err != nil && !strings.HasSuffix(err.Error(), "the store is closed") {
				t.Errorf("the store is not sound after the test: %v", err)
			}
		})
		return db
	})
}

// discard is io.Discard without its shortcut.
type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

func BenchmarkStore(b *testing.B) {
	kvtest.Bench(b, func(t testing.TB) kv.DB { return open(t, create(t)) })
}

func BenchmarkInspect(b *testing.B) {
	path := create(b)
	fill(b, path, 20_000)
	for b.Loop() {
		must(b, boltkv.CheckFile(path))
	}
}
