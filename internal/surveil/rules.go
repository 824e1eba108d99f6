package surveil

import (
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// Rules are the protocols and numbers that a site works by.
type Rules struct {
	// Care gives the care protocols of a class over time, the latest last; a
	// visit is judged by the version in force on its target date.
	Care map[string][]InForce
	// All are all known protocols by id, for rulings that choose one.
	All      map[string]*protocol.Protocol
	Settings Settings
	Studies  []Study
	// What goes before the site's protocols; of several the first is the strongest.
	StudyCare []StudyCare
	Labels    []Label
}

// InForce is a protocol and the day from which the site uses it (zero: from
// the beginning), with who or what chose it.
type InForce struct {
	Protocol *protocol.Protocol
	From     day.Day
	Chosen   string // "site", "default", "command line"; of an implant also "device study", "ruling", "device labelling"

	why *Reason // why it holds for this patient; nil: for everybody
}

// Settings are the numbers of the specification that a site may change.
type Settings struct {
	LeadDays        int     // before the target, for arrange-imaging (60)
	AsapDays        int     // before the close, when arrange-imaging becomes asap (30)
	LostAfterDays   int     // after the close of a missed or overdue visit: presumed lost (180)
	LostAttempts    int     // documented attempts without an answer: lost (3)
	LostChannels    int     // different channels among them (2)
	ReportDays      int     // a study without a final report: chase it (14)
	ReportAsapDays  int     // … and asap (30)
	ReviewDays      int     // to read a report (14)
	QuestionDays    int     // to answer a question (14)
	TraceDays       int     // to trace a patient (30)
	ClusterDays     int     // between operations of one implant (3)
	DeathDays       int     // after a recorded death, when a sign of life contradicts it (2)
	PairDays        int     // unused where a protocol says its own
	FeedStaleDays   int     // after completeTo, when silence stops counting (3)
	KidneyDays      int     // age limit of a creatinine (90)
	KidneyLongDays  int     // … where the last eGFR was 60 or more (365)
	KidneyThreshold int     // eGFR below which contrast is looked at (30)
	AcceptReports   bool    // studies on report only count without a person
	RecordsFrom     day.Day // visits whose last day lies before it are undecided
	Start           day.Day // reports from this day on are work; zero: all
	CompleteTo      day.Day // every source was read to this day; zero: to the as-of date
}

// Defaults are the numbers of the specification.
func Defaults() Settings {
	return Settings{LeadDays: 60, AsapDays: 30, LostAfterDays: 180, LostAttempts: 3, LostChannels: 2, ReportDays: 14, ReportAsapDays: 30,
		ReviewDays: 14, QuestionDays: 14, TraceDays: 30, ClusterDays: 3, DeathDays: 2, FeedStaleDays: 3, KidneyDays: 90, KidneyLongDays: 365, KidneyThreshold: 30}
}

// DefaultCare names the protocol of each class where the site says nothing.
func DefaultCare(class string) string {
	switch class {
	case "evar", "iliac-branch":
		return "svs-aaa-2018"
	case "tevar":
		return "svs-tevar-2021"
	case "arch-branch", "fenestrated-branched":
		return "label-1-6-12"
	case "open-repair":
		return "accaha-2022-open"
	case "filter":
		return "fda-2014-filter"
	}
	return "svs-fu-2018"
}

// CareFrom builds the care protocols of every class from the loaded
// protocols: the given ones first, each for the classes that it names, the
// defaults for the rest.
func CareFrom(all map[string]*protocol.Protocol, given []InForce) map[string][]InForce {
	care := map[string][]InForce{}
	for _, g := range given {
		for _, class := range g.Protocol.Classes {
			care[class] = append(care[class], g)
		}
	}
	for _, p := range all {
		for _, class := range p.Classes {
			if d := all[DefaultCare(class)]; len(care[class]) == 0 && d != nil && d.For(class) {
				care[class] = []InForce{{Protocol: d, Chosen: "default"}}
			}
		}
	}
	return care
}
