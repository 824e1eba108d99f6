package boltkv_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// TestBackupWhileWriting backs up beside a writer and restores each backup elsewhere:
// it must be the state of one moment.
func TestBackupWhileWriting(t *testing.T) {
	t.Parallel()
	path := create(t)
	db := open(t, path)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		for n := uint64(1); ; n++ {
			err := db.Update(ctx, func(tx kv.Tx) error {
				return errors.Join(tx.Put(kv.Key("a"), kv.Key(n)), tx.Put(kv.Key("row", n), make([]byte, 900)), tx.Put(kv.Key("z"), kv.Key(n)))
			})
			if err != nil {
				done <- err
				return
			}
		}
	}()
	for range 6 {
		var backup bytes.Buffer
		info, err := db.Backup(ctx, &backup)
		must(t, err)
		checkMoment(t, backup.Bytes(), info)
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if left, _ := filepath.Glob(path + ".backup*"); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

// checkMoment restores a backup at a new place and compares what must agree.
func checkMoment(t *testing.T, backup []byte, info boltkv.Contents) {
	t.Helper()
	dir := t.TempDir()
	from, to := filepath.Join(dir, "backup"), filepath.Join(dir, "store.db")
	write(t, from, string(backup))
	restored, err := boltkv.Restore(t.Context(), self(t), from, to)
	must(t, err)
	if restored.Store != info.Store || restored.Count != info.Count || restored.Epoch != info.Epoch+1 {
		t.Errorf("backed up %+v, restored %+v", info, restored)
	}
	all, err := content(t.Context(), open(t, to))
	must(t, err)
	rows := uint64(0)
	if len(all) > 0 {
		rows = uint64(len(all) - 2)
	}
	if info.Count != uint64(len(all)) || rows > 0 && (all[string(kv.Key("a"))] != string(kv.Key(rows)) || all[string(kv.Key("z"))] != string(kv.Key(rows))) {
		t.Errorf("not the state of one moment: %d rows, a %x, z %x, counted %d", rows, all[string(kv.Key("a"))], all[string(kv.Key("z"))], info.Count)
	}
}

// backupOf makes a backup file of a store of n rows, and the path of the store.
func backupOf(t *testing.T, n uint64) (backup, path string) {
	t.Helper()
	path = create(t)
	fill(t, path, n)
	db := open(t, path)
	backup = filepath.Join(t.TempDir(), "backup")
	f, err := os.Create(backup)
	must(t, err)
	_, err = db.Backup(t.Context(), f)
	must(t, errors.Join(err, f.Close(), db.Close()))
	return backup, path
}

func TestRestoreReplaces(t *testing.T) {
	t.Parallel()
	backup, path := backupOf(t, 150)
	fill(t, path, 900) // later work, which the restore undoes
	got, err := boltkv.Restore(t.Context(), "", backup, path)
	must(t, err)
	if got.Count != 150 || got.Epoch != 13 { // 1 at making, 2 and 9 commits, 1 for the restore
		t.Errorf("restored %+v, want 150 pairs in epoch 13", got)
	}
	db := open(t, path)
	all, err := content(t.Context(), db)
	must(t, err)
	if len(all) != 150 {
		t.Errorf("%d pairs after restoring 150", len(all))
	}
	must(t, db.Close())

	fill(t, path, 1) // and the file put aside is known as the older one
	must(t, os.Rename(path+".replaced", path))
	_, err = small().Open(path)
	wantFault(t, err, fault.Damaged)
}

func TestRestoreOverDamage(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(t *testing.T, path string){
		"lost":        func(t *testing.T, path string) { must(t, os.Remove(path)) },
		"all lost":    func(t *testing.T, path string) { must(t, errors.Join(os.Remove(path), os.Remove(path+".id"))) },
		"emptied":     func(t *testing.T, path string) { must(t, os.Truncate(path, 0)) },
		"overwritten": func(t *testing.T, path string) { write(t, path, "invented text") },
		"no .id":      func(t *testing.T, path string) { must(t, os.Remove(path+".id")) },
		"bad .id":     func(t *testing.T, path string) { write(t, path+".id", "}") },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			backup, path := backupOf(t, 50)
			spoil(t, path)
			_, err := boltkv.Restore(t.Context(), "", backup, path)
			must(t, err)
			all, err := content(t.Context(), open(t, path))
			must(t, err)
			if len(all) != 50 {
				t.Errorf("%d pairs after restoring 50", len(all))
			}
		})
	}
}

func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	backup, path := backupOf(t, 500)
	good, err := os.ReadFile(backup)
	must(t, err)
	flipped := bytes.Clone(good)
	flipped[bytes.Index(flipped, []byte("invented row"))] ^= 1
	before, err := os.ReadFile(path)
	must(t, err)
	dir := t.TempDir()
	other := create(t)
	text := filepath.Join(dir, "text")
	write(t, text, "invented")
	bad := filepath.Join(dir, "bad")
	for name, c := range map[string]struct {
		from string
		want fault.Kind
	}{
		"cut":            {bad + "1", fault.Damaged},
		"cut at a page":  {bad + "2", fault.Damaged},
		"one bit":        {bad + "3", fault.Damaged},
		"empty":          {bad + "4", fault.Empty},
		"text":           {text, fault.Damaged},
		"missing":        {bad + "5", fault.NotFound},
		"another store":  {other, fault.Foreign},
		"another's":      {bad + "6", fault.Foreign},
		"the store":      {path, fault.Invalid},
		"missing folder": {bad + "/x/y", fault.NotFound},
	} {
		write(t, bad+"1", string(good[:len(good)-100]))
		write(t, bad+"2", string(good[:len(good)/2/4096*4096]))
		write(t, bad+"3", string(flipped))
		write(t, bad+"4", "")
		if name == "another's" {
			foreign(t, bad+"6")
		}
		_, err := boltkv.Restore(t.Context(), self(t), c.from, path)
		if fault.KindOf(err) != c.want || fault.HintOf(err) == "" {
			t.Errorf("%s: %v (%v, hint %q), want %v", name, err, fault.KindOf(err), fault.HintOf(err), c.want)
		}
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s: the store was changed (%v)", name, err)
		}
	}
	if left, _ := filepath.Glob(path + ".re*"); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

func TestBackupEnds(t *testing.T) {
	t.Parallel()
	path := create(t)
	fill(t, path, 100)
	db := open(t, path)
	if _, err := db.Backup(t.Context(), failing{}); !errors.Is(err, io.ErrShortBuffer) {
		t.Errorf("a writer that fails: %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := db.Backup(ended, discard{}); fault.KindOf(err) != fault.Canceled {
		t.Errorf("an ended context: %v", err)
	}
	if left, _ := filepath.Glob(path + ".backup*"); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrShortBuffer }

func ExampleRestore() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		return
	}
	defer os.RemoveAll(dir)
	store, backup := filepath.Join(dir, "store.db"), filepath.Join(dir, "backup")
	db, err := boltkv.Open(store)
	fmt.Println(fault.KindOf(err), db == nil)
	_, err = boltkv.Restore(context.Background(), "", backup, store)
	fmt.Println(fault.KindOf(err))
	// Output:
	// not initialised true
	// not found
}
