package second

// Chart is everything known of one patient, already coded. Dates are texts as
// sent: 2024-03-05, 2024-03, 2024, or nothing. Ids are references such as
// "Procedure/p1".
type Chart struct {
	ID         string // the patient's id, without "Patient/"
	DeadDate   string // date of death, may be partial, "" for none
	DeadTrue   bool   // dead, no date given
	Sex        string // female, male, other, unknown, or nothing
	Operations []Operation
	Studies    []Study
	Reports    []Report
	Findings   []Finding
	Bookings   []Booking
	Encounters []Encounter
	Attempts   []Attempt
	Rulings    []Ruling
	Kidney     []Kidney
	Diagnoses  []Diagnosis
}

// Operation is a Procedure (or a Condition or Device that implies one).
type Operation struct {
	ID        string
	Role      string // implant, relining, coils, explant, history, other
	Class     string // evar, tevar, arch-branch, fenestrated-branched, iliac-branch, open-repair, carotid-stent, vein-bypass, …
	Territory string // abdominal-aorta, thoracic-aorta, arch, iliac, carotid, leg, renal
	Side      string // left, right, "" where unknown or without sides
	Date      string
	Status    string // completed, in-progress, not-done, entered-in-error, …
}

// Study is an ImagingStudy, or (OnReport) a report that has no images here.
type Study struct {
	ID          string
	UID         string // study instance UID
	Source      string // where the accession number was given
	Accession   string
	Status      string // available, registered, cancelled, entered-in-error
	Kind        string // ct-angiogram, …, other; "" where no rule recognised it
	Territories []string
	Date        string
	Updated     string // instant of the last update, comparable as text, "" unknown
	OnReport    bool
}

// Report is a DiagnosticReport about a study; Date is when it was issued.
type Report struct{ ID, Study, Status, Date string }

// Finding is a coded finding. TenthsMM is for lengths; 0 where none was sent.
type Finding struct {
	ID       string
	Study    string // the study it was seen on, "" if not said
	What     string // endoleak, sac-diameter, migration, …
	Type     string // Ia … V, unknown, none (endoleak); present, absent, patent, occluded, …
	TenthsMM int
	Measure  string // of a diameter: which one, and how it was taken; its first word is sac, ascending, arch, …
	Modality string // ct, duplex, mr
	Date     string
	Status   string // final, entered-in-error
}

// Booking is an Appointment for imaging.
type Booking struct {
	ID          string
	Status      string // proposed, pending, booked, arrived, checked-in, fulfilled, cancelled, noshow
	Date        string
	Kind        string
	Territories []string
}

// Encounter is a visit in person.
type Encounter struct{ ID, Status, Date string }

// Attempt is one try to reach the patient; Received is the answer's date.
type Attempt struct{ ID, Sent, Channel, Received string }

// VisitKey names one visit of one implant.
type VisitKey struct {
	Implant string
	Clock   int // 1 for the first
	Step    string
	N       int
}

// Ruling is what a person decided.
type Ruling struct {
	ID    string
	Kind  string // accept, refuse, reviewed, decline, pause, stop, transfer, withdraw, answer, modality, interval
	About string // study, report or implant; "" the whole patient; for answer the question's about
	Visit VisitKey
	Date  string
	Until string // pause, decline, modality, interval: first day on which it no longer holds
	Value string // withdraw: care, else from a study; modality: the kind; interval: P6M
	Asked string // answer: the kind of the question
	Back  string // the day on which it was taken back
}

// Kidney is one eGFR value in tenths of mL/min/1.73 m2.
type Kidney struct {
	ID, Date string
	Tenths   int
}

// Diagnosis is a condition of the patient that protocols ask for.
type Diagnosis struct {
	ID     string
	What   string // dissection
	Date   string
	Status string // active, entered-in-error
}

// Options are the settings that the engine needs. Zero numbers mean the
// defaults of the specification.
type Options struct {
	RecordsFrom   string // first day of our records
	SiteStart     string // results before this day are not chased, "" chases all
	CompleteTo    string // day up to which every source was read, "" no limit
	FeedStale     int    // days of silence that do not matter, 3
	LeadDays      int    // arrange-imaging before the target, 60
	ReportDays    int    // wait for a report, 14
	ReportAsap    int    // after so many days asap, 30
	ReviewDays    int    // review a report within, 14
	LostDays      int    // after the close of a visit, 180
	LostAttempts  int    // 3
	LostChannels  int    // 2
	KidneyDays    int    // age limit of a creatinine, 0 switches check-kidney off
	KidneyTenths  int    // threshold, 300
	AcceptReports bool   // studies on report only count without a person
	AddedEnd      bool   // an added visit counts only to its close (README 12)
	WakeDays      int    // how far wake looks, 900
	NoWake        bool   // leave wake out
}

// filled puts the defaults in.
func (o Options) filled() Options {
	set := func(n *int, fallback int) {
		if *n == 0 {
			*n = fallback
		}
	}
	set(&o.FeedStale, 3)
	set(&o.LeadDays, 60)
	set(&o.ReportDays, 14)
	set(&o.ReportAsap, 30)
	set(&o.ReviewDays, 14)
	set(&o.LostDays, 180)
	set(&o.LostAttempts, 3)
	set(&o.LostChannels, 2)
	set(&o.KidneyTenths, 300)
	set(&o.WakeDays, 900)
	return o
}
