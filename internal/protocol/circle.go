package protocol

import (
	"slices"
	"strings"

	"perennial/internal/chart"
)

// checkCircles looks for triggers that would go on firing one another: an added
// visit whose own imaging, without a person between, shows again what adds the
// next visit. What compares two methods fires once for each, operations are not
// seen on a study, and "again: yes" says that it is meant so. A row of added visits
// ends, and what its imaging shows again begins no further one: it closes no circle.
func (p *parser) checkCircles(list []Trigger) {
	told := map[string]bool{}
	for i := range list {
		way := circle(list, i, i, nil)
		if way == nil || told[list[i].ID] {
			continue
		}
		var names []string
		for _, j := range way {
			names = append(names, list[j].ID)
			told[list[j].ID] = true
		}
		p.report(p.whenAt[i], "", "a circle: the visit that %s adds shows again what adds the next (%s); name under \"seen\" other imaging than that of the visit, or write \"again: yes\" in the visit if visits are to follow one another for as long as it is seen",
			list[i].ID, strings.Join(append(names, list[i].ID), " → "))
	}
}

// circle is a way from a trigger back to the goal; nil where there is none.
func circle(list []Trigger, from, goal int, way []int) []int {
	way = append(slices.Clone(way), from)
	for next := range list {
		if !leads(&list[from], &list[next]) {
			continue
		}
		if next == goal {
			return way
		}
		if slices.Contains(way, next) {
			continue
		}
		if found := circle(list, next, goal, way); found != nil {
			return found
		}
	}
	return nil
}

// leads says whether the imaging of the visit that a trigger adds may fire another
// that adds one.
func leads(from, to *Trigger) bool {
	v := from.Then.Visit
	if v == nil || v.Again || to.Then.Visit == nil || !shareClass(from, to) {
		return false
	}
	return slices.ContainsFunc(v.Ways, func(w Way) bool {
		return !w.Acceptance && slices.ContainsFunc(w.Kinds, func(k chart.Kind) bool { return fires(&to.When, k) })
	})
}

// fires says whether a condition may hold again on a kind of imaging.
func fires(c *Condition, k chart.Kind) bool {
	if len(c.Any) > 0 {
		return slices.ContainsFunc(c.Any, func(one Condition) bool { return fires(&one, k) })
	}
	return c.Event == "" && !c.Across && (len(c.Seen) == 0 || slices.Contains(c.Seen, k))
}

func shareClass(a, b *Trigger) bool {
	return len(a.Classes) == 0 || len(b.Classes) == 0 || slices.ContainsFunc(a.Classes, func(c string) bool { return slices.Contains(b.Classes, c) })
}
