package boltkv

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"perennial/internal/fault"
)

// lock is the lock file of a store, held. It is a file of its own and is never
// deleted or renamed, so that Restore can replace the store under it.
type lock struct{ f *os.File }

// lockPath is the lock file of a store.
func lockPath(path string) string { return path + ".lock" }

// acquire takes the lock, waiting for another process up to wait.
func acquire(path string, wait time.Duration) (*lock, error) {
	const op = "lock the store"
	f, err := os.OpenFile(lockPath(path), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, translate(op, err)
	}
	for until := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		got, err := tryLock(f)
		if err != nil {
			return nil, errors.Join(translate(op, err), f.Close())
		}
		if got {
			return &lock{f}, writeHolder(f)
		}
		if !time.Now().Before(until) {
			break
		}
	}
	err = fault.New(fault.Locked, op, hintLocked, fmt.Errorf("it is in use by %s", holder(f)))
	return nil, errors.Join(err, f.Close())
}

// writeHolder writes this process's number into the lock file. It is for people
// only, so a disk that is full does not matter.
func writeHolder(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return translate("lock the store", err)
	}
	_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return nil
}

// holder names the process that wrote itself into the lock file.
func holder(f *os.File) string {
	var b [32]byte
	n, _ := f.ReadAt(b[:], 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	if err != nil {
		return "another process"
	}
	return fmt.Sprintf("process %d", pid)
}

// release lets go of the lock. Closing alone would not do while a program that
// this one is just starting still holds a copy of the file.
func (l *lock) release() error {
	return errors.Join(unlock(l.f), l.f.Close())
}
