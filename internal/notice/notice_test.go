package notice_test

import (
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

const implant = "Procedure/x"

func on(text string) day.Span {
	s, err := day.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return s
}

// visit is visit m1 with a standing.
func visit(standing surveil.Standing, change func(*surveil.Visit)) surveil.Visit {
	v := surveil.Visit{Implant: implant, Clock: 1, Step: "m1", N: 1, Target: on("2026-03-01"), Opens: on("2026-02-15"), Closes: on("2026-03-31"), Standing: standing,
		Why: []surveil.Reason{{Rule: string(standing), Facts: []string{"Fact/1"}}}}
	if change != nil {
		change(&v)
	}
	return v
}

// plan is a plan with one implant, one visit and some work.
func plan(v surveil.Visit, work ...surveil.Work) *surveil.Plan {
	return &surveil.Plan{Patient: "p", AsOf: on("2026-03-10").First, Surveillance: surveil.StateActive, FollowUp: surveil.RungCurrent,
		Implants: []surveil.Implant{{ID: implant, Class: "evar", Visits: []surveil.Visit{v}, Next: 0}}, Work: work}
}

// work is a work item of a kind.
func work(kind, about string) surveil.Work {
	w := surveil.Work{Key: "p|" + kind, Kind: kind, Urgency: "routine", Implant: implant, Visit: implant + "/m1", About: about, By: on("2026-03-31").First}
	if kind == surveil.WorkQuestion {
		w.Key, w.Implant = "p|"+kind+"|q1", ""
	}
	if kind == surveil.WorkTrace {
		w.Implant, w.Visit = "", ""
	}
	if kind == surveil.WorkReport || kind == surveil.WorkReview {
		w.Visit = ""
	}
	return w
}

// Work that is gone was completed with its evidence or cancelled with its
// reason, whatever its kind.
func TestWhyWorkIsGone(t *testing.T) {
	t.Parallel()
	done := visit(surveil.Done, func(v *surveil.Visit) { v.Study, v.Result = "ImagingStudy/s", "reported" })
	open, overdue := visit(surveil.Open, nil), visit(surveil.Overdue, nil)
	ended := plan(visit(surveil.Excused, func(v *surveil.Visit) { v.Excuse = "died" }))
	ended.Surveillance, ended.Ended, ended.FollowUp = surveil.StateEnded, surveil.EndDied, ""
	ended.Implants[0].Ended, ended.Implants[0].Why = surveil.EndDied, []surveil.Reason{{Rule: "ended", Facts: []string{"Patient/p"}}}
	paused := plan(open)
	paused.Surveillance = surveil.StatePaused
	without := &surveil.Plan{Patient: "p"}
	booked := visit(surveil.Booked, func(v *surveil.Visit) { v.Booking = &surveil.VisitBooking{Appointment: "Appointment/a"} })
	lab := &chart.Chart{Labs: []chart.Lab{{Source: chart.Source{Ref: "Observation/k"}}}}
	report := &chart.Chart{Reports: []chart.Report{{Source: chart.Source{Ref: "DiagnosticReport/d"}, Studies: []string{"ImagingStudy/s"}, State: chart.ReportFinal}}}
	answer := &chart.Chart{Rulings: []chart.Ruling{{ID: "r1", Kind: chart.RuleAnswer, About: "q1", When: "2026-03-01T00:00:00Z"}}}
	review := &chart.Chart{Rulings: []chart.Ruling{{ID: "r2", Kind: chart.RuleReviewed, About: "ImagingStudy/s", When: "2026-03-01T00:00:00Z"}}}
	byTask := &chart.Chart{WorkStates: []chart.WorkState{{Source: chart.Source{Ref: "Task/t"}, Key: "p|" + surveil.WorkReview + "|ImagingStudy/s", Status: "completed", Person: true}}}
	images := &chart.Chart{Studies: []chart.Study{{Source: chart.Source{Ref: "ImagingStudy/s"}}}}
	for name, c := range map[string]struct {
		kind     string
		chart    *chart.Chart
		next     *surveil.Plan
		reason   string
		evidence string // empty: it was cancelled, or nothing shows it
		done     bool
	}{
		"arranged: done":          {surveil.WorkArrange, nil, plan(done), notice.ReasonDone, "ImagingStudy/s", true},
		"arranged: booked":        {surveil.WorkArrange, nil, plan(booked), notice.ReasonBooked, "Appointment/a", true},
		"arranged: overdue now":   {surveil.WorkArrange, nil, plan(overdue), notice.ReasonNowOverdue, "", false},
		"arranged: missed":        {surveil.WorkArrange, nil, plan(visit(surveil.Missed, nil)), notice.ReasonMissed, "", false},
		"arranged: withheld":      {surveil.WorkArrange, nil, plan(open), notice.ReasonWithheld, "", false},
		"arranged: died":          {surveil.WorkArrange, nil, ended, "died", "", false},
		"arranged: paused":        {surveil.WorkArrange, nil, paused, notice.ReasonPaused, "", false},
		"arranged: no implant":    {surveil.WorkArrange, nil, without, notice.ReasonImplantGone, "", false},
		"arranged: no plan":       {surveil.WorkArrange, nil, nil, notice.ReasonImplantGone, "", false},
		"arranged: no such visit": {surveil.WorkArrange, nil, plan(visit(surveil.Open, func(v *surveil.Visit) { v.Step = "m6" })), notice.ReasonNotInPlan, "", false},
		"chased: done":            {surveil.WorkChase, nil, plan(done), notice.ReasonDone, "ImagingStudy/s", true},
		"chased: missed":          {surveil.WorkChase, nil, plan(visit(surveil.Missed, nil)), notice.ReasonMissed, "", false},
		"chased: open again":      {surveil.WorkChase, nil, plan(open), notice.ReasonNotOverdue, "", false},
		"traced: seen":            {surveil.WorkTrace, nil, plan(open), notice.ReasonSeen, "", true},
		"traced: died":            {surveil.WorkTrace, nil, ended, "died", "", false},
		"obtained":                {surveil.WorkObtain, nil, plan(done), notice.ReasonDone, "ImagingStudy/s", true},
		"obtained, other visit":   {surveil.WorkObtain, images, plan(open), notice.ReasonDone, "ImagingStudy/s", true},
		"obtained: not needed":    {surveil.WorkObtain, nil, plan(open), notice.ReasonNotNeeded, "", false},
		"reported":                {surveil.WorkReport, report, plan(open), notice.ReasonReported, "DiagnosticReport/d", true},
		"reported, by the visit":  {surveil.WorkReport, nil, plan(done), notice.ReasonReported, "ImagingStudy/s", true},
		"report: study gone":      {surveil.WorkReport, nil, plan(open), notice.ReasonNotNeeded, "", false},
		"reviewed by ruling":      {surveil.WorkReview, review, plan(open), notice.ReasonReviewed, "r2", true},
		"reviewed by Task":        {surveil.WorkReview, byTask, plan(open), notice.ReasonReviewed, "Task/t", true},
		"review: finding gone":    {surveil.WorkReview, nil, plan(open), notice.ReasonNotNeeded, "", false},
		"kidney: creatinine":      {surveil.WorkKidney, lab, plan(open), notice.ReasonKidney, "Observation/k", true},
		"kidney: visit over":      {surveil.WorkKidney, lab, plan(done), notice.ReasonDone, "ImagingStudy/s", false},
		"kidney: died":            {surveil.WorkKidney, lab, ended, "died", "", false},
		"question: answered":      {surveil.WorkQuestion, answer, plan(open), notice.ReasonAnswered, "r1", true},
		"question: solved":        {surveil.WorkQuestion, nil, plan(open), notice.ReasonSolved, "", true},
		"question: died":          {surveil.WorkQuestion, nil, ended, "died", "", false},
	} {
		prev := plan(visit(surveil.Open, nil), work(c.kind, "ImagingStudy/s"))
		var got *notice.Change
		for _, ch := range notice.DiffWith(c.chart, prev, c.next) {
			if ch.Work != nil {
				if got != nil {
					t.Errorf("%s: two changes of one item", name)
				}
				got = &ch
			}
		}
		switch {
		case got == nil:
			t.Errorf("%s: nothing is said of it", name)
			continue
		case got.Reason != c.reason || (got.Kind == notice.WorkCompleted) != c.done:
			t.Errorf("%s: %s because %s", name, got.Kind, got.Reason)
		case c.evidence != "" && !slices.Contains(got.Evidence, c.evidence):
			t.Errorf("%s: evidence %v", name, got.Evidence)
		}
		if text := got.Text(); strings.Contains(text, "{") || strings.Contains(notice.ReasonText(got.Reason), "-") || len(text) < 20 {
			t.Errorf("%s: text %q", name, text)
		}
	}
}

// The same plan on another day is no change; day counts do not matter.
func TestNoChange(t *testing.T) {
	t.Parallel()
	a := plan(visit(surveil.Overdue, nil), work(surveil.WorkChase, ""))
	a.Work[0].Why = []surveil.Reason{{Rule: "overdue", Days: 3}}
	b := plan(visit(surveil.Overdue, nil), work(surveil.WorkChase, ""))
	b.Work[0].Why = []surveil.Reason{{Rule: "overdue", Days: 4}}
	b.AsOf++
	if got := notice.Diff(a, b); len(got) > 0 {
		t.Errorf("%+v", got)
	}
	if got := notice.Diff(nil, nil); len(got) > 0 {
		t.Errorf("%+v", got)
	}
}

// What is told of one patient, in order, with stable keys and in plain words.
func TestTexts(t *testing.T) {
	t.Parallel()
	prev := plan(visit(surveil.Open, nil), work(surveil.WorkArrange, ""), work(surveil.WorkReview, "ImagingStudy/s"))
	next := plan(visit(surveil.Overdue, nil), work(surveil.WorkChase, ""), work(surveil.WorkReview, "ImagingStudy/s"))
	next.FollowUp, next.RungSince = surveil.RungPresumedLost, on("2026-03-09").First
	next.Work[1].Urgency = "asap"
	next.Implants = append(next.Implants, surveil.Implant{ID: "Procedure/y", Class: "tevar", Visits: []surveil.Visit{{Implant: "Procedure/y", Step: "m1", Standing: surveil.Upcoming}}})
	want := []string{
		"rung|p: Presumed lost to follow-up since 9 Mar 2026.",
		"implant-new|p|Procedure/y: New implant under surveillance (TEVAR).",
		"visit|p|Procedure/x/m1: Visit m1: open; now overdue.",
		"work-new|p|p|chase-overdue: New: Chase overdue imaging, visit m1 (routine), by 31 Mar 2026.",
		"work-changed|p|p|review-finding: Changed: Review the result (asap), by 31 Mar 2026.",
		"work-cancelled|p|p|arrange-imaging: Cancelled: Arrange imaging, visit m1: the window has closed: it is chased from now on.",
	}
	var got []string
	for _, c := range notice.Diff(prev, next) {
		got = append(got, c.Key+": "+c.Text())
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestStateTexts(t *testing.T) {
	t.Parallel()
	for text, change := range map[string]func(*surveil.Plan){
		"Surveillance ended: the patient has died.":                 func(p *surveil.Plan) { p.Surveillance, p.Ended = surveil.StateEnded, surveil.EndDied },
		"Surveillance is paused until further notice.":              func(p *surveil.Plan) { p.Surveillance = surveil.StatePaused },
		"Surveillance is paused until 31 Mar 2026.":                 func(p *surveil.Plan) { p.Surveillance, p.PausedUntil = surveil.StatePaused, on("2026-03-31").First },
		"A person must say whether this patient is to be followed.": func(p *surveil.Plan) { p.Surveillance = surveil.StateUnresolved },
	} {
		next := plan(visit(surveil.Open, nil))
		change(next)
		if got := notice.Diff(plan(visit(surveil.Open, nil)), next); len(got) != 1 || got[0].Text() != text || got[0].Key != "state|p" {
			t.Errorf("%+v, want %q", got, text)
		}
	}
	if got := notice.Diff(plan(visit(surveil.Open, nil)), nil); got[0].Text() != "No implant is on record any more." {
		t.Errorf("%q", got[0].Text())
	}
}

// Every kind of work has a title, and every reason its words.
func TestWords(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{surveil.WorkArrange, surveil.WorkChase, surveil.WorkTrace, surveil.WorkObtain, surveil.WorkReport, surveil.WorkReview, surveil.WorkKidney, surveil.WorkQuestion} {
		if notice.Title(kind) == kind {
			t.Errorf("%s has no title", kind)
		}
	}
	for _, end := range []surveil.End{surveil.EndDied, surveil.EndStopped, surveil.EndExplanted, surveil.EndTransferred, surveil.EndCompleted} {
		if notice.ReasonText(string(end)) == string(end) {
			t.Errorf("%s has no words", end)
		}
	}
	if got := notice.ReasonText("some-thing"); got != "some thing" {
		t.Errorf("%q", got)
	}
}
