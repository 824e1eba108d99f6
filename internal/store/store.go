// Package store keeps everything that the program knows, over the contract of
// package kv.
//
// # Design
//
// One Writer is one transaction: it keeps every index, the counts and the
// numbers right, and writes nothing that is there already, so that doing a thing
// twice changes nothing. Reading needs no Writer; who reads much reads a page
// and ends the transaction.
//
// Stored form is not memory form: every value is JSON of a record with a version
// (the field v), and what is read is converted. Migrate brings an older store to
// the present version; a newer one is refused.
//
// # Keys
//
//	"meta"                         → when it was made, go-live, basis, numbers
//	"count"                        → the three sums as kept on the way
//	"got", ref, version            → receipt: under which patient it lies, if any
//	"rec", patient, ref, version   → slim record of one version of a resource, and its fate
//	"raw", ref, version            → what could not be read, as it came, with the reason
//	"skip", ref, version           → what says nothing about surveillance, with its slim record where it has one
//	"token", word, patient         → words by which records of one person are found (identifiers, names, addresses)
//	"tie", patient, patient        → records that must be looked at together
//	"ruling", patient, id          → ruling of a person
//	"ruling-id", id                → patient
//	"plan", patient                → the plan, of everybody with an implant
//	"patient", patient             → a short line on them, for lists
//	"wake", int32 day, patient     → on that day the plan changes by itself
//	"then", patient                → the plan as it was at the last digest, of those whose plan changed since
//	"work", key                    → every work item ever made, with its history
//	"work-now", key                → the first key of an item whose key has changed
//	"work-of", patient, key        → items by patient
//	"work-in", state, int32 by, key → items by state and by the day by which they are wanted
//	"adopted"                      → the protocols in force, and who adopted them
//	"protocol", hash               → the text of every protocol that is or was in force
//	"source", name                 → cursor and last success of a source
//	"base", address                → servers on which patients are said to be
//	"device", ref, version         → what a version of a resource says of devices
//	"mark", sort, text, ref, version → … by lot, device identifier, serial number and other words
//	"uses", device, ref, version   → operations and statements that name a device
//	"lacks", what, device          → devices without a lot, a device identifier, a patient …
//	"bare", patient                → how many implants have no device on record
//
// Patients are named as package intake names them: by the id of their record, or
// by a key that is not resolved yet. Long texts in keys are cut and told apart by
// a hash.
//
// # Sums
//
// Each term of the three sums is counted on its own, from records of its own:
// received from the receipts, its parts from the records themselves; patients
// with an implant from the plans, their states from the lines; work ever made
// from the items, open, completed and cancelled from the order of their states.
// So a record that is lost shows.
package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Version is the version of the layout that this program writes.
const Version = 1

// Meta is what a store knows about itself.
type Meta struct {
	V         int       `json:"v"`
	Made      time.Time `json:"made"`
	Live      time.Time `json:"live,omitzero"` // when go-live was said; zero before
	LiveBy    string    `json:"liveBy,omitempty"`
	Basis     string    `json:"basis,omitempty"`     // hash of protocols, code book and settings behind the plans
	Rebuild   string    `json:"rebuild,omitempty"`   // basis for which all plans are being made again, while that is not done
	RebuildAt string    `json:"rebuildAt,omitempty"` // the last patient for whom it is done
	Ticked    day.Day   `json:"ticked,omitempty"`    // the last day for which everybody who wakes was looked at
	Digested  time.Time `json:"digested,omitzero"`   // when the last digest was made
	Sends     bool      `json:"sends,omitempty"`     // things are sent to servers: all open work is in the outbox
	Sendings  int       `json:"sendings,omitempty"`  // how often that began
	Seq       int64     `json:"seq"`                 // resources taken so far: their order
	Commits   int64     `json:"commits"`             // transactions that changed something
	Labels    int       `json:"labels,omitempty"`    // version of the index of devices; another than this program's: it is to be made again
	LabelsAt  string    `json:"labelsAt,omitempty"`  // how far that is done
}

// part makes a key part of any text: long ones are cut and told apart by a hash.
func part(s string) string {
	const most = 400
	if len(s) <= most {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return s[:most] + "#" + hex.EncodeToString(sum[:16])
}

func metaKey() []byte { return kv.Key("meta") }

// ReadMeta reads what the store knows about itself. fault.Empty where it was
// never initialised, fault.Foreign where a newer program has written it.
func ReadMeta(r kv.Reader) (Meta, error) {
	var m Meta
	found, err := get(r, metaKey(), &m)
	switch {
	case err != nil:
		return m, err
	case !found:
		return m, fault.New(fault.Empty, "open the store", "Run: perennial init", errors.New("nothing is in it yet"))
	case m.V > Version:
		return m, fault.New(fault.Foreign, "open the store", "Use the newer program, or restore a backup that this one made.",
			fmt.Errorf("it has layout %d, this program knows %d", m.V, Version))
	}
	return m, nil
}

// Init makes a store ready; fault.Conflict where it is already.
func Init(tx kv.Tx, now time.Time) error {
	have, err := tx.Get(metaKey())
	if err != nil {
		return err
	}
	if have != nil {
		return fault.New(fault.Conflict, "initialise the store", "It is ready for use.", errors.New("it was initialised before"))
	}
	return put(tx, metaKey(), Meta{V: Version, Made: now.UTC(), Labels: labelled})
}

// migration brings a store from the version before to its own.
type migration func(tx kv.Tx) error

// migrations lists them: the first makes version 2 of version 1. Never change
// one that was released; add another.
func migrations() []migration { return nil }

// Migrate brings the store to the present version, in the given transaction.
func Migrate(tx kv.Tx) error {
	m, err := ReadMeta(tx)
	if err != nil {
		return err
	}
	steps := migrations()
	if m.V < 1 || m.V > Version {
		return damaged("it says no version")
	}
	for m.V < Version {
		if err := steps[m.V-1](tx); err != nil {
			return fault.Wrap(fmt.Sprintf("bring the store to layout %d", m.V+1), err)
		}
		m.V++
	}
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	_, err = putText(tx, metaKey(), text)
	return err
}

// get reads a record; false where there is none.
func get(r kv.Reader, key []byte, into any) (bool, error) {
	text, err := r.Get(key)
	if err != nil || text == nil {
		return false, err
	}
	return true, decode(text, into)
}

// decode reads a stored value.
func decode(text []byte, into any) error {
	if err := json.Unmarshal(text, into); err != nil {
		return damaged("a record cannot be read")
	}
	return nil
}

func damaged(why string) error {
	return fault.New(fault.Damaged, "read the store", "Stop the program, keep the file as it is, and restore the last backup.", errors.New(why))
}

// put writes a record.
func put(tx kv.Tx, key []byte, record any) error {
	text, err := json.Marshal(record)
	if err != nil {
		return err
	}
	return tx.Put(key, text)
}

// putText writes a value where it differs from what is there, and says so.
func putText(tx kv.Tx, key, text []byte) (bool, error) {
	have, err := tx.Get(key)
	if err != nil || have != nil && bytes.Equal(have, text) {
		return false, err
	}
	return true, tx.Put(key, text)
}

// last gives the last part of a key that Key made, a string.
func last(key []byte) (string, error) {
	parts, err := kv.Split(key)
	if err == nil && len(parts) > 0 {
		if s, ok := parts[len(parts)-1].(string); ok {
			return s, nil
		}
	}
	return "", damaged("a key is not one of ours")
}

// texts lists the values of all keys with a prefix.
func texts(r kv.Reader, prefix ...any) ([]string, error) {
	var list []string
	from, to := kv.Prefix(prefix...)
	err := r.Scan(from, to, func(_, text []byte) error {
		list = append(list, string(text))
		return nil
	})
	return list, err
}

// count counts the pairs with a prefix.
func count(r kv.Reader, prefix ...any) (int, error) {
	n := 0
	from, to := kv.Prefix(prefix...)
	err := r.Scan(from, to, func(_, _ []byte) error { n++; return nil })
	return n, err
}
