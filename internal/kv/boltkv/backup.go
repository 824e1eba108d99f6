package boltkv

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"perennial/internal/fault"
)

// Backup writes a copy of the store to w while it is in use, and says what is in it.
// The copy is the state of one moment. It is first made beside the store, which needs
// as much room again, and read through, so a slow w never holds a transaction and a
// copy that is not good is never written.
func (db *DB) Backup(ctx context.Context, w io.Writer) (Contents, error) {
	c, err := db.backup(ctx, w)
	return c, fault.Wrap("back up the store", err)
}

// backup is Backup without the words around its errors.
func (db *DB) backup(ctx context.Context, w io.Writer) (Contents, error) {
	tmp, err := os.CreateTemp(filepath.Dir(db.path), filepath.Base(db.path)+".backup-*")
	if err != nil {
		return Contents{}, translate("make room for the copy", err)
	}
	defer os.Remove(tmp.Name())
	defer tmp.Close()
	if err := db.copyTo(within{ctx, tmp}); err != nil {
		if ctx.Err() != nil { // bbolt keeps only the text of it
			err = ctx.Err()
		}
		return Contents{}, err
	}
	c, err := Inspect(tmp.Name())
	if err != nil {
		return Contents{}, err
	}
	if _, err := tmp.Seek(0, io.SeekStart); err != nil {
		return Contents{}, translate("read the copy", err)
	}
	_, err = io.Copy(within{ctx, w}, tmp)
	return c, translate("write the backup", err)
}

// copyTo copies the file in one reading transaction.
func (db *DB) copyTo(w io.Writer) error {
	btx, _, err := db.begin(false)
	if err != nil {
		return err
	}
	defer abandon(btx)
	const op = "copy the store"
	return guarded(op, func() error {
		_, err := btx.WriteTo(w)
		return translate(op, err)
	})
}

// within is a writer that ends with a context.
type within struct {
	ctx context.Context
	w   io.Writer
}

// Write writes unless the context has ended.
func (w within) Write(b []byte) (int, error) {
	if err := w.ctx.Err(); err != nil {
		return 0, err
	}
	return w.w.Write(b)
}

// Restore puts the backup from in the place of the store to, and says what is in it.
// The backup is copied and checked (by Verify with self, or in this process if
// self is "") before anything is replaced. Refused are a damaged backup, a store that is
// open (Locked) and a backup of another store than the one that is or was at to
// (Foreign). The file that was there is kept as NAME.replaced.
//
// The restored store's epoch is set above that of the one it replaces, so the
// replaced file, put back by hand, is known as the older one.
func Restore(ctx context.Context, self, from, to string) (Contents, error) {
	op := fmt.Sprintf("restore %s to %s", from, to)
	a, errA := os.Stat(from)
	b, errB := os.Stat(to)
	if errA == nil && errB == nil && os.SameFile(a, b) {
		return Contents{}, fault.New(fault.Invalid, op, "Name the backup and the store, two files.", errors.New("they are the same file"))
	}
	if errA != nil {
		return Contents{}, translate(op, errA)
	}
	l, err := acquire(to, time.Second)
	if err != nil {
		return Contents{}, fault.Wrap(op, err)
	}
	defer l.release()
	c, err := restore(ctx, self, from, to)
	return c, fault.Wrap(op, err)
}

// restore is Restore with the lock held.
func restore(ctx context.Context, self, from, to string) (c Contents, err error) {
	tmp := to + ".restoring"
	defer os.Remove(tmp)
	if err := copyFile(ctx, from, tmp); err != nil {
		return c, err
	}
	if self == "" {
		c, err = Inspect(tmp)
	} else {
		c, err = Verify(ctx, self, tmp)
	}
	if err != nil {
		return Contents{}, err
	}
	if c.Epoch, err = nextEpoch(c, to); err != nil {
		return Contents{}, err
	}
	if err := setEpoch(tmp, c.Epoch); err != nil {
		return Contents{}, err
	}
	return c, replace(tmp, to, c)
}

// nextEpoch compares a backup with what is at its destination, as far as that can be
// read, and returns the epoch the restored store is to have.
func nextEpoch(c Contents, to string) (uint64, error) {
	old, err := readSide(to)
	if err != nil && fault.KindOf(err) != fault.Damaged {
		return 0, err
	}
	if old == nil {
		old = &side{Store: c.Store}
		if _, err := readHeader(to); err == nil {
			if id, have, err := peek(to, time.Second); err == nil {
				old = &side{Store: id.Store, Epoch: have.epoch}
			}
		}
	}
	if old.Store != c.Store {
		return 0, fault.New(fault.Foreign, "compare the backup with the store it would replace", hintSwapped,
			errors.New("they are of different stores"))
	}
	return max(old.Epoch, c.Epoch) + 1, nil
}

// setEpoch writes an epoch into a store file that nobody uses.
func setEpoch(path string, epoch uint64) error {
	db, err := openBolt(path, 0, bbolt.Options{Timeout: time.Second})
	if err != nil {
		return err
	}
	err = guarded("renumber the backup", func() error {
		return db.Update(func(btx *bbolt.Tx) error {
			s, err := readSeal(btx)
			if err != nil {
				return err
			}
			s.epoch = epoch
			return writeSeal(btx, s)
		})
	})
	return translate("renumber the backup", errors.Join(err, guarded("close the backup", db.Close)))
}

// replace renames the checked copy into place and anchors it. A crash in between
// leaves either store with an anchor not above it, or, where there was none, a store
// that Open refuses until Restore is run again.
func replace(tmp, to string, c Contents) error {
	if err := keepOld(to); err != nil {
		return translate("put the old store aside", err)
	}
	if err := os.Rename(tmp, to); err != nil {
		return translate("put the restored store in place", err)
	}
	if err := syncDir(to); err != nil {
		return err
	}
	return writeSide(to, side{Store: c.Store, Epoch: c.Epoch})
}

// keepOld gives the file at path a second name, NAME.replaced, if there is one.
func keepOld(path string) error {
	kept := path + ".replaced"
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := os.Remove(kept); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if os.Link(path, kept) == nil {
		return nil
	}
	return os.Rename(path, kept)
}

// copyFile copies a file and syncs the copy.
func copyFile(ctx context.Context, from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return translate("read the backup", err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return translate("copy the backup", err)
	}
	_, err = io.Copy(within{ctx, out}, in)
	return translate("copy the backup", errors.Join(err, out.Sync(), out.Close()))
}
