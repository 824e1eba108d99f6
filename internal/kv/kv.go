// Package kv is the storage contract of the program: ordered byte keys and
// transactions, seven methods in all.
//
// Everything that is remembered (charts, plans, work items, the outbox, the
// audit trail) is written once against this contract. The stores behind it
// (memkv, boltkv and others to come) each pass the one suite in kvtest.
//
// # Transactions
//
// View gives a snapshot: nothing committed after it began is seen in it, and it
// does not hold up a writer. Updates run one after the other. An Update is all
// or nothing: if fn returns an error or panics, or the context ends before the
// commit, nothing of it is kept. An Update that changed nothing commits nothing.
//
// fn of an Update may be run again by a store that must repeat a commit, so it
// may do nothing that cannot be repeated: no sending, no counting in captured
// variables that are not set afresh at its top. Effects come after the commit.
//
// A transaction belongs to the goroutine that fn runs in and ends with fn; a
// Reader or Tx used afterwards returns an error. fn must not begin another
// transaction of the same store: a store may wait for itself for ever.
// Keep transactions short (200 ms is long) and never wait for a network in one.
//
// # Bytes
//
// Keys are ordered as bytes.Compare orders them, are 1 to MaxKey bytes long and
// are made with Key. Values are 0 to MaxValue bytes and come back byte for byte.
// Put copies both its arguments. A slice handed out by Get or Scan is valid until
// the transaction ends and must not be changed.
//
// An absent key is not an error: Get returns nil, nil. A present value is never
// nil, though it may be empty.
package kv

import (
	"context"
	"fmt"

	"perennial/internal/fault"
)

// Limits of every store: small enough for an index row of a common SQL server,
// large enough for a quarantined resource of the greatest size we accept.
const (
	MaxKey   = 2048     // bytes of a key
	MaxValue = 64 << 20 // bytes of a value
)

// DB is a store.
type DB interface {
	// View runs fn on a snapshot. It returns fn's error unchanged, or the
	// context's error if it ended before fn began.
	View(ctx context.Context, fn func(Reader) error) error
	// Update runs fn in a transaction and commits if fn returns nil; after that the
	// changes survive a crash. fn may be run more than once. fn's error is returned
	// unchanged and nothing is kept.
	Update(ctx context.Context, fn func(Tx) error) error
	// Close ends the use of the store, after waiting for open transactions.
	// Closing twice is harmless. Every other use afterwards is an error.
	Close() error
}

// Reader reads within a transaction.
type Reader interface {
	// Get returns the value at key, or nil, nil if there is none.
	Get(key []byte) ([]byte, error)
	// Scan calls fn for each pair with from <= key < to, in order. A nil from is the
	// beginning, a nil to is the end. It ends early without an error if fn returns
	// Stop (or an error that wraps it), and with fn's own error if it returns another,
	// and with the context's error soon after the context ended.
	//
	// fn may Put and Delete in a Tx, at the key it is called for too: the scan sees
	// such changes ahead of where it stands, and no key twice.
	Scan(from, to []byte, fn func(key, value []byte) error) error
}

// Tx reads and writes within a transaction, and sees its own changes.
type Tx interface {
	Reader
	// Put sets the value at key. A nil value is stored as an empty one.
	Put(key, value []byte) error
	// Delete removes key; that it is absent is not an error.
	Delete(key []byte) error
}

// Stop ends a Scan early without an error.
const Stop stopError = "kv: stop scanning"

// stopError makes Stop a constant, which nobody can assign to.
type stopError string

// Error is the sentinel's text; it is seen only if Stop is returned where it has no meaning.
func (e stopError) Error() string { return string(e) }

// CheckKey reports a key no store takes, as fault.Invalid. The key is not in the
// text, for it may identify a patient.
func CheckKey(key []byte) error {
	if len(key) > 0 && len(key) <= MaxKey {
		return nil
	}
	return fault.New(fault.Invalid, "store a record",
		"An identifier in the input is empty or far too long; correct it at its source.",
		fmt.Errorf("key of %d bytes, 1 to %d are possible", len(key), MaxKey))
}

// CheckPair reports a pair no store takes, as fault.Invalid.
func CheckPair(key, value []byte) error {
	if err := CheckKey(key); err != nil {
		return err
	}
	if len(value) <= MaxValue {
		return nil
	}
	return fault.New(fault.Invalid, "store a record", "Split or refuse the input that is this large.",
		fmt.Errorf("value of %d bytes, at most %d are possible", len(value), MaxValue))
}
