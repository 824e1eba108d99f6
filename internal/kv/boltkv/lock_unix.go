//go:build unix && !solaris && !aix

package boltkv

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes an exclusive lock on a file if nobody has it.
func tryLock(f *os.File) (bool, error) {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// unlock gives the lock up for every copy of the open file.
func unlock(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) }
