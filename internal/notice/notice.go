// Package notice says what changed between two plans of one patient, why, and
// in which words.
//
// # Design
//
// Diff compares the plan before with the plan after. From it everything follows
// that people are told: the ledger of work items, the Tasks, the lines of the
// digest. It is pure: two plans in, a list of changes out, in a fixed order.
//
// Work that is gone was either completed, and then the evidence is named, or
// cancelled, and then the reason is; nothing ends without one of the two. What
// the plans alone do not tell (which report came in, who answered a question)
// is looked up in the chart where one is given.
//
// Every change has a key that holds no date: the same change of the same thing
// has the same key tomorrow.
package notice

import (
	"cmp"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// Kind is what sort of thing changed.
type Kind string

// Kinds of changes, in the order in which Diff gives them.
const (
	State         Kind = "state"          // surveillance: active, paused, ended, unresolved
	Rung          Kind = "rung"           // of the follow-up ladder
	ImplantNew    Kind = "implant-new"    // an implant came under surveillance
	ImplantGone   Kind = "implant-gone"   // an implant is no longer on record
	Visit         Kind = "visit"          // a visit changed its standing, its study or its result
	WorkNew       Kind = "work-new"       // a work item should exist that did not
	WorkChanged   Kind = "work-changed"   // its urgency, its dates or what it is about changed
	WorkCompleted Kind = "work-completed" // what it asked for has happened
	WorkCancelled Kind = "work-cancelled" // it is no longer needed
)

// kinds are all kinds in order.
func kinds() []Kind {
	return []Kind{State, Rung, ImplantNew, ImplantGone, Visit, WorkNew, WorkChanged, WorkCompleted, WorkCancelled}
}

// Change is one thing that changed.
type Change struct {
	Key      string // stable: kind, patient and what it is about; never a date
	Kind     Kind
	Patient  string
	Implant  string        // id; empty where it is about the patient
	Visit    string        // key of the visit; empty where it is about none
	Step     string        // of the visit: "y2"
	Work     *surveil.Work // as it is now; of work that is gone, as it was last
	Was, Now string        // standing, rung, state or urgency before and after
	Reason   string        // why completed or cancelled: one of the reasons of this package
	Evidence []string      // references of resources or ids of rulings that show it
	On       day.Day       // the day of the later plan
	Until    day.Day       // close of a visit's window, or the day by which work is wanted
	Why      []surveil.Reason
	Aside    bool // of work: nothing changed but what else the same scan may serve
}

// Diff lists what changed from one plan of a patient to the next. Either may be
// nil: no plan. The order is that of the kinds, then of the keys.
func Diff(prev, next *surveil.Plan) []Change { return DiffWith(nil, prev, next) }

// DiffWith is Diff with the chart behind the later plan, in which the evidence
// is looked up that plans do not name. The chart may be nil.
func DiffWith(c *chart.Chart, prev, next *surveil.Plan) []Change {
	if prev == nil {
		prev = &surveil.Plan{}
	}
	if next == nil {
		next = &surveil.Plan{Patient: prev.Patient, AsOf: prev.AsOf}
	}
	d := &differ{c: c, prev: prev, next: next}
	d.patient()
	d.implants()
	d.work()
	order := kinds()
	slices.SortStableFunc(d.out, func(a, b Change) int {
		if o := cmp.Compare(slices.Index(order, a.Kind), slices.Index(order, b.Kind)); o != 0 {
			return o
		}
		return cmp.Compare(a.Key, b.Key)
	})
	return d.out
}

// differ compares two plans.
type differ struct {
	c          *chart.Chart
	prev, next *surveil.Plan
	out        []Change
}

// add notes a change; what is the same for all is filled in.
func (d *differ) add(about string, c Change) {
	c.Patient, c.On = d.next.Patient, d.next.AsOf
	c.Key = string(c.Kind) + "|" + c.Patient
	if about != "" {
		c.Key += "|" + about
	}
	d.out = append(d.out, c)
}

// patient compares what holds for the whole patient.
func (d *differ) patient() {
	p, n := d.prev, d.next
	if p.Surveillance != n.Surveillance || p.Ended != n.Ended {
		d.add("", Change{Kind: State, Was: stateOf(p), Now: stateOf(n), Reason: string(n.Ended), Until: n.PausedUntil})
	}
	if p.FollowUp != n.FollowUp && n.FollowUp != "" && (p.FollowUp != "" || n.FollowUp != surveil.RungCurrent) {
		d.add("", Change{Kind: Rung, Was: string(p.FollowUp), Now: string(n.FollowUp), Until: n.RungSince})
	}
}

// stateOf is the state with its reason: "ended: died".
func stateOf(p *surveil.Plan) string {
	if p.Ended != "" {
		return string(p.Surveillance) + ": " + string(p.Ended)
	}
	return string(p.Surveillance)
}

// implants compares implants and their visits.
func (d *differ) implants() {
	for i := range d.next.Implants {
		m := &d.next.Implants[i]
		old := implantOf(d.prev, m.ID)
		if old == nil {
			d.add(m.ID, Change{Kind: ImplantNew, Implant: m.ID, Now: m.Class, Why: m.Why})
		}
		d.visits(old, m)
	}
	for i := range d.prev.Implants {
		m := &d.prev.Implants[i]
		if implantOf(d.next, m.ID) == nil {
			d.add(m.ID, Change{Kind: ImplantGone, Implant: m.ID, Was: m.Class})
		}
	}
}

// visits compares the visits of one implant. Those that were not listed before
// are told only where they ask for something.
func (d *differ) visits(old, m *surveil.Implant) {
	before := map[string]*surveil.Visit{}
	if old != nil {
		for i := range old.Visits {
			before[old.Visits[i].Key()] = &old.Visits[i]
		}
	}
	for i := range m.Visits {
		v := &m.Visits[i]
		was := before[v.Key()]
		switch {
		case was == nil && v.Standing != surveil.Overdue && v.Standing != surveil.Open && !v.Added:
		case was == nil:
			d.visit(v, "")
		case standingOf(was) != standingOf(v) || was.Study != v.Study:
			d.visit(v, standingOf(was))
		}
	}
}

func (d *differ) visit(v *surveil.Visit, was string) {
	c := Change{Kind: Visit, Implant: v.Implant, Visit: v.Key(), Step: v.Step, Was: was, Now: standingOf(v), Until: v.Closes.Last, Why: v.Why}
	if v.Standing == surveil.Excused {
		c.Reason = v.Excuse
	}
	if v.Study != "" {
		c.Evidence = []string{v.Study}
	}
	d.add(v.Key(), c)
}

// standingOf is a standing with how far the result has come: "done, reported".
func standingOf(v *surveil.Visit) string {
	if v.Result != "" {
		return string(v.Standing) + ", " + v.Result
	}
	return string(v.Standing)
}

func implantOf(p *surveil.Plan, id string) *surveil.Implant {
	for i := range p.Implants {
		if p.Implants[i].ID == id {
			return &p.Implants[i]
		}
	}
	return nil
}

// work compares the work items by key.
func (d *differ) work() {
	for i := range d.next.Work {
		w := &d.next.Work[i]
		c := Change{Kind: WorkNew, Implant: w.Implant, Visit: w.Visit, Step: d.step(w.Visit), Work: w, Now: w.Urgency, Until: w.By, Why: w.Why}
		if old := workOf(d.prev, w.Key); old != nil {
			if sameWork(old, w) {
				continue
			}
			c.Kind, c.Was = WorkChanged, old.Urgency
			a, b := alone(old), alone(w)
			c.Aside = sameWork(&a, &b)
		}
		d.add(w.Key, c)
	}
	for i := range d.prev.Work {
		w := &d.prev.Work[i]
		if workOf(d.next, w.Key) == nil {
			end := d.why(w)
			d.add(w.Key, Change{Kind: end.kind, Implant: w.Implant, Visit: w.Visit, Step: d.step(w.Visit), Work: w, Was: w.Urgency,
				Reason: end.reason, Evidence: end.evidence, Why: w.Why})
		}
	}
}

// alone is a work item without what else the same scan may serve.
func alone(w *surveil.Work) surveil.Work {
	out := *w
	out.Why = slices.DeleteFunc(slices.Clone(w.Why), func(r surveil.Reason) bool { return r.Rule == "one-scan" })
	return out
}

// workOf finds a work item by key.
func workOf(p *surveil.Plan, key string) *surveil.Work {
	for i := range p.Work {
		if p.Work[i].Key == key {
			return &p.Work[i]
		}
	}
	return nil
}

// sameWork says whether two states of one item are equal for those who do it;
// day counts in texts do not matter.
func sameWork(a, b *surveil.Work) bool {
	if a.Implant != b.Implant || a.Urgency != b.Urgency || a.From != b.From || a.By != b.By || a.About != b.About || a.Visit != b.Visit || a.Snoozed != b.Snoozed || len(a.Why) != len(b.Why) {
		return false
	}
	for i := range a.Why {
		x, y := &a.Why[i], &b.Why[i]
		if x.Rule != y.Rule || x.Word != y.Word || x.From != y.From || x.To != y.To || !slices.Equal(x.Facts, y.Facts) {
			return false
		}
	}
	return true
}

// visitOf finds a visit by its key in a plan.
func visitOf(p *surveil.Plan, key string) *surveil.Visit {
	if key == "" {
		return nil
	}
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Key() == key {
				return v
			}
		}
	}
	return nil
}

// step names the visit of a work item.
func (d *differ) step(key string) string {
	if v := visitOf(d.next, key); v != nil {
		return v.Step
	}
	if v := visitOf(d.prev, key); v != nil {
		return v.Step
	}
	return ""
}
