package store

import (
	"encoding/json"

	"perennial/internal/kv"
	"perennial/internal/surveil"
)

// Sums are the three sums that hold at every moment.
type Sums struct {
	Resources ResourceSum `json:"resources"`
	Patients  PatientSum  `json:"patients"`
	Work      WorkSum     `json:"work"`
}

// ResourceSum is what became of the versions of resources received.
type ResourceSum struct {
	Received    int `json:"received"`
	Used        int `json:"used"`
	Superseded  int `json:"superseded"`
	NotRelevant int `json:"notRelevant"`
	InError     int `json:"inError"`
	Quarantined int `json:"quarantined"`
}

// Holds says whether the sum holds.
func (s ResourceSum) Holds() bool {
	return s.Received == s.Used+s.Superseded+s.NotRelevant+s.InError+s.Quarantined
}

// of points to the count of a fate.
func (s *ResourceSum) of(f Fate) *int {
	switch f {
	case FateUsed:
		return &s.Used
	case FateSuperseded:
		return &s.Superseded
	case FateNotRelevant:
		return &s.NotRelevant
	case FateInError:
		return &s.InError
	}
	return &s.Quarantined
}

// PatientSum is where the patients with an implant are.
type PatientSum struct {
	WithImplant int `json:"withImplant"`
	Active      int `json:"active"`
	Paused      int `json:"paused"`
	Ended       int `json:"ended"`
	Unresolved  int `json:"unresolved"`
}

// Holds says whether the sum holds.
func (s PatientSum) Holds() bool { return s.WithImplant == s.Active+s.Paused+s.Ended+s.Unresolved }

// of points to the count of a state.
func (s *PatientSum) of(state surveil.State) *int {
	switch state {
	case surveil.StateActive:
		return &s.Active
	case surveil.StatePaused:
		return &s.Paused
	case surveil.StateEnded:
		return &s.Ended
	}
	return &s.Unresolved
}

// WorkSum is what became of the work items.
type WorkSum struct {
	Ever      int `json:"ever"`
	Open      int `json:"open"`
	Completed int `json:"completed"`
	Cancelled int `json:"cancelled"`
}

// Holds says whether the sum holds.
func (s WorkSum) Holds() bool { return s.Ever == s.Open+s.Completed+s.Cancelled }

// of points to the count of a state.
func (s *WorkSum) of(state WorkState) *int {
	switch state {
	case WorkCompleted:
		return &s.Completed
	case WorkCancelled:
		return &s.Cancelled
	}
	return &s.Open
}

// Hold says whether all three hold.
func (s Sums) Hold() bool { return s.Resources.Holds() && s.Patients.Holds() && s.Work.Holds() }

// countRecord is how the counts are stored.
type countRecord struct {
	V    int  `json:"v"`
	Sums Sums `json:"sums"`
}

func countKey() []byte { return kv.Key("count") }

// ReadCounts gives the sums as they are kept on the way: at once, but not
// counted. Count counts.
func ReadCounts(r kv.Reader) (Sums, error) {
	var c countRecord
	_, err := get(r, countKey(), &c)
	return c.Sums, err
}

// Count counts every term of the sums from the records themselves. It reads the
// whole store.
func Count(r kv.Reader) (Sums, error) {
	var s Sums
	for _, step := range []func(kv.Reader, *Sums) error{countResources, countPatients, countWork} {
		if err := step(r, &s); err != nil {
			return s, err
		}
	}
	return s, nil
}

// countResources counts the first sum. What could not be read is counted by what
// is kept of it as it came.
func countResources(r kv.Reader, s *Sums) (err error) {
	res := &s.Resources
	if res.Received, err = count(r, "got"); err != nil {
		return err
	}
	if res.NotRelevant, err = count(r, "skip"); err != nil {
		return err
	}
	if res.Quarantined, err = count(r, "raw"); err != nil {
		return err
	}
	from, to := kv.Prefix("rec")
	return r.Scan(from, to, func(_, text []byte) error {
		fate, unread, err := fateOf(text)
		if err == nil && !unread {
			*res.of(fate)++
		}
		return err
	})
}

func countPatients(r kv.Reader, s *Sums) (err error) {
	if s.Patients.WithImplant, err = count(r, "plan"); err != nil {
		return err
	}
	from, to := kv.Prefix("patient")
	return r.Scan(from, to, func(_, text []byte) error {
		var p struct {
			State surveil.State `json:"state"`
		}
		if err := json.Unmarshal(text, &p); err != nil {
			return damaged("the line of a patient cannot be read")
		}
		*s.Patients.of(p.State)++
		return nil
	})
}

func countWork(r kv.Reader, s *Sums) (err error) {
	if s.Work.Ever, err = count(r, "work"); err != nil {
		return err
	}
	for _, state := range []WorkState{WorkOpen, WorkCompleted, WorkCancelled} {
		if *s.Work.of(state), err = count(r, "work-in", string(state)); err != nil {
			return err
		}
	}
	return nil
}
