package surveil_test

import (
	"os"
	"slices"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// filterPlan is the plan of a patient with a filter placed on 1 March 2026.
func filterPlan(t *testing.T, asOf day.Day, rulings []chart.Ruling, more ...chart.Operation) surveil.Plan {
	t.Helper()
	set, problems := protocol.Load(os.DirFS("../../config/protocols"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	c := &chart.Chart{Patient: "p", Rulings: rulings, Operations: append([]chart.Operation{{Source: chart.Source{Ref: "Procedure/f"}, On: day.On(day.Of(2026, 3, 1)),
		Role: chart.RoleImplant, Class: "filter", Zone: "vena-cava", Minute: day.NoMinute}}, more...)}
	return surveil.Evaluate(c, &surveil.Rules{Care: surveil.CareFrom(set, nil), All: set, Settings: surveil.Defaults()}, asOf)
}

// A filter is to be decided on between day 29 and 54 (FDA 2014, by a summary);
// the decision does the visit, and the question comes again after a year.
func TestFilter(t *testing.T) {
	t.Parallel()
	p := filterPlan(t, day.Of(2026, 4, 10), nil)
	m := &p.Implants[0]
	if v := m.Visits[0]; m.Protocol != "fda-2014-filter@1" || v.Step != "d42" || v.Opens.Text() != "30 Mar 2026" || v.Closes.Text() != "24 Apr 2026" || v.Standing != surveil.Open {
		t.Errorf("%s: %+v", m.Protocol, v)
	}
	if p.Surveillance != surveil.StateActive || p.ImagingGap || len(p.Questions) > 0 {
		t.Errorf("%s, gap %v, questions %v", p.Surveillance, p.ImagingGap, p.Questions)
	}
	if len(p.Work) != 1 || !slices.ContainsFunc(p.Work[0].Why, func(r surveil.Reason) bool { return r.Rule == "asks-for-decision" }) {
		t.Errorf("work %+v", p.Work)
	}
	decided := []chart.Ruling{{ID: "r1", Patient: "p", Kind: chart.RuleReviewed, Visit: "Procedure/f/d42", Who: "N. Quay", When: "2026-04-12T09:00:00Z", Why: "stays in: still at risk"}}
	p = filterPlan(t, day.Of(2026, 4, 20), decided)
	m = &p.Implants[0]
	if v := m.Visits[0]; v.Standing != surveil.Done || v.Timing != "on-time" || v.Result != "reviewed" || v.StudyDate.Text() != "12 Apr 2026" || v.Why[len(v.Why)-1].Rule != "decided-by-person" {
		t.Errorf("after the decision: %+v", v)
	}
	if m.Next < 0 || m.Visits[m.Next].Step != "y1" || len(p.Work) > 0 {
		t.Errorf("next %d of %+v, work %v", m.Next, m.Visits, p.Work)
	}
	if p = filterPlan(t, day.Of(2027, 8, 1), decided); p.ImagingGap {
		t.Error("no imaging is asked for, and yet there is a gap in it")
	}
}

// A filter that was taken out leaves nothing to follow, and no open repair.
func TestFilterTakenOut(t *testing.T) {
	t.Parallel()
	out := chart.Operation{Source: chart.Source{Ref: "Procedure/out"}, On: day.On(day.Of(2026, 4, 15)), Role: chart.RoleExplant, Zone: "vena-cava", Minute: day.NoMinute}
	p := filterPlan(t, day.Of(2026, 6, 1), nil, out)
	if len(p.Implants) != 1 || p.Surveillance != surveil.StateEnded || p.Ended != surveil.EndExplanted || p.Implants[0].Why[len(p.Implants[0].Why)-1].Rule != "filter-out" {
		t.Errorf("%d implants, %s %s", len(p.Implants), p.Surveillance, p.Ended)
	}
	// The same ruling does nothing for a visit that wants imaging.
	set, _ := protocol.Load(os.DirFS("../../config/protocols"))
	c := &chart.Chart{Patient: "p", Operations: []chart.Operation{{Source: chart.Source{Ref: "Procedure/e"}, On: day.On(day.Of(2026, 3, 1)), Role: chart.RoleImplant, Class: "evar", Zone: "abdominal-aorta", Minute: day.NoMinute}},
		Rulings: []chart.Ruling{{ID: "r1", Patient: "p", Kind: chart.RuleReviewed, Visit: "Procedure/e/m1", Who: "N. Quay", When: "2026-04-02T09:00:00Z", Why: "x"}}}
	p = surveil.Evaluate(c, &surveil.Rules{Care: surveil.CareFrom(set, nil), All: set, Settings: surveil.Defaults()}, day.Of(2026, 4, 10))
	if v := p.Implants[0].Visits[0]; v.Standing != surveil.Open {
		t.Errorf("a decision did an imaging visit: %+v", v)
	}
}
