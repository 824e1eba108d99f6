package store

import (
	"encoding/json"
	"time"

	"perennial/internal/kv"
)

// Writer writes in one transaction. Begin makes it, Finish ends its work before
// the transaction is committed.
type Writer struct {
	Tx   kv.Tx
	Now  time.Time // of the transaction, in UTC
	Meta Meta      // may be changed; Finish stores it

	counts, before Sums
	meta           Meta
	changed        bool
}

// Begin starts to write in a transaction of an initialised store.
func Begin(tx kv.Tx, now time.Time) (*Writer, error) {
	m, err := ReadMeta(tx)
	if err != nil {
		return nil, err
	}
	w := &Writer{Tx: tx, Now: now.UTC(), Meta: m, meta: m}
	w.counts, err = ReadCounts(tx)
	w.before = w.counts
	return w, err
}

// Changed says whether anything was written so far.
func (w *Writer) Changed() bool { return w.changed || w.Meta != w.meta || w.counts != w.before }

// Finish stores the counts and the numbers. A Writer that changed nothing writes
// nothing.
func (w *Writer) Finish() error {
	if !w.Changed() {
		return nil
	}
	w.Meta.Commits++
	if w.counts != w.before {
		if err := put(w.Tx, countKey(), countRecord{Version, w.counts}); err != nil {
			return err
		}
	}
	return put(w.Tx, metaKey(), w.Meta)
}

// put writes a record where it differs from what is there.
func (w *Writer) put(key []byte, record any) error {
	text, err := json.Marshal(record)
	if err != nil {
		return err
	}
	return w.putText(key, text)
}

func (w *Writer) putText(key, text []byte) error {
	did, err := putText(w.Tx, key, text)
	w.changed = w.changed || did
	return err
}

// drop removes a key.
func (w *Writer) drop(key []byte) error {
	have, err := w.Tx.Get(key)
	if err != nil || have == nil {
		return err
	}
	w.changed = true
	return w.Tx.Delete(key)
}
