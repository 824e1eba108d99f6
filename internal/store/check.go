package store

import (
	"fmt"

	"perennial/internal/kv"
	"perennial/internal/surveil"
)

// Check counts the sums and verifies every index against what it is an index of.
// It gives one line for each sort of thing that is wrong, with how often; no line
// names a patient.
func Check(r kv.Reader) (Sums, []string, error) {
	counted, err := Count(r)
	if err != nil {
		return counted, nil, err
	}
	c := &checker{r: r, wrong: map[string]int{}}
	kept, err := ReadCounts(r)
	if err != nil {
		return counted, nil, err
	}
	c.sums(counted, kept)
	for _, step := range []func() error{c.records, c.identity, c.plans, c.wakes, c.work, c.workIndexes, c.rulings, c.labels} {
		if err := step(); err != nil {
			return counted, nil, err
		}
	}
	return counted, c.lines(), nil
}

// checker notes what is wrong.
type checker struct {
	r     kv.Reader
	wrong map[string]int
	order []string
}

func (c *checker) note(what string) {
	if c.wrong[what] == 0 {
		c.order = append(c.order, what)
	}
	c.wrong[what]++
}

func (c *checker) lines() []string {
	var list []string
	for _, what := range c.order {
		list = append(list, fmt.Sprintf("%s (%d times)", what, c.wrong[what]))
	}
	return list
}

func (c *checker) sums(counted, kept Sums) {
	if !counted.Resources.Holds() {
		c.note(fmt.Sprintf("resources received are not the sum of what became of them: %+v", counted.Resources))
	}
	if !counted.Patients.Holds() {
		c.note(fmt.Sprintf("patients with an implant are not the sum of their states: %+v", counted.Patients))
	}
	if !counted.Work.Holds() {
		c.note(fmt.Sprintf("work items ever made are not the sum of their states: %+v", counted.Work))
	}
	if counted != kept {
		c.note(fmt.Sprintf("the sums kept on the way (%+v) are not those counted (%+v)", kept, counted))
	}
}

// there notes what is wrong where a key is missing.
func (c *checker) there(key []byte, what string) error {
	text, err := c.r.Get(key)
	if err == nil && text == nil {
		c.note(what)
	}
	return err
}

// each visits all pairs with a prefix.
func (c *checker) each(kind string, visit func(key, text []byte) error) error {
	from, to := kv.Prefix(kind)
	return c.r.Scan(from, to, visit)
}

// records checks that every record and every receipt has the other.
func (c *checker) records() error {
	for _, kind := range []string{"rec", "raw", "skip"} {
		err := c.each(kind, func(_, text []byte) error {
			rec, err := decodeRecord(text)
			if err != nil {
				return err
			}
			return c.there(rec.gotKey(), kind+": a record without a receipt")
		})
		if err != nil {
			return err
		}
	}
	return c.each("got", func(key, text []byte) error {
		var g receipt
		if err := decode(text, &g); err != nil {
			return err
		}
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 3 {
			return damaged("a key is not one of ours")
		}
		if g.Patient != "" {
			return c.there(kv.Key("rec", part(g.Patient), parts[1], parts[2]), "got: a receipt without its record")
		}
		raw, err := c.r.Get(kv.Key("raw", parts[1], parts[2]))
		if err != nil || raw != nil {
			return err
		}
		return c.there(kv.Key("skip", parts[1], parts[2]), "got: a receipt without its record")
	})
}

// identity checks that ties go both ways.
func (c *checker) identity() error {
	return c.each("tie", func(key, _ []byte) error {
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 3 {
			return damaged("a key is not one of ours")
		}
		return c.there(kv.Key("tie", parts[2], parts[1]), "tie: it goes one way only")
	})
}

// plans checks plans, lines, wake days and the open work of each patient.
func (c *checker) plans() error {
	err := c.each("plan", func(_, text []byte) error {
		p, err := decodePlan(text)
		if err != nil {
			return err
		}
		line, found, err := ReadLine(c.r, p.Patient)
		switch {
		case err != nil:
			return err
		case !found:
			c.note("plan: a patient without a line")
		case line.State != p.Surveillance || line.FollowUp != p.FollowUp:
			c.note("plan: the line of a patient says something else")
		}
		if p.Wake > 0 {
			if err := c.there(wakeKey(p.Wake, p.Patient), "plan: the day on which it wakes is not noted"); err != nil {
				return err
			}
		}
		return c.planWork(p)
	})
	if err != nil {
		return err
	}
	return c.each("patient", func(_, text []byte) error {
		var l lineRecord
		if err := decode(text, &l); err != nil {
			return err
		}
		return c.there(planKey(l.Patient), "patient: a line without a plan")
	})
}

// planWork checks that the open items of a patient are those of the plan.
func (c *checker) planWork(p *surveil.Plan) error {
	open := map[string]bool{}
	items, err := ItemsOf(c.r, p.Patient)
	if err != nil {
		return err
	}
	for i := range items {
		if items[i].State == WorkOpen {
			open[items[i].Now] = true
		}
	}
	for i := range p.Work {
		if !open[p.Work[i].Key] {
			c.note("plan: work that has no open item")
		}
	}
	if len(open) > len(p.Work) {
		c.note("plan: an open item that the plan does not ask for")
	}
	return nil
}

// wakes checks that wake days say whom they wake.
func (c *checker) wakes() error {
	return c.each("wake", func(key, patient []byte) error {
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 3 || parts[2] != part(string(patient)) {
			c.note("wake: it names another patient than its key")
		}
		return nil
	})
}

// work checks that every item stands where its state, its patient and its key
// say.
func (c *checker) work() error {
	return c.each("work", func(_, text []byte) error {
		it, err := decodeItem(text)
		if err != nil {
			return err
		}
		if err := c.there(workInKey(it.State, it.Work.By, it.Key), "work: an item is not in the order of its state"); err != nil {
			return err
		}
		holder, found, err := FindItem(c.r, it.Now)
		if err != nil {
			return err
		}
		if !found || holder.Key != it.Key {
			c.note("work: the present key of an item leads to another, or nowhere")
		}
		if it.State == WorkOpen {
			if err := c.there(planKey(it.Patient), "work: an open item of somebody without a plan"); err != nil {
				return err
			}
		}
		return c.there(workOfKey(it.Patient, it.Key), "work: an item is not among those of its patient")
	})
}

// workIndexes checks that every place in an order leads to an item.
func (c *checker) workIndexes() error {
	for _, kind := range []string{"work-in", "work-of", "work-now"} {
		err := c.each(kind, func(_, key []byte) error {
			return c.there(workKey(string(key)), kind+": it leads to no item")
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// rulings checks that every ruling is found by its id.
func (c *checker) rulings() error {
	err := c.each("ruling", func(_, text []byte) error {
		var rec rulingRecord
		if err := decode(text, &rec); err != nil {
			return err
		}
		return c.there(rulingIDKey(rec.ID), "ruling: it is not found by its id")
	})
	if err != nil {
		return err
	}
	return c.each("ruling-id", func(key, patient []byte) error {
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 2 {
			return damaged("a key is not one of ours")
		}
		return c.there(kv.Key("ruling", part(string(patient)), parts[1]), "ruling-id: it leads to no ruling")
	})
}
