// Package boltkv is a kv.DB in one bbolt file.
//
// bbolt keeps its promises when a process is killed or a disk is full. What it
// does not do, and this package adds, is to tell a wrong, emptied, older or damaged
// file from a good one. An empty file is a valid store to it: no patients, nothing
// due. So a store here is known by what was written at its making, and is refused
// when anything does not fit.
//
// # Files
//
//	NAME            the store: one bbolt file
//	NAME.id         beside it: the store's id and an epoch it has reached (the anchor), JSON
//	NAME.lock       held by the one process that has the store open, with its number in it
//	NAME.replaced   the file that the last Restore put aside
//
// In the file, bucket "perennial" holds the identity (JSON: id, format version)
// and the seal: epoch, number of pairs and sum of their checksums. Bucket "data"
// holds the pairs, each value followed by the CRC-32C of its key and value. The seal
// is in the page bbolt rewrites at each commit anyway, so it costs no write.
//
// The epoch counts commits. bbolt falls back one commit without a word when its
// newest header page is damaged; a backup put in place by hand is older still. Both
// show in an epoch below the anchor's. The anchor follows the store after the commit,
// at the first commit after opening, then at most once a second, and at Close: it
// never runs ahead, and after a crash it may be a second behind. Only within that
// second can a lost commit go unseen; a damaged header page is then in Notes.
//
// # Damage
//
// A pair is checked against its checksum whenever it is read. Check of a whole file
// is CheckFile: every page is reached, every pair counted and summed, so a byte
// changed anywhere is either found or was in a part without meaning. bbolt panics at
// damaged files, or loops, or touches memory that is not there and the system kills
// the process; such a panic is turned into fault.Damaged here, but not every death can
// be caught. So a daemon calls Verify before Open, which runs CheckFile in a child
// process and survives any death of it.
//
// After a failed commit that was not a full disk, or damage met while writing, the
// DB writes no more until it is opened again: whether the commit is in the file is
// then unknown. A full disk is different, nothing was kept, and the next Update may
// be tried at any time.
//
// # Limits
//
// The file must be on a local disk (locks over a network do not hold). One process
// at a time. Reading transactions should last less than 200 ms: one that is open
// holds up a writer when the file must grow beyond its map, which is why the map
// begins large. Open trusts the system that what was synced is on the disk.
package boltkv

import (
	"context"
	"errors"
	"sync"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Options are settings of an open store. The zero value is what a daemon wants.
type Options struct {
	Wait        time.Duration // how long to wait for another process to leave; 0 is 5 s
	MapSize     int           // bytes of memory map to begin with (address space, not memory); 0 is 1 GiB
	MaxSize     int           // greatest size of the file in bytes, beyond is fault.Full; 0 is no limit
	AnchorEvery time.Duration // least time between two writings of NAME.id; 0 is 1 s
}

// withDefaults fills in what is zero.
func (o Options) withDefaults() Options {
	if o.Wait == 0 {
		o.Wait = 5 * time.Second
	}
	if o.MapSize == 0 {
		o.MapSize = 1 << 30
	}
	if o.AnchorEvery == 0 {
		o.AnchorEvery = time.Second
	}
	return o
}

// DB is an open store. It is safe for use by many goroutines.
type DB struct {
	path   string
	bolt   *bbolt.DB
	id     identity
	notes  []string
	lock   *lock
	anchor *anchor
	writer chan struct{} // holds one token; whoever has it may write

	mu     sync.Mutex
	closed bool
	broken error // why nothing is written any more, once something went wrong
}

// ID returns the store's id, made by Create and kept by Backup and Restore.
func (db *DB) ID() string { return db.id.Store }

// Notes returns what was odd at opening but no reason to refuse, for the log.
func (db *DB) Notes() []string { return db.notes }

// View runs fn on a snapshot.
func (db *DB) View(ctx context.Context, fn func(kv.Reader) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	btx, data, err := db.begin(false)
	if err != nil {
		return err
	}
	defer abandon(btx)
	t := &tx{ctx: ctx, data: data}
	defer t.end()
	return fn(t)
}

// Update runs fn and commits its changes, in order of coming.
func (db *DB) Update(ctx context.Context, fn func(kv.Tx) error) error {
	select {
	case <-db.writer:
		defer func() { db.writer <- struct{}{} }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := errors.Join(ctx.Err(), db.writable()); err != nil {
		return err
	}
	btx, data, err := db.begin(true)
	if err != nil {
		return err
	}
	defer abandon(btx)
	return db.update(btx, &tx{ctx: ctx, data: data, writes: true}, fn)
}

// update runs fn in a transaction of bbolt, seals and commits.
func (db *DB) update(btx *bbolt.Tx, t *tx, fn func(kv.Tx) error) error {
	defer t.end()
	var err error
	if t.seal, err = readSeal(btx); err != nil {
		return db.breakOff(err)
	}
	if err := fn(t); err != nil {
		return err
	}
	if t.bad != nil {
		return db.breakOff(t.bad)
	}
	if err := t.ctx.Err(); err != nil {
		return err
	}
	if t.changes == 0 {
		return nil
	}
	t.seal.epoch++
	if err := commit(btx, t.seal); err != nil {
		return db.breakOff(err)
	}
	db.anchor.reached(t.seal.epoch)
	return nil
}

// commit writes the seal and commits.
func commit(btx *bbolt.Tx, s seal) error {
	const op = "commit to the store"
	return guarded(op, func() error {
		if err := writeSeal(btx, s); err != nil {
			return translate(op, err)
		}
		return translate(op, btx.Commit())
	})
}

// begin begins a transaction of bbolt and finds the bucket of the pairs.
func (db *DB) begin(writes bool) (btx *bbolt.Tx, data *bbolt.Bucket, err error) {
	const op = "begin a transaction"
	err = guarded(op, func() error {
		if btx, err = db.bolt.Begin(writes); err != nil {
			return translate(op, err)
		}
		if data = btx.Bucket(dataBucket()); data == nil {
			return damaged(op, errors.New("a bucket is missing"))
		}
		return nil
	})
	if err != nil && btx != nil {
		abandon(btx)
	}
	return btx, data, err
}

// abandon rolls back if the transaction was not committed. That may itself fail in
// a damaged file, after which nothing is written any more anyway.
func abandon(btx *bbolt.Tx) {
	_ = guarded("roll back", btx.Rollback)
}

// writable says why nothing can be written, if so.
func (db *DB) writable() error {
	db.mu.Lock()
	defer db.mu.Unlock()
	if db.closed {
		return translate("use the store", berrors.ErrDatabaseNotOpen)
	}
	return db.broken
}

// breakOff notes an error of a commit and returns it: nothing is written after it,
// unless only the disk was full.
func (db *DB) breakOff(err error) error {
	if fault.KindOf(err) == fault.Full {
		return err
	}
	db.mu.Lock()
	defer db.mu.Unlock()
	db.broken = fault.New(fault.KindOf(err), "write to the store after a failed commit",
		"Look at the disk and the system's log, then start the program again.", err)
	return err
}

// Close waits for open transactions, brings the anchor up to date and lets go of the store.
func (db *DB) Close() error {
	<-db.writer
	defer func() { db.writer <- struct{}{} }()
	db.mu.Lock()
	again := db.closed
	db.closed = true
	db.mu.Unlock()
	if again {
		return nil
	}
	err := guarded("close the store", db.bolt.Close)
	return errors.Join(fault.Wrap("close the store", err), db.anchor.close(), db.lock.release())
}
