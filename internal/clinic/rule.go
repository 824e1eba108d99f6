package clinic

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"perennial/internal/audit"
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Rule stores a ruling of a person and all that follows from it, and gives the
// ruling as it is stored: an id is made where none is given, and When is now
// where it is empty. fault.Invalid says what is missing; fault.NotFound that
// nobody knows the patient (an implant may be entered for one whom no source
// knows), or what the ruling is about.
func (c *Clinic) Rule(ctx context.Context, r chart.Ruling) (chart.Ruling, error) {
	if err := c.checkRuling(&r); err != nil {
		return r, err
	}
	if err := c.checkAbout(ctx, &r); err != nil {
		return r, err
	}
	list, err := c.RuleAll(ctx, []chart.Ruling{r})
	if err != nil {
		return r, err
	}
	return list[0], nil
}

// RuleAll stores several rulings in one transaction, all or none.
func (c *Clinic) RuleAll(ctx context.Context, list []chart.Ruling) ([]chart.Ruling, error) {
	for i := range list {
		if err := c.checkRuling(&list[i]); err != nil {
			return nil, err
		}
	}
	var stored []chart.Ruling
	e := audit.Entry{Action: "ruling"}
	if len(list) > 0 {
		e.Actor, e.About = list[0].Who, "Patient/"+list[0].Patient
	}
	err := c.update(ctx, e, func(w *store.Writer) (any, error) {
		stored = slices.Clone(list)
		var keys []string
		for i := range stored {
			r := &stored[i]
			if err := c.ruled(w, r, i); err != nil {
				return nil, err
			}
			keys = append(keys, r.Patient)
		}
		slices.Sort(keys)
		if _, err := c.settleSaid(w, slices.Compact(keys), reached(stored)); err != nil {
			return nil, err
		}
		return detailOf(stored), nil
	})
	return stored, err
}

// detailOf is what the audit trail keeps of rulings: no words that a person
// typed, which may name somebody.
func detailOf(list []chart.Ruling) any {
	type detail struct {
		ID, Patient string
		Kind        chart.RulingKind
	}
	var out []detail
	for _, r := range list {
		out = append(out, detail{r.ID, r.Patient, r.Kind})
	}
	return out
}

// ruled stores one ruling.
func (c *Clinic) ruled(w *store.Writer, r *chart.Ruling, n int) error {
	if r.When == "" {
		r.When = w.Now.In(c.o.Zone).Format(time.RFC3339)
	}
	if r.ID == "" {
		r.ID = fmt.Sprintf("r%d-%d", w.Meta.Commits+1, n+1)
	}
	if r.Kind == chart.RuleSnooze {
		if err := snoozable(w.Tx, r); err != nil {
			return err
		}
	}
	if r.Kind != chart.RuleImplant {
		known, err := store.Known(w.Tx, r.Patient)
		if err != nil {
			return err
		}
		if !known {
			return unknownPatient()
		}
	}
	return w.PutRuling(*r)
}

// snoozable says whether a work item may be hidden, and names it by the key
// that it has now.
func snoozable(r kv.Reader, ruling *chart.Ruling) error {
	it, found, err := store.ReadItem(r, ruling.About)
	if err == nil && !found {
		it, found, err = store.FindItem(r, ruling.About)
	}
	switch {
	case err != nil:
		return err
	case !found || it.State != store.WorkOpen || it.Patient != ruling.Patient:
		return fault.New(fault.NotFound, "snooze a work item", "The open items of a patient, with their keys, are listed with: perennial patient ID", errors.New("the patient has no open item with this key"))
	case it.Work.Kind == surveil.WorkChase:
		return fault.New(fault.Invalid, "snooze a work item", "Where the patient cannot come, pause surveillance until a date.", errors.New("an overdue visit is not hidden"))
	}
	ruling.About = it.Now
	return nil
}

// unknownPatient is the error for a patient whom nobody knows.
func unknownPatient() error {
	return fault.New(fault.NotFound, "find the patient", "Check the id: it is that of the FHIR Patient. Somebody operated elsewhere is entered with an implant first.",
		errors.New("no record with this id is there"))
}

// checkRuling says what is wrong with a ruling before it is stored.
func (c *Clinic) checkRuling(r *chart.Ruling) error {
	bad := func(why string) error {
		return fault.New(fault.Invalid, "store a ruling", "Nothing was stored; correct it and try again.", errors.New(why))
	}
	r.Patient = strings.TrimPrefix(r.Patient, "Patient/")
	switch {
	case r.Patient == "":
		return bad("the patient is missing")
	case !slices.Contains(chart.RulingKinds(), r.Kind):
		return bad(fmt.Sprintf("its kind %q is not known", r.Kind))
	case strings.TrimSpace(r.Who) == "":
		return bad("who decided it is missing")
	case strings.TrimSpace(r.Why) == "":
		return bad("why it was decided is missing")
	case r.About == "" && !(r.Kind == chart.RuleReviewed && r.Visit != "") && slices.Contains([]chart.RulingKind{chart.RuleAccept, chart.RuleRefuse, chart.RuleReviewed, chart.RuleAnswer}, r.Kind):
		return bad("what it is about is missing: the reference of a study or report, or the key of a question")
	case r.Kind == chart.RulePause && r.Until > 0 && r.Until < c.from(r):
		return bad("the pause ends before it begins")
	case r.Kind == chart.RuleImplant && r.Class == "":
		return bad("the class of the implant is missing")
	case r.Kind == chart.RuleImplant && !slices.Contains(protocol.Classes(), r.Class), r.Kind == chart.RuleClass && !slices.Contains(protocol.Classes(), r.Value):
		return bad("the class of the implant is none of " + strings.Join(protocol.Classes(), ", "))
	}
	if about := r.Problem(); about != "" {
		return bad(about)
	}
	if on, err := day.ParseDate(r.Value); err == nil && on.First > c.Today() && slices.Contains([]chart.RulingKind{chart.RuleIndex, chart.RuleDied, chart.RuleImplant}, r.Kind) {
		return bad("the date " + r.Value + " has not come yet")
	}
	if r.Kind == chart.RuleSnooze && r.Until <= c.from(r) {
		return bad("the day until which it is to be hidden does not lie ahead")
	}
	if r.Kind == chart.RuleProtocol && c.o.Rules.All[r.Value] == nil {
		return bad("no protocol is called " + r.Value)
	}
	if r.When == "" {
		return nil
	}
	if _, err := time.Parse(time.RFC3339, r.When); err != nil {
		return bad("when it was decided is not a time like 2026-03-31T17:00:00Z")
	}
	return nil
}

// checkAbout wants that the patient has what the ruling is about: a mistyped
// reference or key would be stored, and nothing would follow from it.
func (c *Clinic) checkAbout(ctx context.Context, r *chart.Ruling) error {
	aboutPatient := []chart.RulingKind{chart.RuleSnooze, chart.RuleImplant, chart.RuleAttempt, chart.RuleDied, chart.RuleAlive}
	if r.About == "" || slices.Contains(aboutPatient, r.Kind) {
		return nil
	}
	v, err := c.Patient(ctx, r.Patient)
	if err != nil {
		return err
	}
	known := v.has(r.About)
	if r.Kind == chart.RuleAnswer {
		known = slices.ContainsFunc(v.Plan.Questions, func(q surveil.Question) bool { return r.About == q.Key || r.About == q.About && r.Value == q.Kind })
	}
	if r.Kind == chart.RuleWithdraw && r.Value != chart.ScopeCare {
		known = known || strings.HasPrefix(r.About, "Patient/") || slices.ContainsFunc(v.Plan.Reports, func(p surveil.Report) bool { return r.About == p.Study || r.About == p.Name })
	}
	if known {
		return nil
	}
	return fault.New(fault.NotFound, "store a ruling", "Nothing was stored. What a patient has, and the keys of open questions, are listed with: perennial patient ID",
		errors.New("the patient has no "+r.About))
}

// has says whether a reference is that of a resource or an implant of the patient.
func (v *View) has(ref string) bool {
	return slices.ContainsFunc(v.Records, func(r store.Record) bool { return r.Ref == ref }) ||
		slices.ContainsFunc(v.Plan.Implants, func(m surveil.Implant) bool { return m.ID == ref })
}

// from is the day from which a ruling holds; one without a day holds from today.
func (c *Clinic) from(r *chart.Ruling) day.Day {
	if r.On == 0 && r.When == "" {
		return c.Today()
	}
	return r.From()
}

// TakeBack takes a ruling back: it keeps its place and counts no more.
// fault.NotFound where there is none with this id, fault.Conflict where it was
// taken back before.
func (c *Clinic) TakeBack(ctx context.Context, id, who, why string) (chart.Ruling, error) {
	var r chart.Ruling
	if strings.TrimSpace(who) == "" || strings.TrimSpace(why) == "" {
		return r, fault.New(fault.Invalid, "take back a ruling", "Say who takes it back, and why.", errors.New("who or why is missing"))
	}
	err := c.update(ctx, audit.Entry{Actor: who, Action: "ruling.taken-back", About: id}, func(w *store.Writer) (any, error) {
		var found bool
		var err error
		r, found, err = store.FindRuling(w.Tx, id)
		switch {
		case err != nil:
			return nil, err
		case !found:
			return nil, fault.New(fault.NotFound, "take back a ruling", "The rulings of a patient are listed with: perennial patient ID", errors.New("there is none with this id"))
		case r.TakenBack != nil:
			return nil, fault.New(fault.Conflict, "take back a ruling", "Nothing is left to do.", errors.New("it was taken back before"))
		}
		r.TakenBack = &chart.TakenBack{Who: who, When: w.Now.In(c.o.Zone).Format(time.RFC3339), Why: why}
		if err := w.PutRuling(r); err != nil {
			return nil, err
		}
		_, err = c.settleSaid(w, []string{r.Patient}, reached([]chart.Ruling{r}))
		return detailOf([]chart.Ruling{r}), err
	})
	return r, err
}

// Rulings visits all rulings, by patient and id, as they are exported.
func (c *Clinic) Rulings(ctx context.Context, visit func(chart.Ruling) error) error {
	var page store.Page
	return c.pages(ctx, func(r kv.Reader) (bool, error) {
		list, more, err := store.Rulings(r, &page, pageSize)
		for i := 0; err == nil && i < len(list); i++ {
			err = visit(list[i])
		}
		return more, err
	})
}
