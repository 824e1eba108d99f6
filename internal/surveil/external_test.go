package surveil_test

import (
	"math"
	"os"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// eGFR by CKD-EPI 2021 (Inker LA, et al. N Engl J Med 2021;385:1737-49). The
// first row is the worked example that the National Kidney Foundation prints
// as 71; the others are worked from the printed equation by hand calculator.
// Rounded to 30, the last three are below 30.
func TestEGFR(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		creatinine float64
		age        int
		sex        string
		want       float64
	}{
		{1.20, 55, "male", 71.4178}, {0.90, 60, "male", 97.7750}, {0.70, 50, "female", 105.2976}, {0.50, 40, "female", 121.5193},
		{1.00, 60, "female", 64.4950}, {1.10, 75, "female", 52.4010}, {2.00, 76, "male", 33.9521}, {1.76, 74, "female", 29.9983},
		{1.80, 70, "female", 29.9357}, {2.40, 80, "female", 19.9183},
	} {
		if got := surveil.EGFR(c.creatinine, c.age, c.sex); math.Abs(got-c.want) > 0.00005 {
			t.Errorf("EGFR(%v, %d, %s) = %.4f, want %.4f", c.creatinine, c.age, c.sex, got, c.want)
		}
	}
}

// A trigger that the program has never heard of comes by a file alone:
// migration of 10 mm (Chaikof EL, et al. J Vasc Surg 2002;35:1048-60 and
// Fillinger MF, et al. J Vasc Surg 2010;52:1022-33 count it as migration).
func TestTriggerByFileAlone(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../testdata/protocols/migration-10mm.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, problems := protocol.Parse("migration-10mm.yaml", doc)
	if p == nil {
		t.Fatal(problems)
	}
	class := p.Classes[0]
	rules := &surveil.Rules{Care: map[string][]surveil.InForce{class: {{Protocol: p}}}, Settings: surveil.Defaults()}
	for tenths, want := range map[int]string{99: "routine", 100: "urgent"} {
		c, _ := chart.Assemble([]chart.Statement{
			{Ref: "Patient/p", Person: &chart.Person{ID: "p"}},
			{Ref: "Procedure/1", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/1"}, On: spanOf("2023-03-06"), Minute: day.NoMinute, Role: chart.RoleImplant, Class: class, Zone: "aorta"}},
			{Ref: "ImagingStudy/1", Study: &chart.Study{Source: chart.Source{Ref: "ImagingStudy/1"}, On: spanOf("2025-03-10"), Minute: day.NoMinute, Kind: chart.CTAngiogram, Covers: 0xffff}},
			{Ref: "Observation/1", Findings: []chart.Finding{{Source: chart.Source{Ref: "Observation/1"}, What: "migration", Type: "present", Tenths: tenths, Has: true, Study: "ImagingStudy/1", On: spanOf("2025-03-10")}}},
		}, chart.Options{Patient: "p"})
		found := ""
		for _, w := range surveil.Decide(c, rules, dayOf("2025-03-12")).Work {
			if w.Kind == surveil.WorkReview {
				found = w.Urgency
			}
		}
		if found != want {
			t.Errorf("migration of %d tenths of a millimetre: review %q, want %q", tenths, found, want)
		}
	}
}
