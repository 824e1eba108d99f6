package notice

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/surveil"
)

// Reasons why a work item ended, beside the words of surveil for the end of
// surveillance (died, stopped, explanted, transferred, completed) and of an
// excused visit.
const (
	ReasonDone        = "visit-done"       // the imaging was done
	ReasonBooked      = "booked"           // it is booked in its window
	ReasonNowOverdue  = "overdue"          // chasing took the place of arranging
	ReasonMissed      = "missed"           // the time in which it counts has passed
	ReasonNotOverdue  = "not-overdue"      // it is not overdue any more
	ReasonWithheld    = "withheld"         // routine imaging waits for a review
	ReasonNotInPlan   = "not-in-schedule"  // the schedule does not hold the visit any more
	ReasonImplantGone = "implant-gone"     // the implant is no longer on record
	ReasonSeen        = "back-in-touch"    // the patient is no longer lost
	ReasonPaused      = "paused"           // surveillance is paused
	ReasonUnresolved  = "unresolved"       // whether there is anything to follow is not known
	ReasonReported    = "reported"         // the final report came
	ReasonReviewed    = "reviewed"         // a person reviewed it
	ReasonKidney      = "creatinine-known" // a creatinine in its age limit came
	ReasonAnswered    = "answered"         // a person answered
	ReasonSolved      = "solved-by-data"   // newer data answered it
	ReasonNotNeeded   = "no-longer-needed" // what it was about is no longer on record
	ReasonMerged      = "same-as-another"  // the same item exists already, under the surviving record
)

// ending says how a work item ended.
type ending struct {
	kind     Kind
	reason   string
	evidence []string
}

func completed(reason string, evidence ...string) ending {
	return ending{WorkCompleted, reason, present(evidence)}
}

func cancelled(reason string, evidence ...string) ending {
	return ending{WorkCancelled, reason, present(evidence)}
}

func present(list []string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// why says why an item of the earlier plan is not in the later one.
func (d *differ) why(w *surveil.Work) ending {
	switch w.Kind {
	case surveil.WorkArrange, surveil.WorkChase:
		return d.whyVisit(w)
	case surveil.WorkObtain:
		return d.whyOutside(w)
	case surveil.WorkTrace:
		if d.next.Surveillance == surveil.StateActive {
			return completed(ReasonSeen, d.lastContact())
		}
		return d.whyOver(w)
	case surveil.WorkReport:
		return d.whyReport(w)
	case surveil.WorkReview:
		return d.whyReview(w)
	case surveil.WorkKidney:
		return d.whyKidney(w)
	case surveil.WorkQuestion:
		return d.whyQuestion(w)
	}
	return d.whyOver(w)
}

// whyOver says what ended work that its own subject does not explain: the end
// of surveillance, of the implant, or that nothing is there any more.
func (d *differ) whyOver(w *surveil.Work) ending {
	m := implantOf(d.next, w.Implant)
	switch {
	case w.Implant != "" && m == nil:
		return cancelled(ReasonImplantGone)
	case m != nil && m.Ended != "":
		return cancelled(string(m.Ended), factsOf(m.Why)...)
	case d.next.Surveillance == surveil.StateEnded:
		return cancelled(cmp.Or(string(d.next.Ended), ReasonNotNeeded))
	case d.next.Surveillance == surveil.StatePaused:
		return cancelled(ReasonPaused)
	case d.next.Surveillance == surveil.StateUnresolved:
		return cancelled(ReasonUnresolved)
	case d.next.Surveillance == "":
		return cancelled(ReasonImplantGone)
	}
	return cancelled(ReasonNotNeeded)
}

// factsOf are the facts of the last reason, which for an implant that ended is
// what ended it.
func factsOf(why []surveil.Reason) []string {
	if len(why) == 0 {
		return nil
	}
	return slices.Clone(why[len(why)-1].Facts)
}

// whyVisit is for the work that gets a visit done.
func (d *differ) whyVisit(w *surveil.Work) ending {
	v := visitOf(d.next, w.Visit)
	if v == nil {
		if over := d.whyOver(w); over.reason != ReasonNotNeeded {
			return over
		}
		return cancelled(ReasonNotInPlan)
	}
	switch v.Standing {
	case surveil.Done:
		return completed(ReasonDone, append([]string{v.Study}, factsOf(v.Why)...)...).compact()
	case surveil.Excused:
		return cancelled(cmp.Or(v.Excuse, ReasonNotNeeded), factsOf(v.Why)...)
	case surveil.Missed:
		return cancelled(ReasonMissed)
	case surveil.Booked:
		if v.Booking != nil {
			return completed(ReasonBooked, v.Booking.Appointment)
		}
		return completed(ReasonBooked)
	case surveil.Overdue:
		if w.Kind == surveil.WorkArrange {
			return cancelled(ReasonNowOverdue)
		}
	case surveil.Open, surveil.Upcoming:
		if w.Kind == surveil.WorkChase {
			return cancelled(ReasonNotOverdue)
		}
		if d.next.Surveillance == surveil.StateActive {
			return cancelled(ReasonWithheld)
		}
	}
	return d.whyOver(w)
}

// compact leaves out what is named twice.
func (e ending) compact() ending {
	var out []string
	for _, s := range e.evidence {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	e.evidence = out
	return e
}

// whyOutside is for the images of a study on report only.
func (d *differ) whyOutside(w *surveil.Work) ending {
	if v := visitOf(d.next, w.Visit); v != nil && v.Standing == surveil.Done {
		return completed(ReasonDone, v.Study)
	}
	if d.c != nil {
		for i := range d.c.Studies {
			if s := &d.c.Studies[i]; s.Ref == w.About && !s.ReportOnly {
				return completed(ReasonDone, s.Ref)
			}
		}
	}
	if end := d.whyVisit(w); end.reason != ReasonWithheld && end.reason != ReasonNotOverdue {
		return end
	}
	return cancelled(ReasonNotNeeded)
}

// whyReport is for a report that was awaited.
func (d *differ) whyReport(w *surveil.Work) ending {
	if ref := d.report(w.About); ref != "" {
		return completed(ReasonReported, ref)
	}
	for i := range d.next.Implants {
		for j := range d.next.Implants[i].Visits {
			if v := &d.next.Implants[i].Visits[j]; v.Study == w.About && v.Result != "awaited" && v.Result != "" {
				return completed(ReasonReported, v.Study)
			}
		}
	}
	return d.whyOver(w)
}

// report is the reference of a final report on a study.
func (d *differ) report(study string) string {
	if d.c == nil {
		return ""
	}
	for i := range d.c.Reports {
		r := &d.c.Reports[i]
		if r.State == chart.ReportFinal && slices.Contains(r.Studies, study) {
			return r.Ref
		}
	}
	return ""
}

// whyReview is for a report or a finding that a person had to look at.
func (d *differ) whyReview(w *surveil.Work) ending {
	if id := d.reviewer(w); id != "" {
		return completed(ReasonReviewed, id)
	}
	for i := range d.next.Implants {
		for j := range d.next.Implants[i].Visits {
			if v := &d.next.Implants[i].Visits[j]; v.Study == w.About && v.Result == "reviewed" {
				return completed(ReasonReviewed, v.Study)
			}
		}
	}
	return d.whyOver(w)
}

// reviewer is the ruling or the Task by which a person reviewed something.
func (d *differ) reviewer(w *surveil.Work) string {
	if d.c == nil {
		return ""
	}
	for i := range d.c.Rulings {
		if r := &d.c.Rulings[i]; r.Kind == chart.RuleReviewed && r.Holds(d.next.AsOf) && (r.About == w.About || d.reports(w.About, r.About)) {
			return r.ID
		}
	}
	for i := range d.c.WorkStates {
		if s := &d.c.WorkStates[i]; s.Person && s.Status == "completed" && strings.HasSuffix(s.Key, "|"+surveil.WorkReview+"|"+w.About) {
			return s.Ref
		}
	}
	return ""
}

// reports says whether a report is about a study.
func (d *differ) reports(study, report string) bool {
	return slices.ContainsFunc(d.c.Reports, func(r chart.Report) bool { return r.Ref == report && slices.Contains(r.Studies, study) })
}

// whyKidney is for the check before contrast.
func (d *differ) whyKidney(w *surveil.Work) ending {
	v := visitOf(d.next, w.Visit)
	if v == nil || v.Standing != surveil.Open && v.Standing != surveil.Booked && v.Standing != surveil.Overdue {
		end := d.whyVisit(w)
		if end.kind == WorkCompleted {
			end.kind = WorkCancelled // the visit is over; the kidneys were not looked at
		}
		return end
	}
	if lab := d.lastLab(); lab != "" && d.next.Surveillance == surveil.StateActive {
		return completed(ReasonKidney, lab)
	}
	return d.whyOver(w)
}

// lastLab is the latest creatinine or eGFR.
func (d *differ) lastLab() string {
	if d.c == nil || len(d.c.Labs) == 0 {
		return ""
	}
	return d.c.Labs[len(d.c.Labs)-1].Ref
}

// lastContact is the latest sign that the patient is in touch.
func (d *differ) lastContact() string {
	if d.c == nil {
		return ""
	}
	for i := len(d.c.Contacts) - 1; i >= 0; i-- {
		if c := &d.c.Contacts[i]; c.On.First <= d.next.AsOf && c.On.Last >= d.next.LastSeen {
			return c.Ref
		}
	}
	return ""
}

// whyQuestion is for a question that is no longer open.
func (d *differ) whyQuestion(w *surveil.Work) ending {
	key := strings.TrimPrefix(w.Key, d.prev.Patient+"|"+surveil.WorkQuestion+"|")
	if d.c != nil {
		for i := range d.c.Rulings {
			r := &d.c.Rulings[i]
			if r.Holds(d.next.AsOf) && (r.About == key || r.About != "" && r.About == w.About) {
				return completed(ReasonAnswered, r.ID)
			}
		}
	}
	if d.next.Surveillance == surveil.StateEnded || d.next.Surveillance == "" {
		return d.whyOver(w)
	}
	return completed(ReasonSolved)
}
