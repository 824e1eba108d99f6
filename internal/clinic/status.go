package clinic

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"perennial/internal/audit"
	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// Status is how the clinic stands.
type Status struct {
	Sums     store.Sums       `json:"sums"` // as kept on the way; Check counts them
	Today    day.Day          `json:"today"`
	Made     time.Time        `json:"made"`
	Live     time.Time        `json:"live,omitzero"` // zero: go-live has not been said
	LiveBy   string           `json:"liveBy,omitempty"`
	Mode     outbox.Mode      `json:"mode"`
	Ticked   day.Day          `json:"ticked"`                  // the last day for which everybody who wakes was looked at
	Waiting  bool             `json:"protocolsWait,omitempty"` // changed protocols of the settings that nobody has adopted yet
	Behind   bool             `json:"behind"`                  // plans have to be made again, or somebody should have been looked at
	Digested time.Time        `json:"digested,omitzero"`
	Outbox   outbox.Counts    `json:"outbox"`
	Closed   []outbox.Closure `json:"closed,omitempty"`  // ways out whose receiver takes nothing
	Removed  int              `json:"removed,omitempty"` // Tasks that people removed at the receiver
	Sources  []store.Source   `json:"sources"`
	Audit    audit.Head       `json:"audit"`
}

// Status says how the clinic stands, in one short read.
func (c *Clinic) Status(ctx context.Context) (Status, error) {
	s := Status{Today: c.Today(), Mode: c.Mode(), Waiting: c.force.Load().waiting}
	err := c.view(ctx, func(r kv.Reader) error {
		m, err := store.ReadMeta(r)
		if err != nil {
			return err
		}
		s.Made, s.Live, s.LiveBy, s.Ticked, s.Digested = m.Made, m.Live, m.LiveBy, m.Ticked, m.Digested
		waking, err := store.Waking(r, s.Today, 1)
		if err != nil {
			return err
		}
		s.Behind = m.Rebuild != "" || m.Basis != c.basis() || len(waking) > 0
		if s.Sums, err = store.ReadCounts(r); err != nil {
			return err
		}
		if s.Outbox, err = outbox.ReadCounts(r); err != nil {
			return err
		}
		if s.Closed, err = c.closures(r); err != nil {
			return err
		}
		if s.Removed, err = outbox.CountRemoved(r); err != nil {
			return err
		}
		if s.Sources, err = store.Sources(r); err != nil {
			return err
		}
		s.Audit, err = audit.ReadHead(r)
		return err
	})
	return s, err
}

// closures are the closed ways out of those in use: not that to a server which the
// settings no longer name.
func (c *Clinic) closures(r kv.Reader) ([]outbox.Closure, error) {
	list, err := outbox.Closures(r)
	return slices.DeleteFunc(list, func(shut outbox.Closure) bool {
		return c.Mode() != outbox.Send || !slices.ContainsFunc(c.o.Routes, func(r outbox.Route) bool { return r.Name == shut.Route })
	}), err
}

// ClosedWay is a way out that takes nothing, in words.
type ClosedWay struct {
	Meant bool   // the settings want it so
	Text  string // short enough for an alarm
	Hint  string // what to do; may be empty
}

// ClosedWays says which ways out take nothing, since when, and when they are tried
// again.
func (s *Status) ClosedWays(zone *time.Location) (list []ClosedWay) {
	const form = "2 Jan 2006 15:04"
	for _, c := range s.Closed {
		w := ClosedWay{Meant: c.Meant, Hint: c.Hint}
		w.Text = fmt.Sprintf("No %s can be sent since %s. %s Nothing is lost: %d wait, and the digest and the pages tell of the work. ", cmp.Or(c.What, "Tasks"), c.Since.In(zone).Format(form), c.Why, s.Outbox.Pending)
		if w.Text += "Tried again on " + c.Next.In(zone).Format(form) + ", or at once: perennial send."; c.Meant {
			w.Hint = "To send them, take that line out of the settings and run perennial send."
		}
		list = append(list, w)
	}
	return list
}

// Report is what Check found.
type Report struct {
	Sums     store.Sums // each term counted on its own from the records
	Problems []string   // empty where all is sound; they name no patient
}

// Check counts the sums, compares them with those that are kept on the way,
// verifies every index, the outbox and the audit trail. It reads the whole store
// in one snapshot.
func (c *Clinic) Check(ctx context.Context) (Report, error) {
	var rep Report
	err := c.view(ctx, func(r kv.Reader) (err error) {
		if rep.Sums, rep.Problems, err = store.Check(r); err != nil {
			return err
		}
		more, err := outbox.Check(r)
		rep.Problems = append(rep.Problems, more...)
		if err != nil {
			return err
		}
		if _, err := audit.Verify(r); err != nil {
			rep.Problems = append(rep.Problems, err.Error())
		}
		return nil
	})
	return rep, err
}

// ListFate visits the resources of a fate: quarantined ones with their reason,
// for example.
func (c *Clinic) ListFate(ctx context.Context, f store.Fate, visit func(store.Record) error) error {
	var page store.Page
	return c.pages(ctx, func(r kv.Reader) (bool, error) {
		list, more, err := store.ListFate(r, f, &page, pageSize)
		for i := 0; err == nil && i < len(list); i++ {
			err = visit(list[i])
		}
		return more, err
	})
}
