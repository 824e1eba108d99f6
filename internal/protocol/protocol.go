// Package protocol is a surveillance protocol as a versioned document: which
// implants it is for, which visits it asks for and when, what imaging
// satisfies a visit, and what findings and events change.
//
// A protocol is data. Its visits form series: the fixed steps and the
// repeating step that follows them are one series; a five-yearly step beside
// an annual one is another. Offsets are ISO 8601 durations from the anchor of
// the series (the index date, or the last imaging on a rolling series),
// windows are whole days, both ends inside. Every step and trigger carries
// its citation and an evidence mark (FOUND, MEM-H, MEM-M, MEM-L, DESIGN).
//
// Parse reads the document (docs/protocol-format.md) and reports every problem at once with line and
// column. Nothing here decides anything about a patient.
package protocol

import (
	"perennial/internal/chart"
	"perennial/internal/day"
)

// Protocol is one version of one protocol.
type Protocol struct {
	ID      string
	Version string
	Title   string
	Status  string // draft, reviewed or retired
	Cite    Cite
	Windows string   // profile of the clinic windows, which say what is due: clinic-v1, or own
	Study   string   // profile of the windows by which a study judges a visit: trial-v1
	Bins    string   // profile of the bins in which an analysis counts a visit: registry-ltfu-v1
	Classes []string // implant classes that it is for
	Covers  []Cover  // what a study must show, by class

	PerPatient bool // never for everybody: a person chooses it for a patient

	Late      bool       // a study after the window still satisfies, until the next window opens
	KeepClock bool       // a re-intervention that relines does not start a new clock
	Gap       day.Offset // longest stretch without imaging before the imaging gap begins

	Series   []Series
	Triggers []Trigger
	Hash     string // of the document's content
	Text     string // the document itself
}

// Cite is where a rule comes from.
type Cite struct {
	Text     string // the citation as printed
	Grade    string // grade of the recommendation, as the source writes it
	Evidence string // FOUND, FOUND2, MEM-H, MEM-M, MEM-L or DESIGN
	Whole    string // all of it on one line, with the state of a protocol that nobody has signed off
}

// Cover is the territory that a study must show for implants of a class, or
// of a class in a patient with a condition (dissection).
type Cover struct {
	Class string // empty: every class of the protocol
	If    string // condition of the patient; empty: always
	Needs chart.Territory
}

// Series is a row of visits that are matched together.
type Series struct {
	ID      string   // main, aorta
	Classes []string // classes that the series is for; empty: all of the protocol
	Strata  []string // risk strata that the series is for; empty: all, "none" stands for no confirmed one
	Prefix  string   // of step ids made for repeats: y, aorta
	Rolling bool     // anchored on the last imaging instead of the index
	Ladder  bool     // its visits move the follow-up ladder
	Steps   []Step
	Repeat  *Repeat
}

// Step is one visit of a series.
type Step struct {
	ID     string
	At     day.Offset
	Before int // days that the window opens before the target
	After  int // days that it closes after the target
	Ways   []Way
	Needs  chart.Territory // zero: what the implant needs
	OnlyIf *Condition      // the visit exists only if this holds on the first scan
	Also   *Also           // imaging that the source asks for beside it; nil: none
	Cite   Cite
}

// Also is imaging that a source asks for beside that which does a visit. Where it
// is not on record that is said; the visit is done all the same.
type Also struct {
	Kinds  []chart.Kind
	Within int // days between the two
}

// Repeat is the repeating step at the end of a series. Its visits lie at
// From, From+Every, … up to and including Until (zero: for life).
type Repeat struct {
	From   day.Offset
	Every  day.Offset
	Until  day.Offset
	Before int
	After  int
	Ways   []Way
	Needs  chart.Territory
	Cite   Cite
}

// Way is one way to satisfy a visit: one study of any of the kinds, or a set
// of two studies within so many days of one another. A way with acceptance
// counts only once a person has accepted it.
type Way struct {
	Kinds      []chart.Kind
	With       []chart.Kind // second study of a set; empty: one study is enough
	Within     int          // days between the two
	Acceptance bool
}

// Condition is what must be known for a trigger to fire or a step to exist.
// Every part that is set must hold.
type Condition struct {
	Finding string       // endoleak, migration, …; empty with Event or Growth
	Types   []string     // any of these; empty: any but "none" and "absent"
	AtLeast int          // tenths of a millimetre
	Below   int          // with AtLeast: tenths of a millimetre that it does not reach; zero: no limit
	Of      []string     // with a diameter: the measures that it is for (sac, arch, …); empty: any
	Sex     string       // holds unless the patient is known to be of another sex; empty: any
	If      string       // condition of the patient (dissection); empty: any patient
	Later   bool         // not seen on the first scan after the operation
	With    *Condition   // another finding on the same scan
	Growth  int          // sac growth in tenths of a millimetre against baseline or lowest, same method
	Across  bool         // with Growth: the change is across modalities
	Event   string       // relining, occlusion, explant
	Seen    []chart.Kind // kinds of study that it was seen on; empty: any
	Any     []Condition  // at least one of these (instead of the rest)
}

// Trigger is a condition and what follows from it.
type Trigger struct {
	ID      string
	Classes []string // classes that it is for; empty: all of the protocol
	When    Condition
	Then    Effect
	Cite    Cite
}

// Effect is what a trigger proposes.
type Effect struct {
	Review   *Review      // a person must look at it
	Visit    *Added       // an added visit
	Series   *AddedSeries // a row of added visits
	Withhold int          // days for which routine imaging is not proposed while the review is open
	Confirm  bool         // the visit only confirms a measurement
	Note     string
}

// Review asks a person to look within so many days.
type Review struct {
	Within  int    // days
	Urgency string // routine, asap, urgent, stat
}

// Added is a visit that a trigger adds, counted from the event.
type Added struct {
	At    day.Offset // target
	Open  int        // days after the event on which the window opens
	Close int        // days after the event on which it closes
	Ways  []Way
	Needs chart.Territory
	Again bool // its own imaging may add the next: meant so
}

// AddedSeries is a row of visits that a trigger adds, counted in calendar months from
// the event: at Every, 2 × Every, … up to and including Until.
type AddedSeries struct {
	Every   int // months
	Until   int // months
	Before  int // days that a window opens before its target
	After   int // days that it closes after it
	Ways    []Way
	Needs   chart.Territory
	Instead bool // while it runs, the calendar's own visits are not owed
}

// For says whether the protocol is for implants of a class.
func (p *Protocol) For(class string) bool {
	for _, c := range p.Classes {
		if c == class {
			return true
		}
	}
	return false
}

// Replaces says whether some trigger adds a series in place of visits of the
// calendar.
func (p *Protocol) Replaces() bool {
	for i := range p.Triggers {
		if s := p.Triggers[i].Then.Series; s != nil && s.Instead {
			return true
		}
	}
	return false
}

// Ref is id and version as "id@version".
func (p *Protocol) Ref() string { return p.ID + "@" + p.Version }

// Need is the territory that a study must show for an implant of the class in
// a patient with the conditions; the last entry that applies wins.
func (p *Protocol) Need(class string, has func(condition string) bool) chart.Territory {
	var need chart.Territory
	for _, c := range p.Covers {
		if (c.Class == "" || c.Class == class) && (c.If == "" || has(c.If)) {
			need = c.Needs
		}
	}
	return need
}
