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
	Baseline      bool       // the first scan after the operation
	OnlyIf        *Condition // of a finding on the first scan that makes the visit, nil always
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

// Trigger is a condition on facts and what follows from it.
type Trigger struct {
	ID       string
	When     Condition
	Review   *Review
	Withhold bool // arrange-imaging waits for the review, 30 days at most
	Visit    *Added
	Series   *AddedSeries
}

// Condition is what must be known: of one operation (Operation), or of one
// finding. What, Growth and Any each ask for something else, and one of them
// is set; every other part that is set must hold as well.
type Condition struct {
	Operation string      // role of an operation: coils
	What      string      // endoleak, sac-diameter, migration, fracture, …
	Types     []string    // any of these; nil, and no length asked for: whatever is abnormal
	AtLeast   int         // tenths of a millimetre
	Below     int         // the value is less than so many tenths
	Growth    int         // of a diameter by so many tenths, against an earlier one of its method
	Across    bool        // Growth: against other methods only
	Of        []string    // measures of the diameter, nil any
	Seen      []string    // kinds of study, nil any
	Sex       string      // female or male, "" any
	If        string      // condition of the patient: dissection
	NotFirst  bool        // it was not seen on the clock's first scan
	With      *Condition  // of another finding on the same scan
	Any       []Condition // at least one of these, in place of all else
}

// Review is a look that a person owes within so many days.
type Review struct {
	Days    int
	Urgency string
}

// Added is the visit that a trigger adds, counted from the causing fact.
type Added struct {
	Months, Target, Opens, Closes int // all but Months in days
	Ways                          []Way
	Needs                         []string // nil: as the first step of the protocol
}

// AddedSeries is a row of visits that a trigger adds: every so many months
// from the causing fact, up to and including Until months.
type AddedSeries struct {
	Every, Until  int
	Before, After int // window in days
	Ways          []Way
	Needs         []string // nil: as the first step of the protocol
	Instead       bool     // the calendar's visits of that time are not owed
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
