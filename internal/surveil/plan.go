// Package surveil decides, from a patient's chart, the protocols and a day,
// which surveillance visits are owed, where each stands, what work follows,
// and why. It is one total function, Evaluate: the same chart, rules and day
// give the same plan to the byte. No input makes it fail; what it cannot
// decide it says with a question, and where two readings are possible it
// leaves the visit owed.
package surveil

import (
	"perennial/internal/chart"
	"perennial/internal/day"
)

// Plan is what surveillance of one patient looks like on one day.
type Plan struct {
	Patient      string
	AsOf         day.Day
	Identifiers  []string
	Surveillance State
	Ended        End       // only beside StateEnded
	EndedOn      day.Day   // the day surveillance ended
	PausedUntil  day.Day   // only beside StatePaused; zero: until further notice
	FollowUp     Rung      // only while active
	RungSince    day.Day   // the day the rung presumed-lost or lost was reached
	ImagingGap   bool      // only while active
	LastSeen     day.Day   // zero where nothing shows it
	LastImaging  day.Day   // the latest qualifying imaging of any implant; zero: none
	Wake         day.Day   // the next day on which time alone changes the plan; zero: never
	Implants     []Implant // by index date, then id
	Work         []Work    // by key
	Scans        []Scan    // days of imaging that serve several visits
	Questions    []Question
	Notes        []Reason // what holds for the whole patient: before our records
	Reports      []Report // by study, then implant
}

// State says whether a patient is under surveillance. Every patient with an
// implant is in exactly one state.
type State string

// States of surveillance.
const (
	StateActive     State = "active"
	StatePaused     State = "paused"
	StateEnded      State = "ended"
	StateUnresolved State = "unresolved"
)

// End says why surveillance of a patient, or of an implant, ended.
type End string

// Ends.
const (
	EndDied        End = "died"
	EndStopped     End = "stopped"
	EndExplanted   End = "explanted"
	EndTransferred End = "transferred"
	EndCompleted   End = "completed"
)

// Rung is a patient's place on the follow-up ladder.
type Rung string

// Rungs.
const (
	RungCurrent      Rung = "current"
	RungOverdue      Rung = "overdue"
	RungPresumedLost Rung = "presumed-lost"
	RungLost         Rung = "lost"
)

// Implant is one implant with its schedule.
type Implant struct {
	ID        string   // reference of the earliest operation of its cluster
	Class     string   // the newest class; empty where not known
	Index     day.Span // the index date; unknown where none is recorded
	Clock     day.Span // start of the present clock where a re-intervention started one
	Clocks    int      // number of clocks, 1 where no re-intervention started one
	Zone      string
	Side      string
	Protocol  string // "id@version"; empty where no protocol names the class
	Chosen    string // why this protocol: device study, ruling, device labelling, site, default, command line
	Draft     bool   // the protocol is a draft
	Devices   []chart.Device
	Ended     End
	EndedOn   day.Day
	Visits    []Visit // by clock, then target, then step
	Next      int     // index in Visits of the earliest visit neither done, missed, excused nor undecided; -1: none
	Performer string
	Why       []Reason // what made this implant, clock and end, and chose its protocol
}

// Standing is where a visit stands. An undecided visit never leaves the
// engine without a reason and a question.
type Standing string

// Standings of a visit.
const (
	Undecided Standing = "undecided"
	Done      Standing = "done"
	Excused   Standing = "excused"
	Missed    Standing = "missed"
	Overdue   Standing = "overdue"
	Booked    Standing = "booked"
	Open      Standing = "open"
	Upcoming  Standing = "upcoming"
)

// Visit is one visit of an implant's schedule.
type Visit struct {
	Implant   string // id
	Clock     int    // ordinal of the clock, from 1
	Series    string
	Step      string // m1, y2, aorta5, check1
	N         int    // place in its series, from 1
	Target    day.Span
	Opens     day.Span
	Closes    day.Span
	LastDay   day.Day // last day on which a study still counts for it; zero: no end
	Standing  Standing
	Timing    string // on-time or late, of a visit that is done
	Study     string // reference of the study that satisfied it
	StudyDate day.Span
	Result    string // awaited, reported or reviewed, of a visit that is done
	Booking   *VisitBooking
	Excuse    string // why it stopped being owed: died, explanted, …
	Added     bool   // a trigger made it
	Contrast  bool   // some way to satisfy it uses contrast medium
	Kinds     []chart.Kind
	Needs     chart.Territory
	Cite      string
	Evidence  string
	Protocol  string
	Why       []Reason
}

// VisitBooking is an appointment shown with a visit.
type VisitBooking struct {
	Appointment string
	Date        day.Day
	InWindow    bool
}

// Reason says why something is as it is: the rule, the facts that it used,
// and the dates and words for its text (see Text). docs/reasons.md lists
// every rule.
type Reason struct {
	Rule  string
	Facts []string // references of resources or ids of rulings
	Cite  string
	From  day.Span
	To    day.Span
	Days  int // a day count in the text; it never decides whether two plans are the same
	Word  string
}

// Work is one work item that should exist now.
type Work struct {
	Key     string // patient, implant, clock, step, number, kind: never a date
	Kind    string
	Urgency string
	From    day.Day
	By      day.Day
	Implant string  // id; empty for a patient's work
	Visit   string  // key of the visit; empty where it is about none
	About   string  // reference of the study, report or question
	Snoozed day.Day // a person hid it until this day; zero: it shows
	Why     []Reason
}

// Kinds of work.
const (
	WorkArrange  = "arrange-imaging"
	WorkChase    = "chase-overdue"
	WorkTrace    = "trace-patient"
	WorkObtain   = "obtain-outside-study"
	WorkReport   = "chase-report"
	WorkReview   = "review-finding"
	WorkKidney   = "check-kidney"
	WorkQuestion = "answer-question"
)

// Question is something that only a person can answer.
type Question struct {
	Key   string
	Kind  string // index-date, implant-class, study-kind, study-acceptance, study-early, partial-date, finding-text, identity, unreadable, death-date, other
	About string // reference of the resource in question
	Since day.Day
	Hides bool   // a visit is owed or left open because of it
	Visit string // key of the visit that it is about
	Why   Reason
}

// Key is the visit's key: implant and step, with the ordinal of the clock
// where it is not the first: "Procedure/x/y2", "Procedure/x/2/m1".
func (v *Visit) Key() string { return visitKey(v.Implant, v.Clock, v.Step) }
