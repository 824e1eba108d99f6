package clinic

import (
	"context"
	"errors"

	"perennial/internal/audit"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// Digest puts the letters of a day into the outbox and begins the time of the
// next ones, in one transaction. write makes them from what the clinic says;
// while it does, nothing else changes a plan, so that every change is told in one
// letter and in one only. write must not change anything itself.
func (c *Clinic) Digest(ctx context.Context, write func(ctx context.Context) ([]outbox.Item, error)) error {
	c.quiet.Lock()
	defer c.quiet.Unlock()
	letters, err := write(ctx)
	if err != nil {
		return err
	}
	return c.commit(ctx, audit.Entry{Actor: self, Action: "digest"}, func(w *store.Writer) (any, error) {
		added := 0
		for i := range letters {
			ok, err := outbox.Add(w.Tx, letters[i])
			if err != nil {
				return nil, err
			}
			if ok {
				added++
			}
		}
		if added == 0 && len(letters) > 0 {
			return nil, fault.New(fault.Conflict, "write the digest", "The next day's digest tells what changed since.", errors.New("the letters of this day were made before"))
		}
		return map[string]int{"letters": len(letters)}, w.Digested()
	})
}

// Digested notes that a digest of all changes until now was made.
func (c *Clinic) Digested(ctx context.Context) error {
	return c.Digest(ctx, func(context.Context) ([]outbox.Item, error) { return nil, nil })
}

// SinceDigest visits the plans that changed since the last digest, as they were
// then and as they are now, with the patient's line.
func (c *Clinic) SinceDigest(ctx context.Context, visit func(store.Pair, store.Line) error) error {
	var page store.Page
	return c.pages(ctx, func(r kv.Reader) (bool, error) {
		list, more, err := store.SinceDigest(r, &page, pageSize)
		if err != nil {
			return false, err
		}
		for _, pair := range list {
			line, _, err := store.ReadLine(r, pair.Patient)
			if err != nil {
				return false, err
			}
			if err := visit(pair, line); err != nil {
				return false, err
			}
		}
		return more, nil
	})
}
