package surveil_test

import (
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// A rolling series owes one visit at a time, a year after the last imaging;
// imaging long before its time moves it on and counts for nothing.
func TestRollingSeries(t *testing.T) {
	t.Parallel()
	cta := []protocol.Way{{Kinds: []chart.Kind{chart.CTAngiogram}}}
	p := &protocol.Protocol{ID: "rolling", Version: "1", Classes: []string{"evar"}, Late: true, Gap: day.Offset{Months: 15}, Covers: []protocol.Cover{{Needs: chart.Abdomen}},
		Series: []protocol.Series{{ID: "main", Rolling: true, Ladder: true, Repeat: &protocol.Repeat{Every: day.Offset{Months: 12}, Before: 90, After: 90, Ways: cta}}}}
	rules := &surveil.Rules{Care: map[string][]surveil.InForce{"evar": {{Protocol: p}}}, Settings: surveil.Defaults()}
	said := []chart.Statement{
		{Ref: "Patient/p", Person: &chart.Person{ID: "p"}},
		{Ref: "Procedure/1", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/1"}, On: spanOf("2020-03-10"), Minute: day.NoMinute, Role: chart.RoleImplant, Class: "evar", Zone: "abdominal-aorta"}},
	}
	for _, on := range []string{"2021-02-20", "2021-06-01", "2022-09-30"} {
		said = append(said, chart.Statement{Ref: "ImagingStudy/" + on, Study: &chart.Study{Source: chart.Source{Ref: "ImagingStudy/" + on}, On: spanOf(on), Minute: day.NoMinute,
			Kind: chart.CTAngiogram, Covers: chart.Abdomen}})
	}
	c, _ := chart.Assemble(said, chart.Options{Patient: "p"})
	got := surveil.Decide(c, rules, dayOf("2023-10-01")).Implants[0].Visits
	want := []struct{ step, target, standing, study string }{
		{"r1", "2021-03-10", "done", "2021-02-20"}, {"r2", "2022-06-01", "done", "2022-09-30"}, {"r3", "2023-09-30", "open", ""},
	}
	if len(got) != len(want) {
		t.Fatalf("%d visits, want %d: %+v", len(got), len(want), got)
	}
	for i, w := range want {
		if v := got[i]; v.Step != w.step || v.Target.String() != w.target || string(v.Standing) != w.standing || w.study != "" && v.Study != "ImagingStudy/"+w.study {
			t.Errorf("visit %d is %s %s %s %s, want %+v", i+1, v.Step, v.Target, v.Standing, v.Study, w)
		}
	}
	if n := surveil.CyclesMissed(dayOf("2023-09-30"), dayOf("2026-01-01"), day.Offset{Months: 12}); n != 2 {
		t.Errorf("%d cycles missed, want 2", n)
	}
}
