package boltkv_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// write writes a file for a test.
func write(t testing.TB, path, text string) {
	t.Helper()
	must(t, os.WriteFile(path, []byte(text), 0o600))
}

// copyOf copies a file.
func copyOf(t testing.TB, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	must(t, err)
	write(t, to, string(b))
}

// foreign makes a bbolt file of another program.
func foreign(t testing.TB, path string) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, nil)
	must(t, err)
	must(t, db.Update(func(tx *bbolt.Tx) error {
		_, err := tx.CreateBucket([]byte("invented"))
		return err
	}))
	must(t, db.Close())
}

// identify writes another identity into a store.
func identify(t testing.TB, path, text string, sum bool) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, nil)
	must(t, err)
	must(t, db.Update(func(tx *bbolt.Tx) error {
		b := []byte(text)
		if sum {
			b = boltkv.WrapValue([]byte("identity"), b)
		}
		return tx.Bucket([]byte("perennial")).Put([]byte("identity"), b)
	}))
	must(t, db.Close())
}

func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		spoil func(t *testing.T, path string) // given a good store
		want  fault.Kind
		says  string
	}{
		"nothing was ever there": {func(t *testing.T, path string) {
			must(t, errors.Join(os.Remove(path), os.Remove(path+".id"), os.Remove(path+".lock")))
		}, fault.Empty, "no such file"},
		"the file is gone": {func(t *testing.T, path string) { must(t, os.Remove(path)) }, fault.Damaged, "no such file"},
		"the folder is gone": {func(t *testing.T, path string) {
			must(t, os.RemoveAll(filepath.Dir(path)))
		}, fault.Empty, "no such file"},
		"zero length": {func(t *testing.T, path string) { must(t, os.Truncate(path, 0)) }, fault.Damaged, "no content"},
		"zero length, never a store": {func(t *testing.T, path string) {
			must(t, errors.Join(os.Truncate(path, 0), os.Remove(path+".id")))
		}, fault.Empty, "no content"},
		"one byte":        {func(t *testing.T, path string) { write(t, path, "x") }, fault.Damaged, "not a store"},
		"a text":          {func(t *testing.T, path string) { write(t, path, strings.Repeat("a,b\n", 9999)) }, fault.Damaged, "not a store"},
		"zeros":           {func(t *testing.T, path string) { write(t, path, strings.Repeat("\x00", 1<<16)) }, fault.Damaged, "not a store"},
		"a folder":        {func(t *testing.T, path string) { must(t, errors.Join(os.Remove(path), os.Mkdir(path, 0o700))) }, fault.Invalid, "plain file"},
		"another program": {func(t *testing.T, path string) { must(t, os.Remove(path)); foreign(t, path) }, fault.Foreign, "another program"},
		"another store": {func(t *testing.T, path string) {
			copyOf(t, create(t), path)
		}, fault.Foreign, "different stores"},
		"no .id file": {func(t *testing.T, path string) { must(t, os.Remove(path+".id")) }, fault.Foreign, "none beside"},
		"unreadable .id file": {func(t *testing.T, path string) {
			write(t, path+".id", "{")
		}, fault.Damaged, "cannot be read"},
		"an .id file without an id": {func(t *testing.T, path string) { write(t, path+".id", "{}") }, fault.Damaged, "cannot be read"},
		"a newer format": {func(t *testing.T, path string) {
			identify(t, path, `{"store":"X","format":2}`, true)
		}, fault.Conflict, "format 2"},
		"an identity without a store": {func(t *testing.T, path string) {
			identify(t, path, `{"format":1}`, true)
		}, fault.Damaged, "identity"},
		"an identity without checksum": {func(t *testing.T, path string) {
			identify(t, path, `{"store":"X","format":1}`, false)
		}, fault.Damaged, "identity"},
		"cut": {func(t *testing.T, path string) {
			fill(t, path, 2000)
			must(t, os.Truncate(path, 20_000))
		}, fault.Damaged, "cut"},
		"an older copy": {func(t *testing.T, path string) {
			copyOf(t, path, path+".copy")
			fill(t, path, 300)
			copyOf(t, path+".copy", path)
		}, fault.Damaged, "older"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := create(t)
			c.spoil(t, path)
			before, _ := os.ReadFile(path)
			db, err := small().Open(path)
			if err == nil {
				db.Close()
				t.Fatal("it opened")
			}
			wantFault(t, err, c.want)
			if !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
				t.Errorf("%v\ndoes not say %q and which file", err, c.says)
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Error("the refused file was changed")
			}
		})
	}
}

func TestCreateRefuses(t *testing.T) {
	t.Parallel()
	path := create(t)
	wantFault(t, boltkv.Create(path), fault.Conflict)
	wantFault(t, boltkv.Create(filepath.Join(t.TempDir(), "missing", "store.db")), fault.NotFound)

	vacant := filepath.Join(t.TempDir(), "store.db")
	write(t, vacant, "") // neither says that the other helps
	_, err := small().Open(vacant)
	for _, err := range []error{err, boltkv.Create(vacant)} {
		if hint := fault.HintOf(err); !strings.Contains(hint, "delete the file and run: perennial init") || !strings.Contains(hint, "perennial restore") {
			t.Errorf("a file without content: %v; %s", err, hint)
		}
	}

	fill(t, path, 1)
	must(t, os.Remove(path))
	wantFault(t, boltkv.Create(path), fault.Damaged) // it would hide that the store was lost
	write(t, path, "")
	if err := boltkv.Create(path); strings.Contains(fault.HintOf(err), "delete") {
		t.Errorf("a store was here, and is to be deleted: %v; %s", err, fault.HintOf(err))
	}
	must(t, os.Remove(path))
	write(t, path+".id", "{")
	wantFault(t, boltkv.Create(path), fault.Damaged)
}

// TestCreateAfterCrash leaves what a crash in Create can leave.
func TestCreateAfterCrash(t *testing.T) {
	t.Parallel()
	path := create(t)
	must(t, os.Rename(path, path+".new"))
	_, err := small().Open(path)
	wantFault(t, err, fault.Damaged)
	must(t, os.Truncate(path+".new", 5000))
	must(t, boltkv.Create(path))
	open(t, path)
	names, err := filepath.Glob(path + "*")
	if want := []string{path, path + ".id", path + ".lock"}; !cmp.Equal(names, want) {
		t.Errorf("files %q, want %q (%v)", names, want, err)
	}
}

func TestReopenKeepsEverything(t *testing.T) {
	t.Parallel()
	path := create(t)
	fill(t, path, 1234)
	first := open(t, path)
	want, err := content(t.Context(), first)
	must(t, err)
	must(t, first.Close())
	second := open(t, path)
	got, err := content(t.Context(), second)
	must(t, err)
	if len(got) != 1234 || !maps.Equal(got, want) {
		t.Errorf("%d pairs after reopening, %d before, 1234 were put", len(got), len(want))
	}
	if first.ID() == "" || first.ID() != second.ID() {
		t.Errorf("ids %q and %q", first.ID(), second.ID())
	}
	if len(second.Notes()) != 0 {
		t.Errorf("notes of a sound store: %q", second.Notes())
	}
}

// epochIn reads the epoch in the .id file.
func epochIn(t testing.TB, path string) uint64 {
	t.Helper()
	text, err := os.ReadFile(path + ".id")
	must(t, err)
	var s struct{ Epoch uint64 }
	must(t, json.Unmarshal(text, &s))
	return s.Epoch
}

func TestAnchorFollows(t *testing.T) {
	t.Parallel()
	path := create(t)
	o := small()
	o.AnchorEvery = 50 * time.Millisecond
	db, err := o.Open(path)
	must(t, err)
	put := func(key string) {
		must(t, db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put([]byte(key), nil) }))
	}
	if got := epochIn(t, path); got != 1 {
		t.Errorf("epoch of a new store %d, want 1", got)
	}
	put("a")
	if got := epochIn(t, path); got != 2 {
		t.Errorf("epoch after the first commit %d, want 2 at once", got)
	}
	put("b")
	put("c")
	must(t, db.Update(t.Context(), func(kv.Tx) error { return nil })) // changes nothing
	for until := time.Now().Add(5 * time.Second); epochIn(t, path) < 4; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatal("the anchor did not follow")
		}
	}
	put("d")
	must(t, db.Close())
	if got := epochIn(t, path); got != 5 {
		t.Errorf("epoch after Close %d, want 5", got)
	}
}

func TestAnchorIsSlowAtMostOnceInAWhile(t *testing.T) {
	t.Parallel()
	path := create(t)
	o := small()
	o.AnchorEvery = time.Hour
	db, err := o.Open(path)
	must(t, err)
	for i := range uint64(20) {
		must(t, db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put(kv.Key(i), nil) }))
	}
	if got := epochIn(t, path); got != 2 {
		t.Errorf("the anchor was written for more than the first commit: epoch %d", got)
	}
	must(t, db.Close())
	if got := epochIn(t, path); got != 21 {
		t.Errorf("epoch after Close %d, want 21", got)
	}
}

func TestTwoProcesses(t *testing.T) {
	t.Parallel()
	path := create(t)
	cmd := child(t, "hold", path)
	in, err := cmd.StdinPipe()
	must(t, err)
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	line, _ := bufio.NewReader(out).ReadString('\n')
	if line != "open <nil>\n" {
		t.Fatalf("the other process says %q", line)
	}
	_, err = small().Open(path)
	wantFault(t, err, fault.Locked)
	if want := fmt.Sprintf("process %d", cmd.Process.Pid); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v\ndoes not name %s", err, want)
	}
	_, err = boltkv.Restore(t.Context(), "", create(t), path)
	wantFault(t, err, fault.Locked)
	must(t, in.Close())
	must(t, cmd.Wait())
	open(t, path)
}

func TestTwoOpensInOneProcess(t *testing.T) {
	t.Parallel()
	path := create(t)
	db := open(t, path)
	start := time.Now()
	_, err := small().Open(path)
	wantFault(t, err, fault.Locked)
	if d := time.Since(start); d < 100*time.Millisecond || d > 2*time.Second {
		t.Errorf("waited %v, want about 100 ms", d)
	}
	must(t, db.Close())
	open(t, path)
}

func TestFullBySetting(t *testing.T) {
	t.Parallel()
	path := create(t)
	o := small()
	o.MaxSize = 1 << 20
	db, err := o.Open(path)
	must(t, err)
	defer db.Close()
	fillUp(t, db)
	must(t, db.Update(t.Context(), func(tx kv.Tx) error { return tx.Delete(kv.Key("fill", uint64(0))) }))
}

// fillUp puts until the store is full and checks that all that was kept is there.
func fillUp(t *testing.T, db kv.DB) {
	t.Helper()
	kept, big := uint64(0), make([]byte, 10_000)
	for ; kept < 10_000; kept++ {
		err := db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put(kv.Key("fill", kept), big) })
		if err != nil {
			wantFault(t, err, fault.Full)
			break
		}
	}
	all, err := content(t.Context(), db)
	must(t, err)
	if kept == 0 || kept == 10_000 || uint64(len(all)) != kept {
		t.Errorf("%d commits succeeded, %d pairs are there", kept, len(all))
	}
}

// A process that is killed while it writes the .id file leaves its half behind:
// the next one that opens the store takes it away, and nothing else.
func TestOpenSweeps(t *testing.T) {
	t.Parallel()
	path := create(t)
	dir := filepath.Dir(path)
	for _, name := range []string{".store.db.id4711", ".store.db.id", ".store.db.idea", ".store.db.id4711x", ".other.db.id4711"} {
		write(t, filepath.Join(dir, name), "{")
	}
	open(t, path)
	left, err := filepath.Glob(filepath.Join(dir, ".*"))
	must(t, err)
	for i := range left {
		left[i] = filepath.Base(left[i])
	}
	if diff := cmp.Diff([]string{".other.db.id4711", ".store.db.id", ".store.db.id4711x", ".store.db.idea"}, left); diff != "" {
		t.Error(diff)
	}
}
