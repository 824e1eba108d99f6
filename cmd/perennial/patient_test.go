package main

import (
	"bytes"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/prompt"
	"perennial/internal/surveil"
)

// The diameters with their error, and the prompts beside a due visit with their
// sources and ages; without a due visit there are no prompts.
func TestPatientShowsWhatToThinkOf(t *testing.T) {
	t.Parallel()
	size := func(on day.Day, tenths int) chart.Finding {
		return chart.Finding{Source: chart.Source{Ref: "Observation/s"}, What: "sac-diameter", Has: true, Tenths: tenths, Method: "ct/sac", On: day.On(on), Observer: "Reader two"}
	}
	v := clinic.View{Patient: "p1", Chart: &chart.Chart{Name: "Testa Quay", Findings: []chart.Finding{size(day.Of(2024, 2, 10), 520), size(day.Of(2025, 2, 10), 580)},
		Allergies: []chart.Allergy{{Source: chart.Source{Ref: "AllergyIntolerance/a"}, On: day.On(day.Of(2026, 3, 1))}}}}
	v.Plan = surveil.Plan{AsOf: day.Of(2026, 3, 3), Surveillance: surveil.StateActive, Implants: []surveil.Implant{{ID: "Procedure/x", Class: "open-repair", Index: day.On(day.Of(2024, 1, 9)), Protocol: "a@1", Chosen: "site"}}}
	set := surveil.Defaults()
	v.Prompts = prompt.For(v.Chart, &v.Plan, &set)
	const head = `p1  Testa Quay  surveillance active

Procedure/x  open-repair  implanted 9 Jan 2024  by a@1, chosen by site

diameter  CT, sac
          52.0 mm  10 Feb 2024  Reader two
          58.0 mm  10 Feb 2025  Reader two
          Since the baseline of 10 Feb 2024 (52.0 mm): +6.0 mm, enlarged. If two measurements of the same sac lie within 5.0 mm of one another in 95 of 100 cases, the probability that it has grown at all is 99.1 %, by 5 mm or more 65.2 %.
          Over all values: +6.0 mm a year (95 % interval +1.0 to +11.0); the probability that it is growing is 99.1 %.
          Error of measuring: CT: 5 mm, where one standardised method is used throughout (standardised readers differed by 2.8 mm, SD 4.4, others by 4.0, SD 5.1: Cayne NS, et al. J Vasc Surg 2004;39:811-5).

`
	const prompts = `Before the CT with contrast medium (Procedure/x/y2), to think of; nothing here puts off or drops a visit:
prompt    kidneys (not known): No creatinine and no eGFR is on record.
          set here; the site's kidney-days and kidney-long-days [DESIGN]
prompt    contrast allergy (note): An allergy to contrast medium is on record, not marked severe. Premedication by local policy.
          set here, after the ACR Manual on Contrast Media [DESIGN]; 1 Mar 2026, 2 days old AllergyIntolerance/a

`
	check := func(want string) {
		t.Helper()
		var b bytes.Buffer
		if err := writePatient(&b, &v); err != nil || b.String() != want {
			t.Errorf("%v; got\n%s\nwant\n%s", err, b.String(), want)
		}
	}
	check(head)
	v.Beside = []*surveil.Visit{{Implant: "Procedure/x", Clock: 1, Step: "y2"}}
	check(head + prompts)
}
