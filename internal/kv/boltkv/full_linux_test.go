package boltkv_test

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// TestFullDisk fills a small disk, makes room, and goes on.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"); err != nil {
		t.Skipf("a small disk cannot be mounted here (needs root): %v", err)
	}
	t.Cleanup(func() { must(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	path, ballast := filepath.Join(dir, "store.db"), filepath.Join(dir, "ballast")
	must(t, os.WriteFile(ballast, make([]byte, 600<<10), 0o600))
	must(t, boltkv.Create(path))
	db, err := small().Open(path)
	must(t, err)
	fillUp(t, db)
	_, err = db.Backup(t.Context(), discard{})
	wantFault(t, err, fault.Full)

	must(t, os.Remove(ballast))
	must(t, db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put([]byte("after"), nil) }))
	must(t, db.Close())
	if _, err := boltkv.Verify(t.Context(), self(t), path); err != nil {
		t.Error(err)
	}
	full := filepath.Join(dir, "more")
	must(t, os.WriteFile(full, nil, 0o600))
	must(t, syscall.Truncate(full, 0))
	f, err := os.OpenFile(full, os.O_WRONLY, 0)
	must(t, err)
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	must(t, f.Close())
	wantFault(t, boltkv.Create(filepath.Join(dir, "second.db")), fault.Full)
	if _, err := os.Stat(filepath.Join(dir, "second.db")); err == nil {
		t.Error("half a store was left")
	}
}
