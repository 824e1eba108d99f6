package assess

import (
	"cmp"
	"slices"

	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// SiteUse is a care protocol that the site works by, and from when.
type SiteUse struct {
	Protocol string  // id of a shipped protocol, or a file
	From     day.Day // zero: from the beginning
}

// addSite puts the site's protocols into the rules, for the classes that the
// command line does not name. Where the site's first begins on a day, the
// default holds before it.
func addSite(set protocol.Set, rules *surveil.Rules, uses []SiteUse, taken []surveil.InForce) error {
	byClass := map[string][]surveil.InForce{}
	for _, u := range uses {
		p, err := findProtocol(set, u.Protocol)
		if err != nil {
			return err
		}
		rules.All[p.ID] = p
		for _, class := range p.Classes {
			if !slices.ContainsFunc(taken, func(t surveil.InForce) bool { return t.Protocol.For(class) }) {
				byClass[class] = append(byClass[class], surveil.InForce{Protocol: p, From: u.From, Chosen: "site"})
			}
		}
	}
	for class, list := range byClass {
		slices.SortStableFunc(list, func(a, b surveil.InForce) int { return cmp.Compare(a.From, b.From) })
		if list[0].From > 0 {
			list = append(slices.Clone(rules.Care[class]), list...)
		}
		rules.Care[class] = list
	}
	return nil
}
