package web_test

import (
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// The page of a patient shows what studies are told, apart from the care, and why
// the implant is followed as it is. A study that the settings do not name stands
// there by its name.
func TestStudyScopeOnThePatientPage(t *testing.T) {
	t.Parallel()
	r := *rules()
	trial := r.All["label-1-6-12-trial"]
	r.Studies = []surveil.Study{{Key: "ResearchStudy/harbour", Name: "Harbour <study>", Protocol: trial}}
	r.StudyCare = []surveil.StudyCare{{Key: "ResearchStudy/harbour", Name: "Harbour <study>", Protocol: trial}}
	enrolled := func(id, name, status string, to day.Span) *chart.Chart {
		return &chart.Chart{Patient: id, Operations: []chart.Operation{operation("e", day.Of(2025, 1, 10), chart.RoleImplant, "evar")}, Studies: []chart.Study{study("m1", day.Of(2025, 2, 9), chart.CTAngiogram)},
			Enrolments: []chart.Enrolment{{Source: chart.Source{Ref: "ResearchSubject/s"}, Study: name, Status: status, From: day.On(day.Of(2025, 1, 2)), To: to}}}
	}
	w := &ward{patients: map[string]web.Patient{}}
	for _, c := range []*chart.Chart{enrolled("on", "ResearchStudy/harbour", "on-study", day.Span{}), enrolled("left", "ResearchStudy/harbour", "withdrawn", day.On(day.Of(2025, 6, 1))),
		enrolled("other", "ResearchStudy/<other>", "on-study", day.Span{}), {Patient: "none", Operations: []chart.Operation{operation("e", day.Of(2025, 1, 10), chart.RoleImplant, "evar")}}} {
		plan := surveil.Evaluate(c, &r, today())
		w.patients[c.Patient] = web.Patient{Plan: &plan, Chart: c}
	}
	s := server(t, w)
	for id, words := range map[string][]string{
		"on": {"Study scope", "Harbour &lt;study&gt;, EVAR", "On the study since 2 Jan 2025.", "its protocol also makes the work", "A device study that the patient is on since 2 Jan 2025 decides: label-1-6-12-trial@1 of Harbour &lt;study&gt;, before the society&#39;s protocol svs-aaa-2018.",
			"in window", "9 Feb 2025", "draft protocol"},
		"left":  {"until 1 Jun 2025 (withdrawn)", "Leaving a study ends its reports, not the care: that goes on.", "not expected", "the care goes on by the next protocol in order"},
		"other": {"ResearchStudy/&lt;other&gt;", "No protocol is set for it: nothing is reported."},
	} {
		_, text := page(t, s, "/patients/"+id)
		for _, word := range words {
			if !strings.Contains(text, word) {
				t.Errorf("the page of %s lacks %q", id, word)
			}
		}
	}
	if _, text := page(t, s, "/patients/none"); strings.Contains(text, "Study scope") {
		t.Error("a study scope without a study")
	}
}
