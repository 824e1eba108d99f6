package boltkv

import (
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"syscall"

	berrors "go.etcd.io/bbolt/errors"

	"perennial/internal/fault"
)

// What a person can do next.
const (
	hintInit     = "If this is a new installation run: perennial init. If not, look whether the right disk is mounted and the settings name the right file."
	hintVacant   = "If no store was ever here, delete the file and run: perennial init. If one was, look whether the right disk is mounted, and restore the latest backup: perennial restore BACKUP."
	hintDamaged  = "Do not delete anything. Restore the latest good backup: perennial restore BACKUP."
	hintMissing  = "A store was here before. Look whether the right disk is mounted; if the file is lost restore the latest backup: perennial restore BACKUP."
	hintForeign  = "Look whether the settings name the right file; this one was left as it is."
	hintNoID     = "If this is a copy of a store bring it in with: perennial restore COPY. That makes the .id file and checks the copy."
	hintSwapped  = "This is the store of another site or another installation. Put the right file back, or move the .id file away and restore a backup, if the change is meant."
	hintOlder    = "An older copy has been put in place, or the last changes were lost. Put the newest file back; if there is none restore the latest backup: perennial restore BACKUP."
	hintNewer    = "Use the newer version of the program that wrote it, or restore a backup made with this version."
	hintLocked   = "Stop the other program first (the daemon, a command, a check), or wait until it has finished."
	hintFull     = "Make room on the disk. Nothing was lost; the work goes on by itself when there is room."
	hintInternal = "Start the program again; if it happens again report this text."
)

// damaged is an error of kind Damaged that sends the reader to a backup.
func damaged(op string, cause error) error {
	return fault.New(fault.Damaged, op, hintDamaged, cause)
}

// guarded runs f, which uses bbolt, and turns a panic in it, also one for memory that
// is not there, into Damaged.
func guarded(op string, f func() error) (err error) {
	before := debug.SetPanicOnFault(true)
	defer func() {
		debug.SetPanicOnFault(before)
		if r := recover(); r != nil {
			err = damaged(op, fmt.Errorf("the file is not as it was written: %v", r))
		}
	}()
	return f()
}

// translate gives an error of bbolt or the system its kind and hint.
func translate(op string, err error) error {
	is := func(target error) bool { return errors.Is(err, target) }
	switch {
	case err == nil:
		return nil
	case is(berrors.ErrTimeout):
		return fault.New(fault.Locked, op, hintLocked, errors.New("another process uses the file"))
	case is(berrors.ErrInvalid), is(berrors.ErrChecksum), is(berrors.ErrVersionMismatch):
		return damaged(op, err)
	case fault.KindOf(err) == fault.Full, is(berrors.ErrMaxSizeReached), saysFull(err):
		return fault.New(fault.Full, op, hintFull, err)
	case fault.KindOf(err) == fault.Denied:
		return fault.New(fault.Denied, op, "Give the user the program runs as the right to read and write the store and its folder.", err)
	case fault.KindOf(err) == fault.NotFound:
		return fault.New(fault.NotFound, op, "Look whether the file and its folder exist and the right disk is mounted.", err)
	case is(berrors.ErrDatabaseNotOpen):
		return fault.New(fault.Internal, op, "", errors.New("the store is closed"))
	}
	return fault.New(fault.KindOf(err), op, hintInternal, err)
}

// saysFull finds a full disk in errors of bbolt that keep only the text of their cause.
func saysFull(err error) bool {
	text := err.Error()
	return strings.HasSuffix(text, syscall.ENOSPC.Error()) || strings.HasSuffix(text, syscall.EDQUOT.Error())
}
