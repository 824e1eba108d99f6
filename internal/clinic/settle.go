package clinic

import (
	"errors"
	"maps"
	"slices"

	"perennial/internal/notice"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Changes count what a transaction did to patients and work.
type Changes struct {
	Patients  int `json:"patients"`            // looked at
	Plans     int `json:"plans"`               // new, changed or gone
	Made      int `json:"made,omitempty"`      // work items made
	Changed   int `json:"changed,omitempty"`   // … changed
	Completed int `json:"completed,omitempty"` // … completed
	Cancelled int `json:"cancelled,omitempty"` // … cancelled
	Reopened  int `json:"reopened,omitempty"`  // … needed again
	People    int `json:"people,omitempty"`    // … on which a person set the status
}

func (c *Changes) add(d Changes) {
	c.Patients += d.Patients
	c.Plans += d.Plans
	c.Made += d.Made
	c.Changed += d.Changed
	c.Completed += d.Completed
	c.Cancelled += d.Cancelled
	c.Reopened += d.Reopened
	c.People += d.People
}

// settle looks at patients and stores what was decided: fates, plans, work and
// what is to be sent.
func (c *Clinic) settle(w *store.Writer, keys []string) (Changes, error) {
	return c.settleSaid(w, keys, false)
}

// settleSaid is settle after something was said that may change records of these
// patients though it changes no plan.
func (c *Clinic) settleSaid(w *store.Writer, keys []string, said bool) (Changes, error) {
	if len(keys) == 0 {
		return Changes{}, nil
	}
	rd, err := c.look(w.Tx, keys, c.Today())
	if err != nil {
		return Changes{}, err
	}
	s := &settling{round: rd, w: w, said: said, next: map[string]*person{}, to: map[string]destination{}}
	err = s.all()
	return s.changes, err
}

// settling writes the decisions of a round.
type settling struct {
	*round
	w       *store.Writer
	next    map[string]*person
	changes Changes
	said    bool                   // records change though plans may not
	moving  []string               // first keys of the work items that get other names, in order
	to      map[string]destination // … and what those become that have not moved yet
}

func (s *settling) all() error {
	for i := range s.records {
		if err := s.w.SetFate(&s.records[i], s.fates[i].fate, s.fates[i].why); err != nil {
			return err
		}
	}
	for i := range s.now {
		s.next[s.now[i].id] = &s.now[i]
	}
	if err := s.people(); err != nil {
		return err
	}
	then, err := s.moveWork()
	if err != nil {
		return err
	}
	if err := s.ask(); err != nil {
		return err
	}
	for _, key := range slices.Compact(slices.Sorted(slices.Values(append(slices.Collect(maps.Keys(then)), s.keys...)))) {
		if p := s.next[key]; p == nil || !p.has() {
			if err := s.gone(key, p, then[key]); err != nil {
				return err
			}
		}
	}
	for i := range s.now {
		if p := &s.now[i]; p.has() {
			if err := s.stay(p, then[p.id]); err != nil {
				return err
			}
		} else if p.plan.Wake > 0 {
			if err := s.w.Wake(p.plan.Wake, p.id); err != nil {
				return err
			}
		}
	}
	s.changes.Patients = len(s.now)
	return nil
}

// people keeps what persons did with the Tasks of items that are there, before
// anything is done to these: what is sent then has their status.
func (s *settling) people() error {
	for i := range s.now {
		if err := s.ledger(&s.now[i]).people(true); err != nil {
			return err
		}
	}
	return nil
}

// ledger is for the items of a patient.
func (s *settling) ledger(p *person) *ledger {
	return &ledger{w: s.w, plan: &p.plan, chart: p.chart, tasks: p.tasks, changes: &s.changes}
}

// stay stores the plan of somebody with an implant.
func (s *settling) stay(p *person, then *surveil.Plan) error {
	changes := notice.DiffWith(p.chart, then, &p.plan)
	if err := s.ledger(p).apply(changes); err != nil {
		return err
	}
	before := s.before[p.id]
	changed := before == nil || !before.Same(&p.plan)
	if changed {
		s.changes.Plans++
	}
	if changed || s.said {
		if err := s.planChanged(p.id); err != nil {
			return err
		}
	}
	return s.w.PutPlan(before, &p.plan, store.LineOf(&p.plan, p.chart))
}

// gone ends the plan of somebody who has no implant any more, or whose record
// belongs to another now.
func (s *settling) gone(key string, p *person, then *surveil.Plan) error {
	l := &ledger{w: s.w, plan: &surveil.Plan{Patient: key, AsOf: s.asOf}, changes: &s.changes}
	if p != nil {
		l.chart, l.tasks = p.chart, p.tasks
	}
	if then != nil {
		if err := l.apply(notice.DiffWith(l.chart, then, l.plan)); err != nil {
			return err
		}
	}
	if s.before[key] == nil {
		return nil
	}
	s.changes.Plans++
	return errors.Join(s.planChanged(key), s.w.DropPlan(s.before[key]))
}
