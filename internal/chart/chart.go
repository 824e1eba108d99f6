// Package chart holds what is known about one patient: facts, each with the
// reference and version of the resource that said it.
//
// Sources deliver Statements, one for each version of a resource. Assemble
// turns all statements about one patient into a Chart: of two versions of a
// resource the newer counts, a retraction takes back what was said, resources
// about the same imaging study become one study, and reports, findings and
// devices are tied to what they are about. The order in which statements
// arrive does not matter, unless nothing else tells two versions apart.
//
// A Chart is timeless: facts dated in the future are in it, and the engine
// (package surveil) leaves out what does not exist yet on its as-of date. A
// chart holds no opinion: which operations make an implant and which study
// serves which visit is decided there.
package chart

import "perennial/internal/day"

// Source names the resource that said a fact: its reference ("Type/id"), its
// version, and the minute of the day of its event where a time was sent.
type Source struct {
	Ref     string
	Version string
}

// Chart is what is known about one patient. All lists are sorted by date,
// then by reference, so that equal knowledge gives equal charts.
type Chart struct {
	Patient     string   // id of the surviving record, without the type
	Others      []string // ids of records merged into it
	Identifiers []string // "system|value", sorted
	Name        string
	Born        day.Span
	Sex         string // male, female, other, unknown or empty, as FHIR writes it
	Phone       string
	Dead        Death
	Test        bool // every record of the patient is labelled as made for tests
	Restricted  bool // some record of the patient is labelled as confidential beyond the usual
	Operations  []Operation
	Studies     []Study
	Reports     []Report
	Findings    []Finding
	Bookings    []Booking
	Contacts    []Contact
	Attempts    []Attempt
	Devices     []Device
	Histories   []History
	Conditions  []Condition
	Labs        []Lab
	Enrolments  []Enrolment
	Allergies   []Allergy
	Medicines   []Medicine
	Doses       []Dose
	WorkStates  []WorkState
	Rulings     []Ruling
	Doubts      []Doubt
}

// Death is what is recorded of the patient's death: a date, a partial date,
// or no more than that it happened.
type Death struct {
	Known  bool
	On     day.Span // unknown where only "deceased: true" was sent
	Source Source
}

// Role says what an operation means for an implant.
type Role string

// Roles of operations.
const (
	RoleImplant   Role = "implant"   // places an implant: starts surveillance
	RoleRelining  Role = "relining"  // adds or relines a graft in place: starts a new clock
	RoleOcclusion Role = "occlusion" // coils or embolisation: one added check
	RoleExplant   Role = "explant"   // removal or open conversion: ends the implant
	RoleOther     Role = "other"     // any other operation: the patient was seen
)

// Operation is a completed procedure on the patient.
type Operation struct {
	Source
	On        day.Span
	Minute    int // of the day; day.NoMinute where no time was sent
	Role      Role
	Class     string // implant class (evar, tevar, …); empty where the role has none or it is not known
	Zone      string // the place that the implant occupies: operations in one zone are about one implant
	Sided     bool   // the zone has a left and a right
	Side      string // left, right, bilateral or empty
	Devices   []string
	Doubtful  string // why a person must look: "no graft was left in place"; empty where nothing is odd
	How       string // the rule that recognised it
	Performer string
}

// History says that the patient has an implant, without an operation that
// placed it: a history-of record or a device that no procedure explains.
type History struct {
	Source
	Class string
	Zone  string
	Side  string
}

// Device is a part of an implant.
type Device struct {
	Source
	Class        string // the implant class that it belongs to; empty where not known
	Zone         string
	IsImplant    bool // an endovascular implant, by the code book
	UDI          string
	Lot, Serial  string
	Name         string
	Made, Expiry day.Span
	MR           string // MR safety by its label: safe, conditional, unsafe, unstated (the label says nothing); empty where not sent
	Issuer       string // of the UDI: gs1, hibcc, iccbba
	Part         string // of the cluster, by its name, for people: main body, limb left; empty where the name tells none
	Parent       string // reference of the device that it is part of
	Odd          string // what is odd about the label
}

// ExpiredBefore says whether it had expired before an operation, on every day on
// which that may have been.
func (d *Device) ExpiredBefore(op day.Span) bool {
	return d.Expiry.Known() && op.Known() && d.Expiry.Last < op.First
}

// StudyState is what a statement says of a study's existence.
type StudyState uint8

// States of a study.
const (
	StudyAvailable StudyState = iota // images exist: it counts
	StudyOrdered                     // registered: no images yet
	StudyRetracted                   // cancelled or entered in error
)

// Study is one imaging event.
type Study struct {
	Source
	On            day.Span
	Minute        int // of the day; day.NoMinute where no time was sent
	Kind          Kind
	Covers        Territory
	State         StudyState
	NonImage      bool   // reports, structured reports and key objects only
	NeverCounts   bool   // a coronary CT, a pulmonary CTA, a CT of the head
	Unrecognised  bool   // no rule knew what it is
	ReportOnly    bool   // known from a report, a document or a procedure without images
	Accepted      bool   // report-only, and the site accepts these
	How           string // the rule that decided the kind
	UID           string // study instance UID without urn:oid:
	Accession     string // "source|number": never compared across sources
	Orders        []string
	Also          []string // references of other resources about the same study
	Said          string   // short description, for questions to people
	Updated       int64    // receipt, milliseconds since 1970, zero where unknown
	CodedSeparate bool     // the kind came from a code, not from text
	Modality      string   // ct, mr, ultrasound, angiogram or radiograph, as the images say, where no code of its own tells the kind
}

// ReportState is how far a report has come.
type ReportState uint8

// States of a report.
const (
	ReportPreliminary ReportState = iota // registered, partial or preliminary
	ReportFinal                          // final, amended, corrected or appended: closes the result loop
	ReportGone                           // cancelled or entered in error
)

// Report is a radiology report.
type Report struct {
	Source
	Studies   []string // references of the studies that it is about
	Results   []string // references of the observations that it carries
	Orders    []string
	Accession string
	On        day.Span // the examination
	Issued    day.Span // the signature; On where not sent
	State     ReportState
	Amended   bool
	Kind      Kind
	Covers    Territory
	Imaging   bool // it reports vascular or other imaging by its code or category
	How       string
}

// Finding is what a coded observation, a coded conclusion or a person says
// about an implant.
type Finding struct {
	Source
	What   string    // endoleak, sac-diameter, migration, branch-patency, fracture, separation, kink, infection, rupture, false-lumen
	Type   string    // of an endoleak: Ia … V, unknown, none; of others: present, absent, patent, occluded, stenosed …
	Tenths int       // of a millimetre, for diameters and distances
	Has    bool      // a value in Tenths was sent
	Method string    // of a diameter; different methods are never compared
	Study  string    // reference of the study it was seen on; empty where not known
	Covers Territory // what that study shows, also where it was retracted
	Report string    // reference of the report that carries it
	On     day.Span

	Site     string // the place that was measured, in the sender's words; empty where not sent
	Observer string // who measured; empty where not sent
	// Confirmed is the id of the ruling by which a person said it; the engine
	// fills it in.
	Confirmed string
}

// Booking is an appointment for imaging.
type Booking struct {
	Source
	On      day.Day
	State   BookingState
	Imaging bool // told by its order, service type, reason or description
	Orders  []string
	Kind    Kind
	Covers  Territory
	How     string
}

// BookingState is where an appointment stands.
type BookingState uint8

// States of an appointment.
const (
	BookingComing BookingState = iota // proposed, pending, booked, arrived, checked-in
	BookingKept                       // arrived, checked-in or fulfilled: the patient was seen
	BookingMissed                     // no-show
	BookingOff                        // cancelled, entered in error, waitlist
)

// Contact shows that the patient was alive and in touch on a day: an
// encounter, a kept appointment, an answered call.
type Contact struct {
	Source
	On   day.Span
	What string // encounter, appointment, answer
}

// Attempt is one try to reach the patient.
type Attempt struct {
	Source
	On       day.Span
	Channel  string   // phone, letter, email, message, visit or other
	Outcome  string   // reached, message-left, no-answer, wrong-number, returned-mail, declined, moved, or empty
	Answered day.Span // when an answer came; unknown where none did
}

// Condition is a diagnosis that changes what must be imaged.
type Condition struct {
	Source
	What string // dissection
	On   day.Span
}

// Lab is a laboratory value. Creatinine is in mg/dL, eGFR in
// mL/min/1.73 m2; Value is in ten-thousandths of the unit.
type Lab struct {
	Source
	What     string // creatinine or egfr
	Value    int64
	On       day.Span
	Equation string // of an eGFR, where its code tells: ckd-epi-2021, ckd-epi-2009, mdrd
}

// Enrolment is a patient's part in a device study.
type Enrolment struct {
	Source
	Study  string
	Status string
	From   day.Span
	To     day.Span
}

// Allergy is an allergy to contrast medium.
type Allergy struct {
	Source
	Severe bool
	On     day.Span
	Agent  string // iodinated or gadolinium; empty where it is not told
	Over   bool   // no longer active: resolved or inactive
}

// Medicine is a medicine that matters beside contrast medium: metformin.
type Medicine struct {
	Source
	What string   // metformin
	On   day.Span // since when, or when it was said
	To   day.Span // the end; unknown where none was sent
	Over bool     // stopped, completed or never taken
}

// Dose is the dose-length product of a CT.
type Dose struct {
	Source
	Study  string // reference of the study; empty where not known
	Tenths int64  // of a mGy·cm
	Total  bool   // of the whole study; else of one acquisition in it
	On     day.Span
}

// WorkState is what a person has done with one of our work items.
type WorkState struct {
	Source
	Key    string // of the work item
	Status string // FHIR Task status
	Person bool   // a person set it
	On     day.Span
	// What people wrote on it, in their own system; what this program writes there is left out.
	Owner    string // who has taken it
	Business string // where it stands, in their words
	Why      string // of the status
	Notes    []string
}

// Doubt is a question that reading the resources raised.
type Doubt struct {
	Kind  string // identity, unreadable, partial-date, finding-text, study-kind, other …
	About string // reference of the resource
	Text  string
	On    day.Span // when it arose; unknown where no date is known
}
