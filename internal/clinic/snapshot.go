package clinic

import (
	"context"
	"slices"
	"strings"
	"time"

	"perennial/internal/kv"
	"perennial/internal/protocol"
	"perennial/internal/store"
)

// Snapshot is the store at one moment: plans and work as they are stored, without
// anything being decided again. It is of use only inside of the function that it
// was given to, which must not wait for a network.
type Snapshot struct {
	Commits int64     // changes with whatever a Snapshot shows
	Made    time.Time // when the store was made
	Adopted time.Time // when the protocols in force last changed
	r       kv.Reader
}

// Snapshot calls a function with the store as it is now.
func (c *Clinic) Snapshot(ctx context.Context, fn func(Snapshot) error) error {
	return c.view(ctx, func(r kv.Reader) error {
		m, err := store.ReadMeta(r)
		if err != nil {
			return err
		}
		s := Snapshot{Commits: m.Commits, Made: m.Made, Adopted: m.Made, r: r}
		a, found, err := store.ReadAdopted(r)
		if err != nil {
			return err
		}
		if found && a.At.After(s.Made) {
			s.Adopted = a.At
		}
		return fn(s)
	})
}

// Plan reads the stored plan of a patient; false where there is none.
func (s Snapshot) Plan(patient string) (store.KeptPlan, bool, error) {
	return store.ReadKept(s.r, patient)
}

// Line reads the line of a patient; false where there is none.
func (s Snapshot) Line(patient string) (store.Line, bool, error) {
	return store.ReadLine(s.r, patient)
}

// Item reads a work item by its first key; false where there is none.
func (s Snapshot) Item(key string) (store.Item, bool, error) { return store.ReadItem(s.r, key) }

// Items lists all work items that a patient ever had.
func (s Snapshot) Items(patient string) ([]store.Item, error) { return store.ItemsOf(s.r, patient) }

// Reader is what the functions of package store that visit everything need.
func (s Snapshot) Reader() kv.Reader { return s.r }

// Known are all protocols by which plans of the store may be made: those in force,
// and those of the settings, each version once. Where the two differ under one
// name, it is the one in force.
func (c *Clinic) Known() []*protocol.Protocol {
	list := Protocols(c.Rules())
	for _, p := range Protocols(c.o.Rules) {
		if !slices.ContainsFunc(list, func(q *protocol.Protocol) bool { return q.Ref() == p.Ref() }) {
			list = append(list, p)
		}
	}
	slices.SortFunc(list, func(a, b *protocol.Protocol) int { return strings.Compare(a.Ref(), b.Ref()) })
	return list
}
