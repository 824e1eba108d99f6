package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
)

// Ask adds questions to a plan that follow from what people did with the work
// items, which Evaluate does not look at, and the work of answering them. Those
// that a person has answered since they arose are left out.
func Ask(p *Plan, c *chart.Chart, r *Rules, list []Question) {
	e := &engine{c: c, r: r, asOf: p.AsOf, seen: p.LastSeen}
	e.findRulings()
	rulings := e.rulings
	for _, q := range list {
		e.rulings = slices.DeleteFunc(slices.Clone(rulings), func(r chart.Ruling) bool { return r.From() < q.Since })
		q.Key = q.Kind + "|" + q.About
		if !e.answered(&q) {
			e.ask(q)
		}
	}
	if len(e.asked) == 0 {
		return
	}
	e.rulings = nil
	work := e.questionWork()
	e.rulings = rulings
	e.snooze(work)
	p.Questions = append(slices.Clone(p.Questions), e.asked...)
	p.Work = append(slices.Clone(p.Work), work...)
	slices.SortStableFunc(p.Questions, func(a, b Question) int {
		return cmp.Or(strings.Compare(a.Kind, b.Kind), strings.Compare(a.About, b.About))
	})
	slices.SortFunc(p.Work, func(a, b Work) int { return strings.Compare(a.Key, b.Key) })
}
