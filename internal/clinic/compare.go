package clinic

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"

	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Tally counts what plans say on one day.
type Tally struct {
	Visits map[surveil.Standing]int `json:"visits"`
	Rungs  map[surveil.Rung]int     `json:"followUp"`
	Work   map[string]int           `json:"work"`
}

func newTally() Tally {
	return Tally{map[surveil.Standing]int{}, map[surveil.Rung]int{}, map[string]int{}}
}

func (t *Tally) add(p *surveil.Plan) {
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			t.Visits[p.Implants[i].Visits[j].Standing]++
		}
	}
	if p.FollowUp != "" {
		t.Rungs[p.FollowUp]++
	}
	for i := range p.Work {
		t.Work[p.Work[i].Kind]++
	}
}

// Comparison says what other rules would change today.
type Comparison struct {
	AsOf     day.Day `json:"asOf"`
	Patients int     `json:"patients"` // with an implant
	Affected int     `json:"affected"` // … whose visits or follow-up would change
	Undone   int     `json:"undone"`   // visits that are done, and would be so no more
	Before   Tally   `json:"before"`
	After    Tally   `json:"after"`
}

// Difference is what other rules would change for one patient.
type Difference struct {
	Patient       string
	Before, After *surveil.Plan
	Visits        []VisitChange // those that differ; none: nothing changes
}

// VisitChange is a visit before and after; nil where it is not there.
type VisitChange struct {
	Implant, Step string
	Was, Now      *surveil.Visit
}

// Compare evaluates everybody by two sets of rules, as of today, and changes
// nothing. With a patient it looks at that one only. Visit is called for each
// patient who is affected, and for the one that was named in any case.
func (c *Clinic) Compare(ctx context.Context, before, after *surveil.Rules, patient string, visit func(Difference) error) (Comparison, error) {
	all := Comparison{AsOf: c.Today(), Before: newTally(), After: newTally()}
	cm := &comparing{c: c, before: before, after: after, seen: map[string]bool{}, all: &all, visit: visit}
	if patient = strings.TrimPrefix(patient, "Patient/"); patient != "" {
		return all, c.view(ctx, func(r kv.Reader) error { return cm.one(r, patient) })
	}
	at := ""
	return all, c.pages(ctx, func(r kv.Reader) (bool, error) {
		keys, err := store.Keys(r, at, tickSize)
		if err != nil || len(keys) == 0 {
			return false, err
		}
		at = keys[len(keys)-1]
		return true, cm.page(r, keys)
	})
}

// comparing is the state of a comparison.
type comparing struct {
	c             *Clinic
	before, after *surveil.Rules
	seen          map[string]bool
	all           *Comparison
	visit         func(Difference) error
}

// one looks at one patient.
func (cm *comparing) one(r kv.Reader, id string) error {
	known, err := store.Known(r, id)
	if err == nil && !known {
		err = fault.New(fault.NotFound, "find the patient", "Check the id: it is that of the FHIR Patient.", errors.New("no record with this id is there"))
	}
	if err != nil {
		return err
	}
	rd, err := cm.c.look(r, []string{id}, cm.all.AsOf)
	if err != nil {
		return err
	}
	for i := range rd.now {
		if p := &rd.now[i]; p.id == rd.survivor(id) {
			return cm.person(rd, p, true)
		}
	}
	return nil
}

// page looks at some patients.
func (cm *comparing) page(r kv.Reader, keys []string) error {
	rd, err := cm.c.look(r, keys, cm.all.AsOf)
	if err != nil {
		return err
	}
	for i := range rd.now {
		p := &rd.now[i]
		if cm.seen[p.id] || !p.has() {
			continue
		}
		cm.seen[p.id] = true
		if err := cm.person(rd, p, false); err != nil {
			return err
		}
	}
	return nil
}

// person compares one patient's plans.
func (cm *comparing) person(rd *round, p *person, always bool) error {
	was, now := surveil.Evaluate(p.chart, onDay(cm.before, rd.rules), rd.asOf), surveil.Evaluate(p.chart, onDay(cm.after, rd.rules), rd.asOf)
	d := Difference{Patient: p.id, Before: &was, After: &now, Visits: changedVisits(&was, &now)}
	cm.all.Patients++
	cm.all.Before.add(&was)
	cm.all.After.add(&now)
	for _, v := range d.Visits {
		if v.Was != nil && v.Was.Standing == surveil.Done && (v.Now == nil || v.Now.Standing != surveil.Done) {
			cm.all.Undone++
		}
	}
	affected := len(d.Visits) > 0 || was.FollowUp != now.FollowUp || was.Surveillance != now.Surveillance
	if affected {
		cm.all.Affected++
	}
	if affected || always {
		return cm.visit(d)
	}
	return nil
}

// onDay are rules with the numbers of a day.
func onDay(r, day *surveil.Rules) *surveil.Rules {
	held := *r
	held.Settings = day.Settings
	return &held
}

// changedVisits lists the visits of two plans that differ in when they are, where
// they stand or what satisfied them.
func changedVisits(was, now *surveil.Plan) []VisitChange {
	var list []VisitChange
	at := map[string]int{}
	each := func(p *surveil.Plan, put func(*surveil.Visit)) {
		for i := range p.Implants {
			for j := range p.Implants[i].Visits {
				put(&p.Implants[i].Visits[j])
			}
		}
	}
	each(was, func(v *surveil.Visit) {
		at[v.Key()] = len(list)
		list = append(list, VisitChange{Implant: v.Implant, Step: v.Step, Was: v})
	})
	each(now, func(v *surveil.Visit) {
		if i, ok := at[v.Key()]; ok {
			list[i].Now = v
			return
		}
		list = append(list, VisitChange{Implant: v.Implant, Step: v.Step, Now: v})
	})
	list = slices.DeleteFunc(list, func(c VisitChange) bool { return c.Was != nil && c.Now != nil && sameVisit(c.Was, c.Now) })
	slices.SortStableFunc(list, func(a, b VisitChange) int {
		return cmp.Or(strings.Compare(a.Implant, b.Implant), cmp.Compare(a.target(), b.target()))
	})
	return list
}

func (c *VisitChange) target() day.Day {
	if c.Was != nil {
		return c.Was.Target.First
	}
	return c.Now.Target.First
}

func sameVisit(a, b *surveil.Visit) bool {
	return a.Target == b.Target && a.Opens == b.Opens && a.Closes == b.Closes && a.Standing == b.Standing && a.Study == b.Study && slices.Equal(a.Kinds, b.Kinds) && a.Needs == b.Needs
}
