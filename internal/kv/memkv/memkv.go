// Package memkv is a kv.DB in memory, for tests and for work that keeps nothing.
//
// The pairs lie in a treap that is never changed in place: a write copies the
// nodes on its way from the root. So a snapshot is a pointer to a root, a reader
// never waits, and giving up a transaction is forgetting its root. A node's
// priority is a hash of its key, so the same pairs always make the same tree.
package memkv

import (
	"bytes"
	"context"
	"errors"
	"sync/atomic"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// checkEvery is how many steps a scan takes between two looks at its context.
const checkEvery = 128

// DB is a store in memory. Make one with New.
type DB struct {
	root   atomic.Pointer[node] // of the last commit; nil when empty
	writer chan struct{}        // holds one token; whoever has it may write
	closed atomic.Bool
}

// New returns an empty store.
func New() *DB {
	db := &DB{writer: make(chan struct{}, 1)}
	db.writer <- struct{}{}
	return db
}

// View runs fn on the pairs of the last commit.
func (db *DB) View(ctx context.Context, fn func(kv.Reader) error) error {
	if err := db.ready(ctx); err != nil {
		return err
	}
	t := &tx{ctx: ctx, root: db.root.Load()}
	defer t.end()
	return fn(t)
}

// Update runs fn and keeps its changes if it returns nil.
func (db *DB) Update(ctx context.Context, fn func(kv.Tx) error) error {
	select {
	case <-db.writer:
		defer func() { db.writer <- struct{}{} }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := db.ready(ctx); err != nil {
		return err
	}
	t := &tx{ctx: ctx, root: db.root.Load()}
	defer t.end()
	if err := fn(t); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	db.root.Store(t.root)
	return nil
}

// Close waits for the running Update; the pairs are gone with the DB.
func (db *DB) Close() error {
	<-db.writer
	db.closed.Store(true)
	db.writer <- struct{}{}
	return nil
}

// ready says why no transaction may begin, if so.
func (db *DB) ready(ctx context.Context) error {
	if db.closed.Load() {
		return fault.New(fault.Internal, "use the store", "", errors.New("it is closed"))
	}
	return ctx.Err()
}

// tx is a transaction, of either sort.
type tx struct {
	ctx   context.Context
	root  *node
	ended bool
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
func (t *tx) Get(key []byte) ([]byte, error) {
	if err := t.usable(); err != nil {
		return nil, err
	}
	if n := t.root.ceil(key); n != nil && bytes.Equal(n.key, key) {
		return n.value, nil
	}
	return nil, nil
}

// Scan walks a range in order. Each step looks for the next key from the root, so
// changes that fn makes are seen.
func (t *tx) Scan(from, to []byte, fn func(key, value []byte) error) error {
	next := from
	for step := 0; ; step++ {
		if err := t.usable(); err != nil {
			return err
		}
		if step%checkEvery == 0 && t.ctx.Err() != nil {
			return t.ctx.Err()
		}
		n := t.root.ceil(next)
		if n == nil || to != nil && bytes.Compare(n.key, to) >= 0 {
			return nil
		}
		if err := fn(n.key, n.value); errors.Is(err, kv.Stop) {
			return nil
		} else if err != nil {
			return err
		}
		next = append(bytes.Clone(n.key), 0)
	}
}

// Put sets a value.
func (t *tx) Put(key, value []byte) error {
	if err := t.usable(); err != nil {
		return err
	}
	if err := kv.CheckPair(key, value); err != nil {
		return err
	}
	t.root = t.root.put(newNode(key, value))
	return nil
}

// Delete removes a key.
func (t *tx) Delete(key []byte) error {
	if err := t.usable(); err != nil {
		return err
	}
	if err := kv.CheckKey(key); err != nil {
		return err
	}
	t.root = t.root.without(key)
	return nil
}
