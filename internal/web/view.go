package web

import (
	"context"
	"time"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/prompt"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// Clinic is what the pages ask. It is safe for use by several goroutines.
type Clinic interface {
	// Worklist gives every open work item, most pressing first.
	Worklist(ctx context.Context) (Worklist, error)
	// Patient gives one patient; fault.NotFound where there is none with that id.
	Patient(ctx context.Context, id string) (Patient, error)
	// Questions gives every question that stands.
	Questions(ctx context.Context) (Questions, error)
	// Status says whether everything adds up and arrives. It must be quick: the
	// health check and the metrics ask it too.
	Status(ctx context.Context) (Status, error)
}

// Worklist is every open work item as of a day.
type Worklist struct {
	AsOf   day.Day
	Site   string
	Alarms []string // silent sources, sums that do not add up; they name no patient
	Rows   []Row
	// Snoozed is how many more a person hid until a later day.
	Snoozed int
	// Tests is how many more are about patients labelled as made for tests.
	Tests int
}

// Row is one open work item with what is needed to act on it.
type Row struct {
	Patient    string // id, for the link
	Name       string
	Record     string // the record number
	Phone      string
	Class      string // of the implant: evar, tevar, …; empty where it is about the patient
	Index      day.Span
	Kind       string // of the work: surveil.WorkArrange, …
	Urgency    string // routine, urgent, asap, stat
	Step       string // of the visit; empty where it is about none
	Standing   surveil.Standing
	Opens      day.Day // the visit's window; zero where it is about none
	Closes     day.Day
	By         day.Day // by when it is wanted; zero: no date
	Booking    day.Day // next appointment for this visit; zero: none
	OutOfTime  bool    // … which lies outside the visit's window
	BookedGone day.Day // an appointment on this day has passed, and no study came; zero: none
	LastSeen   day.Day // zero: nothing shows it
	FollowUp   surveil.Rung
	Why        string // one or two sentences
	Snoozed    day.Day
	There      notice.Elsewhere // what people did with its Task
}

// Patient is all that the page of one patient shows.
type Patient struct {
	Site       string
	Plan       *surveil.Plan
	Chart      *chart.Chart
	Conflicts  protocol.Conflicts // where the sources differ
	BookedGone day.Day            // an appointment on this day has passed, and no study came; zero: none
	Prompts    []prompt.Prompt
	Beside     []*surveil.Visit            // the due visits beside which the prompts stand
	There      map[string]notice.Elsewhere // what people did with the Tasks, by the key of the work
}

// Questions are what only a person can answer.
type Questions struct {
	AsOf day.Day
	Site string
	Rows []Question
	// Tests is how many more are about patients labelled as made for tests.
	Tests int
}

// Question is one question about one patient.
type Question struct {
	Patient string // id, for the link
	Name    string
	Record  string
	Kind    string // as package surveil names it
	Text    string
	About   string // reference of a resource
	Since   day.Day
	Hides   bool // a visit is owed or left open because of it
	Visit   string
}

// Status is whether everything adds up and arrives.
type Status struct {
	AsOf      day.Day
	Site      string
	Alarms    []string
	Remarks   []string  // what is so because the settings want it
	Mode      string    // off, files or send
	Live      time.Time // when go-live was said; zero: not yet
	LiveBy    string
	Sums      []Sum // resources, patients, work
	Sources   []Source
	Outbox    []Part // items waiting, sent, failed, held, replaced
	Work      []Part // open work by kind
	Care      []Care
	Conflicts protocol.Conflicts // where the sources differ
	Digested  time.Time          // when the last digest was made; zero: never
	Ticked    day.Day            // the last day for which everybody who wakes was looked at
}

// Sum is a total and the parts that make it up.
type Sum struct {
	Name  string // e.g. resources received
	Total int
	Parts []Part
}

// Part is one part of a sum.
type Part struct {
	Name string
	N    int
}

// Counted adds the parts up.
func (s Sum) Counted() int {
	n := 0
	for _, p := range s.Parts {
		n += p.N
	}
	return n
}

// Holds says whether the parts add up to the total.
func (s Sum) Holds() bool { return s.Counted() == s.Total }

// Source is where resources come from.
type Source struct {
	Name    string
	Success time.Time // when it was last read to its end; zero: never
	Tried   time.Time
	Error   string // why the last try failed; it names no patient
	Waits   string // what it waits for; it names no patient
	New     int64  // resources that it gave
	Stale   bool   // silent for longer than the site's limit
}

// Care is a care protocol in force.
type Care struct {
	Classes  string
	Protocol string // id@version
	Draft    bool
	From     day.Day
	Chosen   string   // site, default
	Of       []string // the classes, as the rules write them
}

// Rows makes the rows of one patient's work from the plan and the chart behind
// it: for the patient's page, and for who makes a worklist from plans.
func Rows(p *Patient) []Row {
	var out []Row
	for i := range p.Plan.Work {
		w := &p.Plan.Work[i]
		r := Row{There: p.There[w.Key], Patient: p.Plan.Patient, Kind: w.Kind, Urgency: w.Urgency, By: w.By, Snoozed: w.Snoozed, LastSeen: p.Plan.LastSeen, FollowUp: p.Plan.FollowUp, BookedGone: p.BookedGone}
		if p.Chart != nil {
			r.Name, r.Phone, r.Record = p.Chart.Name, p.Chart.Phone, RecordNumber(p.Plan.Identifiers)
		}
		for j := range p.Plan.Implants {
			m := &p.Plan.Implants[j]
			if m.ID == w.Implant {
				r.Class, r.Index = m.Class, m.Index
			}
			r.addVisit(m, w.Visit)
		}
		for j := range w.Why {
			if text := w.Why[j].Text(); j == len(w.Why)-1 || w.Visit == "" || w.Why[j].Rule == "one-scan" {
				r.Why = joinWords(r.Why, text)
			}
		}
		out = append(out, r)
	}
	return out
}

// addVisit adds the visit with a key, if the implant has it.
func (r *Row) addVisit(m *surveil.Implant, key string) {
	for i := range m.Visits {
		v := &m.Visits[i]
		if key == "" || v.Key() != key {
			continue
		}
		r.Class, r.Index = m.Class, m.Index
		r.Step, r.Standing, r.Opens, r.Closes = v.Step, v.Standing, v.Opens.First, v.Closes.Last
		if b := v.Booking; b != nil {
			r.Booking, r.OutOfTime = b.Date, !b.InWindow
		}
	}
}
