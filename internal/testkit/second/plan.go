package second

// Plan is what comes out for one patient: the keys of the assess contract, in
// its order, without texts, reasons, identifiers and devices. A patient
// without an implant has a plan without implants, which is not printed.
type Plan struct {
	Patient      string         `json:"patient"`
	Surveillance string         `json:"surveillance,omitempty"`
	Ended        string         `json:"ended,omitempty"`
	FollowUp     string         `json:"followUp,omitempty"`
	ImagingGap   *bool          `json:"imagingGap,omitempty"`
	LastSeen     string         `json:"lastSeen,omitempty"`
	Wake         string         `json:"wake,omitempty"`
	Implants     []ImplantPlan  `json:"implants"`
	Work         []WorkItem     `json:"work,omitempty"`
	Scans        []ScanPlan     `json:"scans,omitempty"`
	Undivided    bool           `json:"undivided,omitempty"` // too many visits to try every division into scan days
	Questions    []QuestionItem `json:"questions,omitempty"`
}

// ImplantPlan is one implant.
type ImplantPlan struct {
	ID       string      `json:"id"`
	Class    string      `json:"class,omitempty"`
	Index    string      `json:"index,omitempty"`
	IndexTo  string      `json:"indexTo,omitempty"`
	Clock    string      `json:"clock,omitempty"`
	ClockTo  string      `json:"clockTo,omitempty"`
	Protocol string      `json:"protocol,omitempty"`
	Visits   []VisitPlan `json:"visits,omitempty"`
	Next     *NextPlan   `json:"next,omitempty"`
}

// VisitPlan is one visit. ClockNumber is not printed; it is part of its key.
type VisitPlan struct {
	ClockNumber int          `json:"-"`
	Step        string       `json:"step"`
	N           int          `json:"n"`
	Target      string       `json:"target"`
	TargetTo    string       `json:"targetTo,omitempty"`
	Opens       string       `json:"opens"`
	OpensTo     string       `json:"opensTo,omitempty"`
	Closes      string       `json:"closes"`
	ClosesTo    string       `json:"closesTo,omitempty"`
	Standing    string       `json:"standing"`
	Timing      string       `json:"timing,omitempty"`
	Study       string       `json:"study,omitempty"`
	StudyDate   string       `json:"studyDate,omitempty"`
	StudyDateTo string       `json:"studyDateTo,omitempty"`
	Result      string       `json:"result,omitempty"`
	Booking     *BookingPlan `json:"booking,omitempty"`
}

// BookingPlan is the appointment shown with a visit.
type BookingPlan struct {
	Appointment string `json:"appointment"`
	Date        string `json:"date"`
	InWindow    bool   `json:"inWindow"`
}

// NextPlan is the implant's next visit.
type NextPlan struct {
	Step     string `json:"step"`
	Target   string `json:"target"`
	TargetTo string `json:"targetTo,omitempty"`
	Opens    string `json:"opens"`
	OpensTo  string `json:"opensTo,omitempty"`
	Closes   string `json:"closes"`
	ClosesTo string `json:"closesTo,omitempty"`
}

// WorkItem is one piece of work. Implant, Clock, Step, N and About are the
// parts of its key: those that do not apply are empty. Step of answer-question
// is the kind of the question.
type WorkItem struct {
	Kind    string `json:"kind"`
	Implant string `json:"implant,omitempty"`
	Clock   int    `json:"clock,omitempty"`
	Step    string `json:"step,omitempty"`
	N       int    `json:"n,omitempty"`
	About   string `json:"about,omitempty"`
	Urgency string `json:"urgency"`
	From    string `json:"from,omitempty"`
	By      string `json:"by,omitempty"`
}

// QuestionItem is one open question.
type QuestionItem struct {
	Kind  string `json:"kind"`
	About string `json:"about"`
}
