//go:build unix && !solaris && !aix

package boltkv

import (
	"path/filepath"
	"syscall"
	"testing"
)

// A program that is being started holds a copy of every open file for a moment.
// The lock must be free all the same once it was let go of.
func TestReleaseFreesCopies(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	first, err := acquire(path, 0)
	if err != nil {
		t.Fatal(err)
	}
	child, err := syscall.Dup(int(first.f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	defer syscall.Close(child)
	if _, err := acquire(path, 0); err == nil {
		t.Fatal("the lock was given twice")
	}
	if err := first.release(); err != nil {
		t.Fatal(err)
	}
	second, err := acquire(path, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := second.release(); err != nil {
		t.Fatal(err)
	}
}
