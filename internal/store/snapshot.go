package store

import (
	"crypto/sha256"
	"time"

	"perennial/internal/kv"
	"perennial/internal/surveil"
)

// Stamp tells one stored text from any other, so that who keeps a view of the
// store need not read again what has not changed.
type Stamp [16]byte

func stampOf(text []byte) Stamp {
	sum := sha256.Sum256(text)
	return Stamp(sum[:16])
}

// KeptPlan is a stored plan, and when it took the place of the one before.
type KeptPlan struct {
	*surveil.Plan
	Changed time.Time
}

// ReadKept reads the plan of a patient; false where there is none.
func ReadKept(r kv.Reader, patient string) (KeptPlan, bool, error) {
	text, err := r.Get(planKey(patient))
	if err != nil || text == nil {
		return KeptPlan{}, false, err
	}
	p, err := decodeKept(text)
	return p, err == nil, err
}

// decodeKept reads a stored plan. A plan of a program that did not keep the
// moment of a change has that of its as-of date.
func decodeKept(text []byte) (KeptPlan, error) {
	var rec planRecord
	if err := decode(text, &rec); err != nil {
		return KeptPlan{}, err
	}
	at := time.UnixMilli(rec.Changed).UTC()
	if rec.Changed == 0 {
		y, m, d := rec.AsOf.Civil()
		at = time.Date(y, time.Month(m), d, 12, 0, 0, 0, time.UTC)
	}
	return KeptPlan{rec.plan(), at}, nil
}

// EachPlan visits the stored plans, by patient. What wanted says no to is not
// read; it is given a key that stands for the patient.
func EachPlan(r kv.Reader, wanted func(key string, s Stamp) bool, visit func(key string, p KeptPlan) error) error {
	return eachStamped(r, wanted, func(key string, text []byte) error {
		p, err := decodeKept(text)
		if err != nil {
			return err
		}
		return visit(key, p)
	}, "plan")
}

// EachLine visits the stored lines of patients, as EachPlan does plans.
func EachLine(r kv.Reader, wanted func(key string, s Stamp) bool, visit func(key string, l Line) error) error {
	return eachStamped(r, wanted, func(key string, text []byte) error {
		var l lineRecord
		if err := decode(text, &l); err != nil {
			return err
		}
		return visit(key, l.Line)
	}, "patient")
}

// EachItem visits all work items ever made, as EachPlan does plans; the key stands
// for the item.
func EachItem(r kv.Reader, wanted func(key string, s Stamp) bool, visit func(key string, it Item) error) error {
	return eachStamped(r, wanted, func(key string, text []byte) error {
		it, err := decodeItem(text)
		if err != nil {
			return err
		}
		return visit(key, it)
	}, "work")
}

func eachStamped(r kv.Reader, wanted func(key string, s Stamp) bool, visit func(key string, text []byte) error, kind string) error {
	from, to := kv.Prefix(kind)
	return r.Scan(from, to, func(key, text []byte) error {
		name, err := last(key)
		if err != nil || !wanted(name, stampOf(text)) {
			return err
		}
		return visit(name, text)
	})
}
