package assess

import (
	"cmp"
	"slices"
	"time"

	"perennial/internal/codes"
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
		if p.PerPatient {
			return usage("the protocol "+p.ID+" is never for everybody: "+p.Title, "Leave it out of the settings; a person chooses it for a patient: perennial rule protocol --patient ID --value "+p.ID+" …")
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

// Work is what a site works by: its code book, its rules and its zone.
type Work struct {
	Book  *codes.Book
	Rules *surveil.Rules
	Zone  *time.Location
}

// Prepare loads what the options name of the code book, the protocols and the
// zone, as Run does, for those who keep a store.
func Prepare(o Options) (Work, error) {
	var w Work
	var err error
	if w.Zone, err = zoneOf(o.Zone); err != nil {
		return w, err
	}
	if w.Book, err = loadCodes(o.Shipped, o.Codes); err != nil {
		return w, err
	}
	numbers := surveil.Defaults()
	if o.Settings != nil {
		numbers = *o.Settings
	}
	w.Rules, err = loadRules(&o, numbers)
	return w, err
}
