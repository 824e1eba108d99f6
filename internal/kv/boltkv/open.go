package boltkv

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"perennial/internal/fault"
)

// Create makes a new, empty store at path, with its .id file. It refuses where a
// store is (Conflict) or was (Damaged). The folder must exist.
//
// The file is made under another name, synced, checked and only then renamed,
// because a crash during bbolt's first writing leaves a file it may die of.
func Create(path string) error {
	op := "make a new store at " + path
	if err := free(path); err != nil {
		return fault.Wrap(op, err)
	}
	l, err := acquire(path, 0)
	if err != nil {
		return fault.Wrap(op, err)
	}
	defer l.release()
	if err := free(path); err != nil {
		return fault.Wrap(op, err)
	}
	return fault.Wrap(op, create(path, path+".new"))
}

// free says why no store can be made at path, if so. An anchor that never saw a
// commit after Create is what a crash during Create leaves, and is no hindrance.
func free(path string) error {
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return fault.New(fault.KindOf(err), "look for the folder",
			"Make the folder first, and look whether the right disk is mounted.", err)
	}
	info, missing := os.Lstat(path)
	if missing == nil && (!info.Mode().IsRegular() || info.Size() > 0) {
		return fault.New(fault.Conflict, "look whether the place is free",
			"Use the store that is there, or name another file.", errors.New("a file is there already"))
	}
	s, err := readSide(path)
	if err != nil {
		return err
	}
	if missing == nil {
		return vacant(s)
	}
	if s != nil && s.Epoch > 1 {
		return fault.New(fault.Damaged, "look whether the place is free", hintMissing,
			errors.New("the .id file of a store is there, but not the store"))
	}
	return nil
}

// vacant says what to do about a file without content in the place of a store: it
// may be what is left of one.
func vacant(s *side) error {
	hint := hintVacant
	if s != nil {
		hint = hintMissing
	}
	return fault.New(fault.Conflict, "look whether the place is free", hint, errors.New("a file without content is there"))
}

// create makes the store under the name tmp and renames it to path.
func create(path, tmp string) error {
	if err := os.Remove(tmp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return translate("remove the rest of an earlier try", err)
	}
	defer os.Remove(tmp)
	id := newIdentity()
	if err := makeFile(tmp, id); err != nil {
		return err
	}
	if err := CheckFile(tmp); err != nil {
		return err
	}
	if err := writeSide(path, side{Store: id.Store, Epoch: 1}); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return translate("rename the new store", err)
	}
	return syncDir(path)
}

// makeFile makes an empty store file.
func makeFile(path string, id identity) error {
	db, err := openBolt(path, os.O_CREATE|os.O_EXCL, bbolt.Options{})
	if err != nil {
		return err
	}
	err = db.Update(func(btx *bbolt.Tx) error { return writeIdentity(btx, id) })
	return translate("write the new store", errors.Join(err, db.Close()))
}

// syncDir makes renames in the folder of path last.
func syncDir(path string) error {
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return translate("sync the folder", err)
	}
	defer d.Close()
	return translate("sync the folder", d.Sync())
}

// Open opens the store at path for this process alone. It refuses, each with what
// to do: a file that is missing or empty (Empty, or Damaged if a store was there
// before), is not ours or of another store (Foreign), cannot be read or is older than it
// was (Damaged), is in use (Locked, after 5 s), or of a newer version (Conflict).
//
// Open reads no more than it needs. A daemon calls Verify first.
func Open(path string) (*DB, error) { return Options{}.Open(path) }

// Open is Open with other settings than the usual ones.
func (o Options) Open(path string) (*DB, error) {
	o = o.withDefaults()
	op := "open store " + path
	if err := there(path); err != nil {
		return nil, fault.Wrap(op, err)
	}
	l, err := acquire(path, o.Wait)
	if err != nil {
		return nil, fault.Wrap(op, err)
	}
	sweepSide(path)
	db, err := o.open(path)
	if err != nil {
		return nil, errors.Join(fault.Wrap(op, err), l.release())
	}
	db.lock = l
	return db, nil
}

// there says why there is no store to open, if so.
func there(path string) error {
	const op = "look for the store"
	info, err := os.Stat(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return translate(op, err)
	}
	if err == nil && info.Size() > 0 {
		return nil
	}
	missing, hint := errors.New("there is no such file"), hintInit
	if err == nil {
		missing, hint = errors.New("the file has no content"), hintVacant
	}
	s, err := readSide(path)
	if s == nil && err == nil {
		return fault.New(fault.Empty, op, hint, missing)
	}
	return fault.New(fault.Damaged, op, hintMissing, missing)
}

// open opens a store whose lock is held.
func (o Options) open(path string) (*DB, error) {
	good, err := readHeader(path)
	if err != nil {
		return nil, err
	}
	id, have, err := peek(path, o.Wait)
	if err != nil {
		return nil, err
	}
	anchored, err := readSide(path)
	if err != nil {
		return nil, err
	}
	if anchored == nil {
		return nil, fault.New(fault.Foreign, "look for the .id file", hintNoID, errors.New("there is none beside the store"))
	}
	if err := anchored.compare(id, have); err != nil {
		return nil, err
	}
	b, err := openBolt(path, 0, bbolt.Options{Timeout: o.Wait, InitialMmapSize: o.MapSize, MaxSize: o.MaxSize})
	if err != nil {
		return nil, err
	}
	db := &DB{path: path, bolt: b, id: id, writer: make(chan struct{}, 1)}
	db.writer <- struct{}{}
	db.anchor = &anchor{path: path, every: o.AnchorEvery, written: anchored.Epoch,
		now: side{Store: id.Store, Epoch: have.epoch}}
	if good < 2 {
		db.notes = append(db.notes, "one of the two header pages of the store is damaged; the last commit before a crash may be missing")
	}
	return db, nil
}

// peek reads which store a file is and its seal, changing nothing.
func peek(path string, wait time.Duration) (id identity, have seal, err error) {
	err = inspect(path, wait, func(btx *bbolt.Tx) error {
		if id, err = readIdentity(btx); err != nil {
			return err
		}
		have, err = readSeal(btx)
		return err
	})
	return id, have, err
}

// inspect runs fn in a reading transaction on a file opened for reading only.
func inspect(path string, wait time.Duration, fn func(*bbolt.Tx) error) error {
	db, err := openBolt(path, 0, bbolt.Options{Timeout: wait, ReadOnly: true, PreLoadFreelist: true})
	if err != nil {
		return err
	}
	defer func() { _ = guarded("close the store", db.Close) }()
	return guarded("read the store", func() error { return db.View(fn) })
}

// openBolt opens a bbolt file with the settings common to all uses: synced commits
// and a free list by map. The file is not made unless flags says so. If bbolt panics
// the file, and with it the lock on it, is let go.
func openBolt(path string, flags int, o bbolt.Options) (db *bbolt.DB, err error) {
	const op = "open the file of the store"
	var first sync.Once
	var opened *os.File
	o.FreelistType = bbolt.FreelistMapType
	o.OpenFile = func(name string, flag int, perm os.FileMode) (*os.File, error) {
		f, err := os.OpenFile(name, flag&^os.O_CREATE|flags, perm)
		first.Do(func() { opened = f })
		return f, err
	}
	err = guarded(op, func() error {
		db, err = bbolt.Open(path, 0o600, &o)
		return translate(op, err)
	})
	if err != nil {
		_ = opened.Close() // closed already unless bbolt panicked
		return nil, err
	}
	return db, nil
}
