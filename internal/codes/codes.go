// Package codes is the code book: what a coded concept means here. Which
// procedures place which implant, which studies are which examination of which
// part of the body, which observations are findings.
//
// The book is data: the YAML files shipped in config/codes and a site's own
// map, in the same form. Load checks all of it and reports every problem at
// once; after that a Book never changes, looks nothing up elsewhere, and may be
// used from many goroutines.
//
// # What decides
//
// A concept comes as codings (system, code, display) and a text. In this order:
//
//  1. a code of the site's map: it overrides the shipped book;
//  2. a shipped (system, code). A system may be written in any of its known
//     ways (URI, OID, versioned URI, table name);
//  3. a code without a system. Only where its form and check digit are
//     unmistakable (LOINC, long SNOMED CT, ICD-10-PCS codes), marked weak: a
//     bare 71275 may be anything and is asked about, unless the site's map has
//     it. A code under a system that the book does not know never matches;
//  4. a pattern on text: the site's, then the shipped ones that are switched
//     on. Always weak.
//
// What decided comes back as a Rule and is kept with the fact. Where several
// codings of one concept disagree the more cautious reading is taken (a study
// shows less, an operation may be an implant) and Rule.Clash says so.
//
// A concept that no rule knows gives false: the caller asks, it never drops.
package codes

import "strings"

// Coding is a FHIR Coding as sent; each field may be empty.
type Coding struct{ System, Code, Text string }

// Rule says what decided.
type Rule struct {
	How   string // e.g. "code loinc 36141-0", "site code CTABDA", "site pattern 3 on text"
	Weak  bool   // text, or a code without a system: not to be relied on alone
	Site  bool   // the site's own map decided
	Clash string // other codings of the same concept say otherwise; empty where none does
}

// Class is a class of implant.
type Class string

// The classes of implants.
const (
	EVAR         Class = "evar"                 // stent graft of the abdominal aorta and the iliac arteries
	TEVAR        Class = "tevar"                // stent graft of the descending thoracic aorta
	ArchBranch   Class = "arch-branch"          // branched stent graft of the aortic arch
	Fenestrated  Class = "fenestrated-branched" // stent graft with openings or branches for visceral arteries
	IliacBranch  Class = "iliac-branch"         // branched stent graft of an iliac bifurcation
	OpenRepair   Class = "open-repair"          // sutured aortic graft
	CarotidStent Class = "carotid-stent"
	VeinBypass   Class = "vein-bypass"       // leg bypass with the patient's vein
	Prosthetic   Class = "prosthetic-bypass" // bypass with a man-made graft
	AortoIliac   Class = "aorto-iliac-stent"
	Femoropop    Class = "femoropopliteal-stent"
	RenalStent   Class = "renal-stent"
	Mesenteric   Class = "mesenteric-stent"
	Filter       Class = "filter"  // vena cava filter
	ClassUnknown Class = "unknown" // an implant of which the code does not tell the class: a question
)

// Classes lists every class, ClassUnknown last.
func Classes() []Class {
	return []Class{EVAR, TEVAR, ArchBranch, Fenestrated, IliacBranch, OpenRepair, CarotidStent, VeinBypass,
		Prosthetic, AortoIliac, Femoropop, RenalStent, Mesenteric, Filter, ClassUnknown}
}

// Zone is the place that an implant occupies. Operations in one zone (and on
// one side, where the zone has sides) are about one implant. It is not what
// imaging of the implant must show: that is a Territory, named by protocols.
type Zone string

// The zones.
const (
	ZoneAbdominal Zone = "abdominal-aorta"
	ZoneThoracic  Zone = "thoracic-aorta"
	ZoneArch      Zone = "aortic-arch"
	ZoneIliac     Zone = "iliac"    // sided
	ZoneCarotid   Zone = "carotid"  // sided
	ZoneLeg       Zone = "leg"      // sided
	ZoneRenal     Zone = "renal"    // sided
	ZoneVisceral  Zone = "visceral" // celiac and mesenteric arteries
	ZoneCava      Zone = "vena-cava"
)

// Zones lists every zone.
func Zones() []Zone {
	return []Zone{ZoneAbdominal, ZoneThoracic, ZoneArch, ZoneIliac, ZoneCarotid, ZoneLeg, ZoneRenal, ZoneVisceral, ZoneCava}
}

// Sided says whether the zone exists on the left and on the right.
func (z Zone) Sided() bool {
	return z == ZoneIliac || z == ZoneCarotid || z == ZoneLeg || z == ZoneRenal
}

// Zone is the place that implants of the class occupy where an entry says
// nothing else; empty for ClassUnknown.
func (c Class) Zone() Zone {
	switch c {
	case EVAR, Fenestrated, OpenRepair:
		return ZoneAbdominal
	case TEVAR:
		return ZoneThoracic
	case ArchBranch:
		return ZoneArch
	case IliacBranch, AortoIliac:
		return ZoneIliac
	case CarotidStent:
		return ZoneCarotid
	case VeinBypass, Prosthetic, Femoropop:
		return ZoneLeg
	case RenalStent:
		return ZoneRenal
	case Mesenteric:
		return ZoneVisceral
	case Filter:
		return ZoneCava
	}
	return ""
}

// Side is the side of the body: left, right, bilateral, or empty where unknown.
type Side string

// The sides.
const (
	Left      Side = "left"
	Right     Side = "right"
	Bilateral Side = "bilateral"
)

// Role is what an operation means for an implant.
type Role string

// The roles of operations.
const (
	RoleImplant   Role = "implant"     // places an implant: may start surveillance
	RoleRelining  Role = "relining"    // adds or relines a graft in place; within the cluster of an index operation it is part of that
	RoleExplant   Role = "explant"     // removal or open conversion; Class is what was put in instead, if anything
	RoleOcclusion Role = "occlusion"   // coils or embolisation
	RoleHistory   Role = "history"     // status post: there is an implant, its date is not told
	RoleImaging   Role = "imaging"     // imaging recorded as a Procedure: ask Imaging what it is
	RoleAdjunct   Role = "adjunct"     // belongs to an implant operation and means nothing for the schedule
	RoleNone      Role = "not-implant" // another operation: nothing is left in place that we follow
)

// Roles lists every role.
func Roles() []Role {
	return []Role{RoleImplant, RoleRelining, RoleExplant, RoleOcclusion, RoleHistory, RoleImaging, RoleAdjunct, RoleNone}
}

// Operation is what a Procedure code means.
type Operation struct {
	Role  Role
	Class Class  // empty where the role has none
	Zone  Zone   // empty where the code does not tell
	Side  Side   // where the code tells it
	Ask   string // what a person must be asked; empty where the code is clear
}

// Device is what a Device type means.
type Device struct {
	Role  Role   // RoleImplant, RoleOcclusion or RoleNone
	Class Class  // ClassUnknown where the type does not tell
	Zone  Zone   // empty where the type does not tell
	Ask   string // what a person must be asked
}

// Finding is what a coded observation or conclusion says.
type Finding struct {
	What    What
	Leak    Leak      // of an endoleak, where the code itself tells the type
	Measure string    // of a diameter: which one; different ones are never compared
	Answer  Answer    // where the code itself says present, occluded, …
	Where   Territory // where the code tells it; zero: not told
	Ask     string    // what a person must be asked
}

// What is the kind of a finding.
type What string

// The findings.
const (
	Endoleak       What = "endoleak"
	SacDiameter    What = "sac-diameter" // largest diameter of the sac or the aorta
	Migration      What = "migration"
	BranchPatency  What = "branch-patency"
	Fracture       What = "fracture"
	Separation     What = "separation"
	Kink           What = "kink"
	Infection      What = "infection"
	Rupture        What = "rupture"
	FalseLumen     What = "false-lumen"
	Dissection     What = "dissection"       // a diagnosis that widens what must be imaged
	ContrastAllerg What = "contrast-allergy" // of an AllergyIntolerance
	Context        What = "context"          // a diagnosis that changes nothing
)

// Whats lists every kind of finding.
func Whats() []What {
	return []What{Endoleak, SacDiameter, Migration, BranchPatency, Fracture, Separation, Kink, Infection, Rupture,
		FalseLumen, Dissection, ContrastAllerg, Context}
}

// Answer is a coded or plainly worded value of a finding.
type Answer string

// The answers.
const (
	Present  Answer = "present"
	Absent   Answer = "absent"
	Patent   Answer = "patent"
	Occluded Answer = "occluded"
	Stenosed Answer = "stenosed"
)

// Answers lists every answer.
func Answers() []Answer { return []Answer{Present, Absent, Patent, Occluded, Stenosed} }

// Lab is what a laboratory code measures.
type Lab struct {
	What     string // creatinine, egfr; dlp (a CT study) or dlp-part (one acquisition of it)
	Unit     string // the UCUM unit in which the code reports: mg/dL, umol/L, mL/min/{1.73_m2}, mGy.cm
	Equation string // of an eGFR: ckd-epi-2021, ckd-epi-2009, mdrd; empty where not told
}

// Site is what a body site shows or holds. It is weak evidence: it may add a
// territory to a study, never take one away.
type Site struct {
	Covers Territory // of a study that names it; zero: it tells no region
	Zone   Zone      // of an operation that names it; empty: it tells none
	Side   Side
}

// Service is what an appointment or order service is for.
type Service struct {
	Imaging bool    // it is for imaging
	Study   Imaging // which, where the code tells; Kind is KindUnknown where it does not
}

// Channel is the way of a contact with the patient.
type Channel string

// The channels. A letter by any post is one channel: two names for it would
// make a patient lost on fewer real ways of trying.
const (
	Phone   Channel = "phone"
	Letter  Channel = "letter"
	Email   Channel = "email"
	Message Channel = "message" // text message or portal
	Visit   Channel = "visit"   // in person or by video
)

// Channels lists every channel.
func Channels() []Channel { return []Channel{Phone, Letter, Email, Message, Visit} }

// names turns a list of string words into plain strings.
func names[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}

// squash lowers the case of a short text and makes every run of other signs
// than letters and digits one space.
func squash(text string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9')
	}), " ")
}
