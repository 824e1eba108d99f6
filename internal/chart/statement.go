package chart

// Statement is what one version of one resource says. Exactly one of the
// parts is set, except that a report carries its findings, an operation its
// contained devices, and a retraction nothing.
type Statement struct {
	Ref     string // "Type/id"
	Patient string // key of the patient it is about, as intake resolved it
	Version string // meta.versionId
	Updated int64  // meta.lastUpdated, milliseconds since 1970; zero where unknown
	Seq     int64  // place in the input, the last resort between versions

	Retracted  bool   // entered in error: takes back what earlier versions said
	Unreadable string // why this version cannot be trusted; an older readable one stays in force

	Person    *Person
	Operation *Operation
	Study     *Study
	Report    *Report
	Booking   *Booking
	Contact   *Contact
	Attempt   *Attempt
	Device    *Device
	History   *History
	Condition *Condition
	Lab       *Lab
	Enrolment *Enrolment
	Allergy   *Allergy
	Medicine  *Medicine
	Doses     []Dose
	WorkState *WorkState
	Order     *Order
	Findings  []Finding
	Parts     []Device // devices contained in an operation
	Doubts    []Doubt
}

// Person is what a Patient resource says.
type Person struct {
	ID          string
	Identifiers []string
	Name        string
	Born        string
	Sex         string
	Phone       string
	Dead        Death
	ReplacedBy  []string // ids of records that replace this one
	Replaces    []string
	Inactive    bool
	Test        bool // labelled as made for tests
	Restricted  bool // labelled as confidential beyond the usual
}

// Order is a request for imaging: it can tell what a study or a booking is.
type Order struct {
	Source
	Kind         Kind
	Covers       Territory
	NeverCounts  bool
	Unrecognised bool
	How          string
	Off          bool // revoked or entered in error
}
