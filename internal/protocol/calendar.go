package protocol

import (
	"cmp"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Slot is one visit of a calendar: when it would be for an operation on a
// certain day.
type Slot struct {
	Series, Step          string
	At                    day.Offset
	Every                 day.Offset // it comes again so often; zero: it does not
	Until                 day.Offset // up to there; zero: for life
	Target, Opens, Closes day.Day
	Ways                  []Way
	Needs                 chart.Territory
	OnlyIf                *Condition // on the first scan
	Also                  *Also      // imaging that the source asks for beside it
	Cite                  Cite
}

// Calendar is what the protocol asks for after an operation of a class on a day,
// up to an offset: the fixed visits and the repeats, by target. It is for people
// who read a protocol; what holds for a patient package surveil decides.
func (p *Protocol) Calendar(class string, index day.Day, to day.Offset) []Slot {
	need := p.Need(class, func(string) bool { return false })
	last := index.Add(to)
	var list []Slot
	for i := range p.Series {
		s := &p.Series[i]
		if !s.For(class) {
			continue
		}
		put := func(slot Slot, before, after int) {
			slot.Series, slot.Target = s.ID, index.Add(slot.At)
			slot.Opens, slot.Closes = slot.Target.Plus(-before), slot.Target.Plus(after)
			if slot.Needs == 0 {
				slot.Needs = need
			}
			if slot.Target <= last {
				list = append(list, slot)
			}
		}
		for _, step := range s.Steps {
			put(Slot{Step: step.ID, At: step.At, Ways: step.Ways, Needs: step.Needs, OnlyIf: step.OnlyIf, Also: step.Also, Cite: step.Cite}, step.Before, step.After)
		}
		r := s.Repeat
		if r == nil || r.Every.Months < 1 {
			continue
		}
		for at := r.From; (r.Until.Zero() || at.Months <= r.Until.Months) && index.Add(at) <= last; at.Months += r.Every.Months {
			put(Slot{Step: s.RepeatID(at), At: at, Every: r.Every, Until: r.Until, Ways: r.Ways, Needs: r.Needs, Cite: r.Cite}, r.Before, r.After)
		}
	}
	slices.SortStableFunc(list, func(a, b Slot) int { return cmp.Compare(a.Target, b.Target) })
	return list
}

// Alone are the kinds of imaging of which one study does the visit by itself.
func (s *Slot) Alone() []chart.Kind { return alone(s.Ways) }

// Alone are the kinds of imaging of which one study does an added visit by itself.
func (e *Effect) Alone() []chart.Kind {
	switch {
	case e.Visit != nil:
		return alone(e.Visit.Ways)
	case e.Series != nil:
		return alone(e.Series.Ways)
	}
	return nil
}

func alone(ways []Way) []chart.Kind {
	var kinds []chart.Kind
	for _, w := range ways {
		if !w.Acceptance && len(w.With) == 0 {
			kinds = append(kinds, w.Kinds...)
		}
	}
	return kinds
}
