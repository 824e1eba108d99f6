// Package audit is the append-only record of who saw, decided or sent what.
//
// Entries are numbered from 1 and chained: each holds the SHA-256 of the one before
// it and of itself, and the head holds number and hash of the last. So an entry that
// was altered, removed, added or moved shows in Verify, and so does an end cut off
// without the head.
//
// Who can write the whole store can also write a whole new chain. To find that too
// the head must be known elsewhere: Head gives it, for a digest or a log outside.
//
// # Keys
//
//	"audit", "entry", uint64 number → JSON of the entry
//	"audit", "head"                 → JSON of number and hash of the last entry
//
// Entries are never changed or deleted by the program. Append belongs into the same
// transaction as what it records, so neither is there without the other. No name of a
// patient belongs into an entry: About is a reference, Detail what was decided.
package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Hash is a SHA-256; it is written as 64 hexadecimal digits.
type Hash [sha256.Size]byte

// String gives the hash in hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText gives the hash in hexadecimal digits.
func (h Hash) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h[:]), nil }

// UnmarshalText reads what MarshalText writes.
func (h *Hash) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	if err != nil || len(b) != len(h) {
		return errors.New("audit: a hash is not 64 hexadecimal digits")
	}
	copy(h[:], b)
	return nil
}

// Entry is one thing that happened. The caller of Append gives At to Detail; Seq,
// Prev and Hash are Append's.
type Entry struct {
	Seq    uint64          `json:"seq"`              // from 1, without a gap
	At     time.Time       `json:"at"`               // when, as the caller's clock says; kept in UTC
	Actor  string          `json:"actor"`            // a person's account or a part of the program; not empty
	Action string          `json:"action"`           // what was done, e.g. "task.sent"; not empty
	About  string          `json:"about,omitempty"`  // a reference, e.g. to a patient's record
	Detail json.RawMessage `json:"detail,omitempty"` // any JSON; may be empty
	Prev   Hash            `json:"prev"`             // of the entry before; zero in the first
	Hash   Hash            `json:"hash"`             // of everything above
}

// Head is the end of the chain. The zero Head is that of an empty one.
type Head struct {
	Seq  uint64 `json:"seq"`
	Hash Hash   `json:"hash"`
}

// headKey is where the head is stored.
func headKey() []byte { return kv.Key("audit", "head") }

// entryKey is where an entry is stored.
func entryKey(seq uint64) []byte { return kv.Key("audit", "entry", seq) }

// entries is the range of all entries.
func entries() (from, to []byte) { return kv.Prefix("audit", "entry") }

// invalid is the error for an entry that is not taken.
func invalid(why string) error {
	return fault.New(fault.Invalid, "write the audit trail", "", errors.New(why))
}

// broken is the error for a chain that does not hold.
func broken(why string) error {
	return fault.New(fault.Damaged, "verify the audit trail",
		"Keep the store as it is for whoever looks into it, and compare with a backup.", errors.New(why))
}

// brokenAt is the error for an entry that breaks the chain.
func brokenAt(seq uint64, why string) error { return broken(fmt.Sprintf("entry %d %s", seq, why)) }

// Append adds an entry to the end of the chain and returns it with Seq, Prev and Hash.
// It refuses (Invalid) an entry without time, actor or action or with Detail that is
// not JSON, and (Damaged) a chain whose head does not fit its last entry.
func Append(tx kv.Tx, e Entry) (Entry, error) {
	e, err := normal(e)
	if err != nil {
		return Entry{}, err
	}
	head, err := ReadHead(tx)
	if err != nil {
		return Entry{}, err
	}
	if err := fits(tx, head); err != nil {
		return Entry{}, err
	}
	e.Seq, e.Prev = head.Seq+1, head.Hash
	e.Hash = e.sum()
	text, err := json.Marshal(e)
	if err != nil {
		return Entry{}, err
	}
	headText, err := json.Marshal(Head{e.Seq, e.Hash})
	if err != nil {
		return Entry{}, err
	}
	return e, errors.Join(tx.Put(entryKey(e.Seq), text), tx.Put(headKey(), headText))
}

// normal gives the caller's part of an entry the form it is stored in.
func normal(e Entry) (Entry, error) {
	switch {
	case e.At.IsZero():
		return e, invalid("an entry without a time")
	case e.Actor == "" || e.Action == "":
		return e, invalid("an entry without actor or action")
	case len(e.Detail) > 0 && !json.Valid(e.Detail):
		return e, invalid("an entry whose detail is not JSON")
	}
	e.At = e.At.Round(0).UTC()
	text, err := json.Marshal(e)
	if err != nil {
		return e, invalid("an entry that has no JSON form")
	}
	var stored Entry
	return stored, json.Unmarshal(text, &stored)
}

// fits compares the head with the last entry, so that nothing is added to a broken end.
func fits(r kv.Reader, head Head) error {
	text, err := r.Get(entryKey(head.Seq))
	if err != nil {
		return err
	}
	if head.Seq > 0 {
		last, err := decode(head.Seq, text)
		if err != nil {
			return err
		}
		if last.Hash != head.Hash {
			return brokenAt(head.Seq, "is not the one the head names")
		}
	}
	_, to := entries()
	return r.Scan(entryKey(head.Seq+1), to, func(_, _ []byte) error {
		return brokenAt(head.Seq+1, "is there but the head does not know it")
	})
}

// ReadHead returns the end of the chain, zero if there are no entries.
func ReadHead(r kv.Reader) (Head, error) {
	var h Head
	text, err := r.Get(headKey())
	if err != nil || text == nil {
		return h, err
	}
	if err := json.Unmarshal(text, &h); err != nil || h.Seq == 0 {
		return Head{}, broken("the head cannot be read")
	}
	return h, nil
}

// Verify follows the whole chain. It returns the number of entries that are good, all
// of them if err is nil; else err (Damaged) names the first that is not.
func Verify(r kv.Reader) (n uint64, err error) {
	head, err := ReadHead(r)
	if err != nil {
		return 0, err
	}
	var last Head
	from, to := entries()
	err = r.Scan(from, to, func(key, text []byte) error {
		e, err := follow(last, key, text)
		if err != nil {
			return err
		}
		last = Head{e.Seq, e.Hash}
		return nil
	})
	if err == nil && last != head {
		err = broken(fmt.Sprintf("it ends at entry %d, the head says %d, or the hashes differ", last.Seq, head.Seq))
	}
	return last.Seq, err
}

// follow checks one entry after the one before it.
func follow(before Head, key, text []byte) (Entry, error) {
	seq := before.Seq + 1
	if !bytes.Equal(key, entryKey(seq)) {
		return Entry{}, brokenAt(seq, "is missing")
	}
	e, err := decode(seq, text)
	if err == nil && e.Prev != before.Hash {
		err = brokenAt(seq, "does not follow the one before it")
	}
	return e, err
}

// List returns up to limit entries from number from on, in order. It checks each one
// by itself, not the chain.
func List(r kv.Reader, from uint64, limit int) ([]Entry, error) {
	var list []Entry
	_, to := entries()
	err := r.Scan(entryKey(from), to, func(key, text []byte) error {
		if len(list) >= limit {
			return kv.Stop
		}
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 3 {
			return broken("a key is not that of an entry")
		}
		seq, _ := parts[2].(uint64)
		e, err := decode(seq, text)
		list = append(list, e)
		return err
	})
	return list, err
}

// decode reads a stored entry and checks that it is byte for byte what Append wrote.
func decode(seq uint64, text []byte) (Entry, error) {
	var e Entry
	if text == nil {
		return e, brokenAt(seq, "is missing")
	}
	if err := json.Unmarshal(text, &e); err != nil {
		return Entry{}, brokenAt(seq, "cannot be read")
	}
	again, err := json.Marshal(e)
	if err != nil || !bytes.Equal(again, text) || e.Seq != seq || e.Hash != e.sum() {
		return Entry{}, brokenAt(seq, "was altered")
	}
	return e, nil
}

// sum is the hash of an entry: of its parts in this order, each after its length in
// 8 bytes, the highest first.
func (e Entry) sum() Hash {
	h := sha256.New()
	for _, part := range [...][]byte{
		binary.BigEndian.AppendUint64(nil, e.Seq), []byte(e.At.UTC().Format(time.RFC3339Nano)),
		[]byte(e.Actor), []byte(e.Action), []byte(e.About), e.Detail, e.Prev[:],
	} {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(part))))
		h.Write(part)
	}
	return Hash(h.Sum(nil))
}
