package surveil

import "perennial/internal/chart"

// snooze hides work items until a day that a person chose: never beyond the
// close of the visit, nor the day by which the item is wanted, and never what
// is overdue already.
func (e *engine) snooze(list []Work) {
	for i := range list {
		w := &list[i]
		for j := range e.rulings {
			r := &e.rulings[j]
			if r.Kind != chart.RuleSnooze || r.About != w.Key {
				continue
			}
			limit := r.From().Plus(e.r.Settings.QuestionDays)
			if w.By > 0 {
				limit = w.By
			}
			if until := min(r.Until, limit); w.Kind != WorkChase && !e.reached(until) {
				w.Snoozed = until
			} else {
				w.Snoozed = 0
			}
		}
	}
}
