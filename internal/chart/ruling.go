package chart

import "perennial/internal/day"

// RulingKind is what a person decided.
type RulingKind string

// Kinds of rulings.
const (
	RuleAccept    RulingKind = "accept"     // a study for a visit, or for any visit that it fits
	RuleRefuse    RulingKind = "refuse"     // a study as inadequate, for a visit or for all
	RuleReviewed  RulingKind = "reviewed"   // a report, a study or a finding has been read and acted on
	RulePause     RulingKind = "pause"      // surveillance until a date
	RuleStop      RulingKind = "stop"       // for palliative care, for good
	RuleTransfer  RulingKind = "transfer"   // care, with documented acceptance
	RuleDecline   RulingKind = "decline"    // this visit, or imaging until further notice
	RuleWithdraw  RulingKind = "withdraw"   // from a study, which ends no care; with the value "care" from surveillance
	RuleStudy     RulingKind = "study"      // the patient takes part in a device study or a registry
	RuleAnswer    RulingKind = "answer"     // a question
	RuleIndex     RulingKind = "index-date" // the date of an index operation
	RuleClass     RulingKind = "class"      // the class of an implant
	RuleProtocol  RulingKind = "protocol"   // another care protocol for this patient
	RuleModality  RulingKind = "modality"   // another kind of imaging agreed, for a visit or from a day on
	RuleInterval  RulingKind = "interval"   // another interval between the repeated visits
	RuleStratum   RulingKind = "stratum"    // the risk stratum, confirmed
	RuleStaged    RulingKind = "staged"     // operations of one plan: the last counts as the index
	RuleConfirm   RulingKind = "confirm"    // a finding, as a person read it
	RuleSnooze    RulingKind = "snooze"     // a work item, hidden until a date
	RuleImplant   RulingKind = "implant"    // an implant added by hand, operated elsewhere
	RuleAttempt   RulingKind = "attempt"    // an outreach attempt
	RuleDied      RulingKind = "died"       // the date of death
	RuleAlive     RulingKind = "alive"      // a recorded death is wrong
	RuleNoImplant RulingKind = "no-implant" // what looked like an implant is none
)

// Ruling is a decision of a person about one patient, as it is stored and
// exported: one JSON object a line. Who, When and Why are always there. A
// ruling is taken back by its id; it then keeps its place and counts no more.
type Ruling struct {
	ID        string     `json:"id"`
	Patient   string     `json:"patient"`
	Kind      RulingKind `json:"kind"`
	About     string     `json:"about,omitempty"`   // reference of a study, report or implant, or the key of a question or work item
	Visit     string     `json:"visit,omitempty"`   // "Procedure/x/y2": implant and step; later clocks "Procedure/x/2/m1"
	On        day.Day    `json:"on,omitempty"`      // from when it holds; the day of When where not given
	Until     day.Day    `json:"until,omitempty"`   // of a pause, a snooze, an agreed modality or interval
	Value     string     `json:"value,omitempty"`   // answer, class, protocol, date as written, modality, interval, stratum, last stage, finding, study
	Class     string     `json:"class,omitempty"`   // of an implant added by hand
	Channel   string     `json:"channel,omitempty"` // of an attempt
	Outcome   string     `json:"outcome,omitempty"` // of an attempt
	Device    string     `json:"device,omitempty"`  // of an implant added by hand, as written
	Who       string     `json:"who"`
	When      string     `json:"when"` // RFC 3339
	Why       string     `json:"why"`
	TakenBack *TakenBack `json:"takenBack,omitempty"`
}

// TakenBack says who took a ruling back, when and why.
type TakenBack struct {
	Who  string `json:"who"`
	When string `json:"when"`
	Why  string `json:"why"`
}

// RulingKinds are all kinds, for messages and checks.
func RulingKinds() []RulingKind {
	return []RulingKind{RuleAccept, RuleRefuse, RuleReviewed, RulePause, RuleStop, RuleTransfer, RuleDecline, RuleWithdraw, RuleStudy, RuleAnswer,
		RuleIndex, RuleClass, RuleProtocol, RuleModality, RuleInterval, RuleStratum, RuleStaged, RuleConfirm, RuleSnooze,
		RuleImplant, RuleAttempt, RuleDied, RuleAlive, RuleNoImplant}
}

// Holds says whether the ruling is in force on a day: begun, and not taken back.
func (r Ruling) Holds(on day.Day) bool { return r.TakenBack == nil && r.From() <= on }

// From is the day from which the ruling holds.
func (r Ruling) From() day.Day {
	if r.On > 0 {
		return r.On
	}
	if s, err := day.ParseDate(r.When[:min(10, len(r.When))]); err == nil {
		return s.First
	}
	return day.Min
}
