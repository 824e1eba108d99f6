package web_test

import (
	"reflect"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/prompt"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// section gives the words of the section with a heading; empty where there is
// none.
func section(root *html.Node, heading string) string {
	for _, s := range all(root, "section") {
		for _, h := range all(s, "h2") {
			if text(h) == heading {
				return text(s)
			}
		}
	}
	return ""
}

// Beside a due CT stand the prompts, each with its source, its records and their
// age; without one nothing is said.
func TestPromptsBesideTheDueVisit(t *testing.T) {
	t.Parallel()
	const heading = "Before the CT with contrast medium"
	root, _ := page(t, server(t, someWard(1)), "/patients/rich-1")
	got := section(root, heading)
	for _, want := range []string{"EVAR y7", "TEVAR y3", "Creatinine 1.76 mg/dL (156 µmol/L): eGFR 29 (female, 78 years).", "N Engl J Med 2021;385:1737-49", "Observation/creatinine ; 20 Jan 2026, 42 days old",
		"ACR and NKF", "from memory (sure)", "A severe allergy to iodinated contrast medium", "metformin look", "AAPM Report 96", "Not known is not safe", "Nothing here puts off or drops a visit"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not in\n%s", want, got)
		}
	}
	p := rich()
	for i := range p.Chart.Studies {
		p.Chart.Studies[i].Covers = 0
	}
	p.Chart.Dead = chart.Death{Known: true, On: day.On(today().Plus(-3))}
	p.Chart.Contacts = nil
	w := someWard(0)
	w.add(p)
	root, _ = page(t, server(t, w), "/patients/rich-1")
	if got := section(root, heading); got != "" {
		t.Errorf("nothing is due, and yet: %s", got)
	}
}

// Prompts decide nothing: the plan is the same with and without what they rest
// on, apart from a creatinine, which the engine itself asks for.
func TestPromptsChangeNoPlan(t *testing.T) {
	t.Parallel()
	p := rich()
	with := surveil.Evaluate(p.Chart, rules(), today())
	if list := prompt.For(p.Chart, &with, &rules().Settings); len(list) < 6 {
		t.Fatalf("only %d prompts", len(list))
	}
	p.Chart.Allergies, p.Chart.Medicines, p.Chart.Doses = nil, nil, nil
	if without := surveil.Evaluate(p.Chart, rules(), today()); !reflect.DeepEqual(with, without) {
		t.Error("an allergy, a medicine or a dose changes the plan")
	}
}

// The diameters stand as a drawing with error bars, in words and as a table; the
// baseline and the lowest value are marked, and a scan that shows two implants
// says so at both.
func TestDiametersOnThePage(t *testing.T) {
	t.Parallel()
	root, body := page(t, server(t, someWard(1)), "/patients/rich-1")
	var plot *html.Node
	for _, svg := range all(root, "svg") {
		if strings.Contains(attr(svg, "class"), "plot") && plot == nil {
			plot = svg
		}
	}
	if plot == nil {
		t.Fatal("no drawing")
	}
	counts := map[string]int{}
	for _, path := range all(plot, "path") {
		counts[attr(path, "class")]++
	}
	for class, want := range map[string]int{"run series-0": 1, "error series-0": 5, "series-0": 5, "run series-1": 1, "error series-1": 1, "series-1": 1} {
		if counts[class] != want {
			t.Errorf("%d paths of class %q, want %d", counts[class], class, want)
		}
	}
	for _, want := range []string{"CT, sac: 5 values, from 58.0 mm on 12 Mar 2019 to 57.5 mm on 2 Feb 2024", "52.1 mm, 30 Jul 2021, CT, sac, lowest", "58.0 mm, 12 Mar 2019, CT, sac, baseline"} {
		if !strings.Contains(text(plot), want) {
			t.Errorf("%q is not in the drawing: %s", want, text(plot))
		}
	}
	for _, want := range []string{"Since the lowest value of 30 Jul 2021 (52.1 mm): +5.4 mm; probability of any growth 98.3", "Reader two", "Cayne NS", "show another implant of this patient too"} {
		if !strings.Contains(text(root), want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	if n := strings.Count(body, "confirm with the same modality"); n != 0 {
		t.Errorf("the newest value has earlier ones of its own, and %d times the page asks to confirm it", n)
	}
}

// A value of another modality than those before it is only ever to be
// confirmed; a patient without values has no drawing.
func TestOtherModalityOnThePage(t *testing.T) {
	t.Parallel()
	p := rich()
	p.Chart.Findings = []chart.Finding{
		{Source: chart.Source{Ref: "Observation/1"}, What: "sac-diameter", Tenths: 520, Has: true, Method: "ct/sac", Covers: chart.Abdomen, On: day.On(day.Of(2024, 2, 6))},
		{Source: chart.Source{Ref: "Observation/2"}, What: "sac-diameter", Tenths: 580, Has: true, Method: "ultrasound/sac", Covers: chart.Abdomen, On: day.On(day.Of(2025, 2, 3)), Observer: `<b>"Eve"</b>`},
	}
	w := someWard(0)
	w.add(p)
	w.add(web.Patient{Chart: &chart.Chart{Patient: "bare", Operations: p.Chart.Operations}})
	_, body := page(t, server(t, w), "/patients/rich-1")
	if !strings.Contains(body, "confirm with the same modality") || strings.Contains(body, "grown at all") || strings.Contains(body, `<b>"Eve"`) {
		t.Error("a duplex after a CT is compared, or not asked to be confirmed, or an observer's name is not escaped")
	}
	if _, body = page(t, server(t, w), "/patients/bare"); strings.Contains(body, "Measured diameters") {
		t.Error("nothing was measured, and there is a drawing")
	}
}
