package clinic

import (
	"time"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// begin gives the rules of the settings, and fills in what the rules leave to the store: reports are work from the day
// on which the store was made, where the site names no day.
func (c *Clinic) begin(made time.Time) *surveil.Rules {
	rules := *c.given
	if rules.Settings.Start == 0 {
		rules.Settings.Start = c.civil(made)
	}
	return &rules
}

// civil is the day of the site on which a moment falls.
func (c *Clinic) civil(at time.Time) day.Day {
	y, m, d := at.In(c.o.Zone).Date()
	return day.Of(y, int(m), d)
}

// rulesOn are the rules for a day. A feed that is silent for longer than the
// settings allow holds back what follows from a patient's silence: silent says
// so, and then those who are looked at are to be looked at again the next day.
// While the feeds are in time nothing is said of them to the engine, which
// otherwise would take them to stop today and never wake anybody for a rung.
func (c *Clinic) rulesOn(r kv.Reader, asOf day.Day) (rules *surveil.Rules, silent bool, err error) {
	complete := day.Day(0)
	for i, name := range c.o.Feeds {
		s, err := store.ReadSource(r, name)
		if err != nil {
			return nil, false, err
		}
		if s.Success.IsZero() {
			m, err := store.ReadMeta(r)
			if err != nil {
				return nil, false, err
			}
			s.Success = m.Made
		}
		if on := c.civil(s.Success); i == 0 || on < complete {
			complete = on
		}
	}
	inForce := c.Rules()
	if len(c.o.Feeds) == 0 || complete.Plus(inForce.Settings.FeedStaleDays) >= asOf {
		return inForce, false, nil
	}
	held := *inForce
	held.Settings.CompleteTo = complete
	return &held, true, nil
}
