package second

// Protocol is the schedule of some classes. A published protocol whose steps
// differ between classes is several values with one id.
type Protocol struct {
	ID        string
	Version   string
	Classes   []string
	Series    []Series
	GapMonths int
	NoLate    bool // only studies in the window count
	KeepClock bool // a re-intervention starts no new clock
	Triggers  []Trigger
}

// Series is the fixed steps and the repeating step that follows them.
type Series struct {
	Steps    []Step
	Repeat   *Repeat
	NoLadder bool
}

// Step is one visit of the grid.
type Step struct {
	ID            string
	Months, Days  int // from the anchor
	Before, After int // window in days
	Ways          []Way
	Territory     []string
	Baseline      bool     // the first scan after the operation
	OnlyIf        []string // types of endoleak on the first scan that make the visit, nil always
}

// Repeat is the repeating step: the first at First months, then every Every
// months up to Until months (0 for life). Its ids are Name and the number of
// years.
type Repeat struct {
	Name                string
	First, Every, Until int
	Step                Step
}

// Way is one way to satisfy a step: one kind, or a set of kinds within 30
// days of one another. Accept means that a person must agree. Part means that
// covering some of the territory is enough.
type Way struct {
	Kinds  []string
	Accept bool
	Part   bool
}

// Trigger is a condition on facts and what follows. Exactly one of Endoleak,
// Growth, Confirm, Migration, Operation is the condition.
type Trigger struct {
	ID         string
	Endoleak   []string // types
	Growth     int      // sac growth in tenths of a millimetre, same modality
	Confirm    int      // growth across modalities only
	Migration  int      // migration of at least so many tenths
	Operation  string   // role of an operation
	Modality   string   // "" any
	Review     bool
	ReviewDays int
	Urgency    string
	Withhold   bool // arrange-imaging waits for the review, 30 days at most
	Add        *Added
}

// Added is the visit that a trigger adds; days from the causing fact.
type Added struct {
	Target, Opens, Closes int
	Ways                  []Way
}

// pick finds the protocol of a class: the first of the given ones that names
// it, else the first of the defaults.
func pick(class string, given []Protocol) *Protocol {
	for _, list := range [][]Protocol{given, Defaults()} {
		for i := range list {
			if has(list[i].Classes, class) {
				return &list[i]
			}
		}
	}
	return nil
}

// has tells whether the list holds the word.
func has(list []string, word string) bool {
	for _, each := range list {
		if each == word {
			return true
		}
	}
	return false
}

// need is every territory that any step of the protocol wants.
func (p *Protocol) need() []string {
	var all []string
	for _, s := range p.Series {
		for _, step := range s.Steps {
			all = append(all, step.Territory...)
		}
		if s.Repeat != nil {
			all = append(all, s.Repeat.Step.Territory...)
		}
	}
	return all
}

// steps lists every step, repeating ones included.
func (p *Protocol) steps() []Step {
	var all []Step
	for _, s := range p.Series {
		all = append(all, s.Steps...)
		if s.Repeat != nil {
			all = append(all, s.Repeat.Step)
		}
	}
	return all
}
