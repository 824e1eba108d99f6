package clinic

import (
	"context"
	"slices"
	"strings"

	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Protocols are all protocols that the site knows, those in force and those that
// were, each version once, by id and version.
func (c *Clinic) Protocols() []*protocol.Protocol { return Protocols(c.o.Rules) }

// Protocols are all protocols that rules name, each version once, by id and
// version.
func Protocols(rules *surveil.Rules) []*protocol.Protocol {
	known := map[string]*protocol.Protocol{}
	for _, p := range rules.All {
		known[p.Ref()] = p
	}
	for _, list := range rules.Care {
		for _, f := range list {
			known[f.Protocol.Ref()] = f.Protocol
		}
	}
	list := make([]*protocol.Protocol, 0, len(known))
	for _, p := range known {
		list = append(list, p)
	}
	slices.SortFunc(list, func(a, b *protocol.Protocol) int { return strings.Compare(a.Ref(), b.Ref()) })
	return list
}

// Plans visits the plans of all patients with an implant, made afresh for today,
// by id. The number of patients is given with each: so many of all. A patient who
// was merged into another meanwhile is visited as the other, and not twice.
func (c *Clinic) Plans(ctx context.Context, visit func(p *surveil.Plan, n, all int) error) error {
	var ids []string
	err := c.Lines(ctx, func(l store.Line) error {
		ids = append(ids, l.Patient)
		return nil
	})
	seen := map[string]bool{}
	for i, id := range ids {
		if err != nil {
			return err
		}
		var v View
		if v, err = c.Patient(ctx, id); err == nil && !seen[v.Patient] {
			seen[v.Patient] = true
			err = visit(&v.Plan, i+1, len(ids))
		}
	}
	return err
}
