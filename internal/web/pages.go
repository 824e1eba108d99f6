package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// patientPage is what the template of a patient sees.
type patientPage struct {
	frame
	Plan       *surveil.Plan
	Chart      *chart.Chart
	Record     string
	BookedGone day.Day
	Standing   string // the patient as a whole, in words
	Mark       string // the shape of it
	Time       timeline
	Phone      *timeline // the time around today; nil where nothing is drawn
	Due        []dueView
	Prompts    []promptView
	Implants   []implantView
	Work       []rowView
	Scans      []scanView
	Rulings    []chart.Ruling
	Studies    []studyView
	Attempts   []chart.Attempt
}

// implantView is an implant with its visits.
type implantView struct {
	*surveil.Implant
	Visits []visitView
	Sac    *sacView // nil where nothing was measured
	Parts  []partView
	Differ []differView
}

// visitView is a visit as it is shown.
type visitView struct {
	*surveil.Visit
	Overdue int
	Next    bool
	Main    *surveil.Reason // what decided on its standing
	Rest    []surveil.Reason
	Kinds   string
}

// scanView is a proposed scan day: what it serves and when, what it may be, and
// what it must show.
type scanView struct{ Said, Kinds, Covers string }

// studyView is a study with what became of it.
type studyView struct {
	*chart.Study
	Outcome outcome
	For     string // visits that it serves
}

func (s *Server) patient(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("id")
	if len(id) > 128 {
		return fault.New(fault.NotFound, "find a patient", "", nil)
	}
	p, err := ask(r.Context(), func(ctx context.Context) (Patient, error) { return s.o.Clinic.Patient(ctx, id) })
	if err != nil {
		return err
	}
	return s.show(w, "patient", http.StatusOK, s.patientPage(&p))
}

func (s *Server) patientPage(p *Patient) patientPage {
	if p.Chart == nil {
		p.Chart = &chart.Chart{Patient: p.Plan.Patient}
	}
	title := tame(p.Chart.Name)
	if title == "" {
		title = "Patient without a name"
	}
	v := patientPage{frame: s.frame(title, p.Site, p.Plan.AsOf, nil), Plan: p.Plan, Chart: p.Chart, Record: RecordNumber(p.Plan.Identifiers), BookedGone: p.BookedGone}
	v.Here = ""
	v.Standing, v.Mark = whole(p.Plan)
	for i := range p.Plan.Implants {
		one := implantOf(&p.Plan.Implants[i], p.Plan.AsOf)
		one.Sac = sacOf(p, &p.Plan.Implants[i], i)
		one.Parts = partsOf(p.Chart, &p.Plan.Implants[i])
		one.Differ = differOf(p.Conflicts, one.Class, one.Protocol)
		v.Implants = append(v.Implants, one)
	}
	share(v.Implants)
	v.Due, v.Prompts = beside(p)
	rows := Rows(p)
	slices.SortStableFunc(rows, func(a, b Row) int { return pressing(&a, &b) })
	for i := range rows {
		if rows[i].Kind == surveil.WorkQuestion {
			continue // it stands among the questions
		}
		v.Work = append(v.Work, rowView{Row: &rows[i], What: rows[i].what(), Overdue: rows[i].overdue(p.Plan.AsOf)})
	}
	for i := range p.Plan.Scans {
		scan := &p.Plan.Scans[i]
		v.Scans = append(v.Scans, scanView{notice.ScanText(p.Plan, scan), kindNames(scan.Kinds), strings.ReplaceAll(scan.Covers.String(), "+", ", ")})
	}
	v.Rulings = slices.Clone(p.Chart.Rulings)
	slices.SortStableFunc(v.Rulings, func(a, b chart.Ruling) int { return strings.Compare(b.When, a.When) })
	for i := range p.Chart.Studies {
		st := &p.Chart.Studies[i]
		view := studyView{Study: st, Outcome: outcomeOf(p.Plan, st)}
		view.For = serves(p.Plan, st)
		v.Studies = append(v.Studies, view)
	}
	slices.Reverse(v.Studies)
	v.Attempts = p.Chart.Attempts
	v.Time = timelineOf(p, pageSheet())
	if near := timelineOf(p, phoneSheet()); near.Shown {
		v.Phone = &near
	}
	return v
}

// whole says where the patient as a whole stands.
func whole(p *surveil.Plan) (words, mark string) {
	switch p.Surveillance {
	case surveil.StateActive:
		return "Under surveillance, " + rungName(p.FollowUp), string(p.FollowUp)
	case surveil.StatePaused:
		if p.PausedUntil > 0 {
			return "Paused until " + p.PausedUntil.Text(), string(surveil.Excused)
		}
		return "Paused until further notice", string(surveil.Excused)
	case surveil.StateEnded:
		return strings.TrimSpace("Surveillance ended: " + string(p.Ended) + ", " + p.EndedOn.Text()), string(surveil.Excused)
	case surveil.StateUnresolved:
		return "Unresolved: a question must be answered first", string(surveil.Undecided)
	}
	return "No implant on record", string(surveil.Undecided)
}

func implantOf(m *surveil.Implant, asOf day.Day) implantView {
	v := implantView{Implant: m}
	for i := range m.Visits {
		one := &m.Visits[i]
		view := visitView{Visit: one, Next: i == m.Next, Kinds: kindNames(one.Kinds)}
		if one.Standing == surveil.Overdue && asOf > one.Closes.Last {
			view.Overdue = int(asOf - one.Closes.Last)
		}
		if n := len(one.Why); n > 0 {
			view.Main, view.Rest = &one.Why[n-1], one.Why[:n-1]
		}
		v.Visits = append(v.Visits, view)
	}
	return v
}

func kindNames(kinds []chart.Kind) string {
	var names []string
	for _, k := range kinds {
		names = append(names, notice.KindText(k))
	}
	return strings.Join(names, " or ")
}

// questionsPage is what the template of the questions sees.
type questionsPage struct {
	frame
	Groups []questionGroup
	Count  int
	Hides  int
	Tests  int // questions about patients labelled as made for tests
}

// questionGroup are the questions of one kind.
type questionGroup struct {
	Title string
	Rows  []Question
}

func (s *Server) questions(w http.ResponseWriter, r *http.Request) error {
	q, err := ask(r.Context(), s.o.Clinic.Questions)
	if err != nil {
		return err
	}
	p := questionsPage{frame: s.frame("Questions", q.Site, q.AsOf, nil), Count: len(q.Rows), Tests: q.Tests}
	rows := slices.Clone(q.Rows)
	slices.SortStableFunc(rows, func(a, b Question) int {
		return cmp.Or(strings.Compare(a.Kind, b.Kind), compareBool(b.Hides, a.Hides), compareDay(a.Since, b.Since), strings.Compare(a.Patient, b.Patient))
	})
	for _, row := range rows {
		if row.Hides {
			p.Hides++
		}
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != questionTitle(row.Kind) {
			p.Groups = append(p.Groups, questionGroup{Title: questionTitle(row.Kind)})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Rows = append(g.Rows, row)
	}
	return s.show(w, "questions", http.StatusOK, p)
}

// questionTitle is a kind of question as a heading.
func questionTitle(kind string) string {
	switch kind {
	case "index-date":
		return "When was the operation?"
	case "implant-class":
		return "What was implanted?"
	case "study-kind":
		return "What is this imaging?"
	case "study-acceptance":
		return "Does this imaging do?"
	case "study-early":
		return "Does early imaging count?"
	case "partial-date":
		return "On which day was it?"
	case "finding-text":
		return "Does this text say what it seems to say?"
	case "identity":
		return "Whose record is it?"
	case "unreadable":
		return "What could not be read?"
	case "death-date":
		return "Is the patient alive, and if not, since when?"
	}
	return "Other questions"
}

// statusPage is what the template of the status sees.
type statusPage struct {
	frame
	St      Status
	Sums    []sumView
	Sources []sourceView
	Live    string
	Mode    string
	Digest  string
	Differ  []careDiffer
}

// careDiffer is what the sources say otherwise about a class that is followed.
type careDiffer struct {
	Class, Protocol string
	Differ          []differView
}

// sumView is a sum with what its parts make.
type sumView struct {
	Sum
	Counted int
	Holds   bool
}

// sourceView is a source with times as words.
type sourceView struct {
	Source
	When, Ago, Tried string
}

func (s *Server) status(w http.ResponseWriter, r *http.Request) error {
	st, err := ask(r.Context(), s.o.Clinic.Status)
	if err != nil {
		return err
	}
	p := statusPage{frame: s.frame("Status", st.Site, st.AsOf, st.Alarms), St: st, Live: "Go-live has not been said: nothing is sent to people or servers.", Mode: modeWords(st.Mode), Digest: s.when(st.Digested)}
	if !st.Live.IsZero() {
		p.Live = "Live since " + s.when(st.Live) + "."
	}
	p.St.Care = slices.Clone(st.Care)
	for i := range p.St.Care {
		for _, class := range st.Care[i].Of {
			if list := differOf(st.Conflicts, class, st.Care[i].Protocol); len(list) > 0 {
				p.Differ = append(p.Differ, careDiffer{class, st.Care[i].Protocol, list})
			}
		}
		p.St.Care[i].Classes = classNames(st.Care[i].Classes)
	}
	for _, sum := range st.Sums {
		p.Sums = append(p.Sums, sumView{sum, sum.Counted(), sum.Holds()})
	}
	for _, src := range st.Sources {
		p.Sources = append(p.Sources, sourceView{src, s.when(src.Success), s.since(src.Success), s.when(src.Tried)})
	}
	return s.show(w, "status", http.StatusOK, p)
}

// classNames says classes, written with commas between them, as the trade does.
func classNames(list string) string {
	words := strings.Split(list, ", ")
	for i := range words {
		words[i] = notice.ClassName(words[i])
	}
	return strings.Join(words, ", ")
}

func modeWords(mode string) string {
	switch mode {
	case "off":
		return "Off: nothing leaves this program."
	case "send":
		return "Send: Tasks and letters go to servers and people, once live."
	}
	return "Files: Tasks and letters are written to a folder, and go no further."
}

// when writes a time in the site's zone; "never" where there is none.
func (s *Server) when(at time.Time) string {
	if at.IsZero() {
		return "never"
	}
	at = at.In(s.o.Zone)
	return day.Of(at.Year(), int(at.Month()), at.Day()).Text() + " " + at.Format("15:04")
}
