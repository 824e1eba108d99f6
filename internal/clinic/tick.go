package clinic

import (
	"context"

	"perennial/internal/audit"
	"perennial/internal/day"
	"perennial/internal/intake"
	"perennial/internal/kv"
	"perennial/internal/store"
)

// tickSize is how many patients are looked at in one transaction.
const tickSize = 200

// Tick looks at everybody whose plan changes by itself up to today, and at
// everybody where what all plans rest on has changed. It may run at any time and
// any number of times a day.
func (c *Clinic) Tick(ctx context.Context) (Changes, error) {
	all, err := c.rebuild(ctx)
	if err != nil {
		return all, err
	}
	today := c.Today()
	for {
		n, changes, err := c.tickPage(ctx, today)
		if err != nil {
			return all, err
		}
		if all.add(changes); n == 0 {
			return all, nil
		}
	}
}

// tickPage looks at some who wake; with none left it notes that the day is done.
func (c *Clinic) tickPage(ctx context.Context, today day.Day) (n int, changes Changes, err error) {
	err = c.update(ctx, audit.Entry{Actor: self, Action: "tick"}, func(w *store.Writer) (any, error) {
		list, err := store.Waking(w.Tx, today, tickSize)
		if err != nil {
			return nil, err
		}
		if n = len(list); n == 0 {
			w.Meta.Ticked = max(w.Meta.Ticked, today)
			return nil, nil
		}
		var keys []string
		for _, k := range list {
			keys = append(keys, k.Patient)
			if err := w.Woken(k); err != nil {
				return nil, err
			}
		}
		changes, err = c.settle(w, keys)
		return &changes, err
	})
	return n, changes, err
}

// rebuild makes all plans again where the store's basis is not the present one,
// a page at a time; it goes on where it was interrupted.
func (c *Clinic) rebuild(ctx context.Context) (Changes, error) {
	var all Changes
	if err := c.relabel(ctx); err != nil {
		return all, err
	}
	for {
		done, changes, err := c.rebuildPage(ctx)
		if err != nil || done {
			return all, err
		}
		all.add(changes)
	}
}

// relabelSize is how many records are looked at in one transaction.
const relabelSize = 5000

// relabel makes the index of devices again, in a store that a program without it
// has written.
func (c *Clinic) relabel(ctx context.Context) error {
	rd := c.reading("")
	for done := false; !done; {
		err := c.view(ctx, func(r kv.Reader) error {
			m, err := store.ReadMeta(r)
			done = m.Relabelled()
			return err
		})
		if err != nil || done {
			return err
		}
		err = c.update(ctx, audit.Entry{Actor: self, Action: "relabel"}, func(w *store.Writer) (_ any, err error) {
			done, err = w.Relabel(relabelSize, rd.labels)
			return nil, err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// rebuildPage makes the next plans again.
func (c *Clinic) rebuildPage(ctx context.Context) (done bool, changes Changes, err error) {
	err = c.update(ctx, audit.Entry{Actor: self, Action: "rebuild"}, func(w *store.Writer) (any, error) {
		done, changes = false, Changes{}
		m := &w.Meta
		if m.Rebuild == "" && m.Basis == c.basis() {
			done = true
			return nil, nil
		}
		if m.Rebuild != c.basis() {
			m.Rebuild, m.RebuildAt = c.basis(), ""
		}
		if m.RebuildAt == "" && m.Basis != c.basis() {
			if err := c.reviveSkipped(w); err != nil {
				return nil, err
			}
		}
		keys, err := store.Keys(w.Tx, m.RebuildAt, tickSize)
		if err != nil {
			return nil, err
		}
		if len(keys) == 0 {
			m.Basis, m.Rebuild, m.RebuildAt = c.basis(), "", ""
			return nil, nil
		}
		m.RebuildAt = keys[len(keys)-1]
		changes, err = c.settle(w, keys)
		return &changes, err
	})
	return done, changes, err
}

// reviveSkipped takes resources that said nothing about surveillance until now
// and do with the present code book.
func (c *Clinic) reviveSkipped(w *store.Writer) error {
	rd := c.reading("")
	var page store.Page
	for more := true; more; {
		var list []store.Record
		var err error
		if list, more, err = store.ListSkipped(w.Tx, &page, 1000); err != nil {
			return err
		}
		for i := range list {
			if err := rd.revive(w, &list[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// revive takes one.
func (rd *reading) revive(w *store.Writer, rec *store.Record) error {
	s, use, err := rd.known(rec)
	if err != nil || s == nil {
		return nil // what is kept of it says nothing still, or cannot be read
	}
	t := taken{rec: *rec, use: use}
	t.rec.Fate, t.rec.Why, t.rec.Labels = store.FateUsed, "", rd.labels(rec, nil)
	if use == intake.InError {
		t.rec.Fate, t.rec.Why = store.FateInError, whyTakenBack
	}
	t.belong(s)
	return w.Unskip(t.rec, t.words)
}
