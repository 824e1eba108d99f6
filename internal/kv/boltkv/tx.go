package boltkv

import (
	"bytes"
	"context"
	"errors"

	"go.etcd.io/bbolt"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// checkEvery is how many steps a scan takes between two looks at its context.
const checkEvery = 256

// tx is a transaction, of either sort.
type tx struct {
	ctx     context.Context
	data    *bbolt.Bucket
	writes  bool
	ended   bool
	changes uint64 // Puts and Deletes so far; a scan looks whether its cursor still holds
	seal    seal   // as it will be at the commit
	bad     error  // damage met while writing: no commit
}

// end makes later use of the transaction an error.
func (t *tx) end() { t.ended = true }

// usable says why the transaction cannot be used, if so.
func (t *tx) usable() error {
	if !t.ended {
		return nil
	}
	return fault.New(fault.Internal, "use a transaction", "", errors.New("it has ended"))
}

// Get returns the value at key, nil if absent.
func (t *tx) Get(key []byte) (value []byte, err error) {
	if err := t.usable(); err != nil {
		return nil, err
	}
	err = guarded("read a record", func() error {
		stored := t.data.Get(key)
		if stored == nil {
			return nil
		}
		value, err = unwrapValue(key, stored)
		return err
	})
	return value, t.note(err)
}

// note keeps damage in mind, so that nothing is committed after it.
func (t *tx) note(err error) error {
	if err != nil && t.bad == nil {
		t.bad = err
	}
	return err
}

// Scan walks a range in order. bbolt's cursors do not hold while the bucket changes;
// after a change the place is looked up anew.
func (t *tx) Scan(from, to []byte, fn func(key, value []byte) error) error {
	if err := t.usable(); err != nil {
		return err
	}
	s := scan{t: t, to: to}
	if err := t.note(s.start(from)); err != nil {
		return err
	}
	for step := 0; s.key != nil; step++ {
		if step%checkEvery == 0 && t.ctx.Err() != nil {
			return t.ctx.Err()
		}
		if err := fn(s.key, s.value); errors.Is(err, kv.Stop) {
			return nil
		} else if err != nil {
			return err
		}
		if err := t.note(s.next()); err != nil {
			return err
		}
	}
	return nil
}

// scan is where a Scan stands. key is nil at its end.
type scan struct {
	t          *tx
	to         []byte
	cursor     *bbolt.Cursor
	changes    uint64
	key, value []byte
	last       []byte // a copy of key, kept in writing transactions
}

// start goes to the first pair at or after from.
func (s *scan) start(from []byte) error {
	return guarded("read records", func() error {
		s.cursor, s.changes = s.t.data.Cursor(), s.t.changes
		if len(from) == 0 {
			return s.stand(s.cursor.First())
		}
		return s.stand(s.cursor.Seek(from))
	})
}

// next goes on by one pair.
func (s *scan) next() error {
	if s.changes == s.t.changes {
		return guarded("read records", func() error { return s.stand(s.cursor.Next()) })
	}
	last := bytes.Clone(s.last)
	if err := s.start(last); err != nil || !bytes.Equal(s.key, last) {
		return err
	}
	return s.next()
}

// stand takes the pair the cursor is at.
func (s *scan) stand(key, stored []byte) (err error) {
	if key == nil || s.to != nil && bytes.Compare(key, s.to) >= 0 {
		s.key, s.value = nil, nil
		return nil
	}
	if s.t.writes {
		s.last = append(s.last[:0], key...)
	}
	s.key = key
	s.value, err = unwrapValue(key, stored)
	return err
}

// Put sets a value.
func (t *tx) Put(key, value []byte) error {
	if err := t.usable(); err != nil {
		return err
	}
	if err := kv.CheckPair(key, value); err != nil {
		return err
	}
	return t.note(guarded("store a record", func() error {
		stored := wrapValue(key, value)
		if err := t.takeOut(key); err != nil {
			return err
		}
		t.seal.count++
		t.seal.sum += checksum(stored)
		return translate("store a record", t.data.Put(key, stored))
	}))
}

// Delete removes a key.
func (t *tx) Delete(key []byte) error {
	if err := t.usable(); err != nil {
		return err
	}
	if err := kv.CheckKey(key); err != nil {
		return err
	}
	return t.note(guarded("remove a record", func() error {
		if err := t.takeOut(key); err != nil {
			return err
		}
		return translate("remove a record", t.data.Delete(key))
	}))
}

// takeOut takes a pair that is about to be replaced or removed out of the seal.
func (t *tx) takeOut(key []byte) error {
	t.changes++
	old := t.data.Get(key)
	switch {
	case old == nil:
		return nil
	case len(old) < checksumSize || t.seal.count == 0:
		return damaged("replace a record", errors.New("a record is too short, or there are more than were counted"))
	}
	t.seal.count--
	t.seal.sum -= checksum(old)
	return nil
}
