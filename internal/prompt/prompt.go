// Package prompt says what to think of beside a CT angiogram that is due: the
// kidneys, an allergy to contrast medium, metformin, the dose so far, the MR
// labels of what is implanted.
//
// Every prompt names its source and the records that it rests on. A prompt
// decides nothing: no visit, work item, date or urgency hangs on one. Where two
// sources differ both are said, each by itself.
package prompt

import (
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// Kind is what a prompt is about.
type Kind string

// Kinds of prompts.
const (
	Kidney    Kind = "kidneys"
	Allergy   Kind = "contrast allergy"
	Metformin Kind = "metformin"
	Radiation Kind = "radiation"
	Magnet    Kind = "MR labels"
)

// Level says how a prompt wants to be read.
type Level string

// Levels.
const (
	Flag    Level = "look"      // a limit is passed
	Note    Level = "note"      // worth a thought
	Unknown Level = "not known" // a fact is missing or too old
	Fine    Level = "fine"      // nothing to do by this source
)

// Prompt is one thing to think of.
type Prompt struct {
	Kind     Kind
	Level    Level
	Text     string
	Source   string
	Evidence string   // FOUND, MEM-H …, as in a protocol
	Facts    []string // references of the records
	On       day.Span // of the newest of them; unknown where there is none
}

// Age is how many days before a day the newest fact is; false where it has no
// date.
func (p *Prompt) Age(asOf day.Day) (int, bool) {
	return int(asOf - p.On.First), p.On.Known()
}

// maker makes the prompts of one patient.
type maker struct {
	c    *chart.Chart
	plan *surveil.Plan
	set  *surveil.Settings
	asOf day.Day
	list []Prompt
}

// For lists the prompts of a patient as of the day of the plan. Facts dated
// later do not exist.
func For(c *chart.Chart, p *surveil.Plan, set *surveil.Settings) []Prompt {
	m := maker{c: c, plan: p, set: set, asOf: p.AsOf}
	rate := m.kidneys()
	m.allergies()
	m.metformin(rate)
	m.radiation()
	m.magnets()
	return m.list
}

func (m *maker) put(p Prompt) { m.list = append(m.list, p) }

// there says whether something dated so exists on the day. What has no date
// exists.
func (m *maker) there(on day.Span) bool { return !on.Known() || on.First <= m.asOf }

// Beside lists the visits beside which prompts stand: owed now or soon, and a
// CT with contrast medium is a way to do them.
func Beside(p *surveil.Plan, lead int) []*surveil.Visit {
	var list []*surveil.Visit
	for i := range p.Implants {
		if p.Surveillance == surveil.StateEnded || p.Implants[i].Ended != "" {
			continue
		}
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; near(v, p.AsOf, lead) && angiogram(v) {
				list = append(list, v)
			}
		}
	}
	return list
}

func near(v *surveil.Visit, asOf day.Day, lead int) bool {
	switch v.Standing {
	case surveil.Open, surveil.Overdue, surveil.Booked:
		return true
	case surveil.Upcoming:
		return v.Target.First.Plus(-lead) <= asOf
	}
	return false
}

func angiogram(v *surveil.Visit) bool {
	for _, k := range v.Kinds {
		if k == chart.CTAngiogram || k == chart.CTContrast {
			return true
		}
	}
	return false
}
