package assess

import (
	"cmp"
	"io/fs"
	"slices"
	"strings"
	"time"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fault"
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

// SiteStudy is a study that the site reports to.
type SiteStudy struct {
	Study, Name string
	Protocol    string // id of a shipped protocol, or a file
	Care        bool
}

// SiteLabel is a protocol that the labelling of devices asks for.
type SiteLabel struct {
	Devices  []string
	Protocol string // id of a shipped protocol, or a file
}

// addScope puts the studies and the labelling into the rules.
func addScope(o *Options, set protocol.Set, rules *surveil.Rules) error {
	if len(o.Studies) == 0 && len(o.Labels) == 0 {
		return nil
	}
	bins, err := profilesOf(o.Shipped)
	if err != nil {
		return err
	}
	find := func(name, whose string) (*protocol.Protocol, error) {
		p, err := findProtocol(set, name)
		if err != nil {
			return nil, fault.Wrap(whose, err)
		}
		rules.All[p.ID] = p
		return p, nil
	}
	for _, s := range o.Studies {
		p, err := find(s.Protocol, "the study "+s.Name)
		if err != nil {
			return err
		}
		rules.Studies = append(rules.Studies, surveil.Study{Key: s.Study, Name: s.Name, Protocol: p, Bins: bins[p.Bins]})
		if s.Care {
			rules.StudyCare = append(rules.StudyCare, surveil.StudyCare{Key: s.Study, Name: s.Name, Protocol: p})
		}
	}
	for _, l := range o.Labels {
		p, err := find(l.Protocol, "the labelling of "+strings.Join(l.Devices, ", "))
		if err != nil {
			return err
		}
		if p.PerPatient {
			return usage("the protocol "+p.ID+" is never for everybody with a device: "+p.Title, "Leave it out of labelling; a person chooses it for a patient: perennial rule protocol --patient ID --value "+p.ID+" …")
		}
		for _, d := range l.Devices {
			rules.Labels = append(rules.Labels, surveil.Label{Device: chart.MarkForm(chart.MarkModel, d), Protocol: p})
		}
	}
	return nil
}

// profilesOf reads the shipped window profiles.
func profilesOf(shipped fs.FS) (protocol.Profiles, error) {
	folder, err := fs.Sub(shipped, "windows")
	if err != nil {
		return nil, fault.Wrap("reading the shipped windows", err)
	}
	set, problems := protocol.LoadProfiles(folder)
	if len(problems) > 0 {
		return nil, badDocuments("a shipped profile has mistakes", problems)
	}
	return set, nil
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
