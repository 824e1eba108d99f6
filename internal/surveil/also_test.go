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

// The guideline asks for CT angiography and duplex at the first visit (SVS 2018,
// from memory). The CT alone does it, and where no duplex lies within 30 days the
// reasons say so, and only there.
func TestDuplexBesideTheFirstScan(t *testing.T) {
	t.Parallel()
	set, problems := protocol.Load(os.DirFS("../../config/protocols"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	both := chart.Abdomen | chart.Pelvis
	ct := day.Of(2024, 4, 3)
	for name, c := range map[string]struct {
		study *chart.Study // beside the CT
		said  bool
	}{
		"no duplex":                {nil, true},
		"on the day":               {scanOn(chart.Duplex, ct, both), false},
		"thirty days later":        {scanOn(chart.Duplex, ct.Plus(30), both), false},
		"thirty-one days later":    {scanOn(chart.Duplex, ct.Plus(31), both), true},
		"nine days before":         {scanOn(chart.Duplex, ct.Plus(-9), both), false},
		"a duplex of the neck":     {scanOn(chart.Duplex, ct, chart.Carotid), true},
		"a limited duplex":         {scanOn(chart.DuplexLimited, ct, both), true},
		"a second CT is no duplex": {scanOn(chart.CTAngiogram, ct.Plus(5), both), true},
	} {
		first := scanOn(chart.CTAngiogram, ct, both)
		first.Ref = "ImagingStudy/first"
		one := &chart.Chart{Patient: "p", Operations: []chart.Operation{{Source: chart.Source{Ref: "Procedure/e"}, On: day.On(day.Of(2024, 3, 4)),
			Role: chart.RoleImplant, Class: "evar", Zone: "abdominal-aorta", Minute: day.NoMinute}}, Studies: []chart.Study{*first}}
		if c.study != nil {
			one.Studies = append(one.Studies, *c.study)
		}
		p := surveil.Evaluate(one, &surveil.Rules{Care: surveil.CareFrom(set, nil), All: set, Settings: surveil.Defaults()}, day.Of(2024, 8, 1))
		v := p.Implants[0].Visits[0]
		said := slices.ContainsFunc(v.Why, func(r surveil.Reason) bool { return r.Rule == "also-missing" })
		if v.Step != "m1" || v.Standing != surveil.Done || said != c.said {
			t.Errorf("%s: %s is %s, said %v, want %v", name, v.Step, v.Standing, said, c.said)
		}
		if y1 := p.Implants[0].Visits[1]; slices.ContainsFunc(y1.Why, func(r surveil.Reason) bool { return r.Rule == "also-missing" }) {
			t.Errorf("%s: said of %s too", name, y1.Step)
		}
	}
}

// scanOn is a study of a kind on a day.
func scanOn(kind chart.Kind, on day.Day, covers chart.Territory) *chart.Study {
	return &chart.Study{Source: chart.Source{Ref: "ImagingStudy/" + kind.String() + on.String()}, On: day.On(on), Minute: day.NoMinute, Kind: kind, Covers: covers, State: chart.StudyAvailable}
}
