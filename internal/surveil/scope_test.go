package surveil_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// shippedSet are the protocols that perennial ships.
var shippedSet = sync.OnceValue(func() protocol.Set {
	set, problems := protocol.Load(os.DirFS("../../config/protocols"))
	if len(problems) > 0 {
		panic(problems[0].Error())
	}
	return set
})

const (
	quay   = "ResearchStudy/quay-graft-study"
	device = "09990000000012"
)

// scoped are rules with the Quay graft study; care says whether it makes the work.
func scoped(t testing.TB, care bool) *surveil.Rules {
	t.Helper()
	bins, problems := protocol.LoadProfiles(os.DirFS("../../config/windows"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	set := shippedSet()
	r, p := &surveil.Rules{All: set, Care: surveil.CareFrom(set, nil), Settings: surveil.Defaults()}, set["label-1-6-12-trial"]
	r.Studies = []surveil.Study{{Key: quay, Name: "Quay graft study", Protocol: p, Bins: bins[p.Bins]}}
	if care {
		r.StudyCare = []surveil.StudyCare{{Key: quay, Name: "Quay graft study", Protocol: p}}
	}
	return r
}

// file is what is known of a patient with an EVAR of 3 Jul 2023, and more.
type file struct {
	statements []chart.Statement
	rulings    []chart.Ruling
}

func evarFile(scans ...string) file {
	f := file{statements: []chart.Statement{{Ref: "Patient/p", Person: &chart.Person{ID: "p", Born: "1950-05-05"}},
		{Ref: "Device/d", Device: &chart.Device{Source: chart.Source{Ref: "Device/d"}, Class: "evar", Zone: "abdominal-aorta", IsImplant: true, UDI: device}},
		{Ref: "Procedure/e", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/e"}, On: spanOf("2023-07-03"), Minute: day.NoMinute, Role: chart.RoleImplant,
			Class: "evar", Zone: "abdominal-aorta", Devices: []string{"Device/d"}}}}}
	for _, on := range scans {
		f.scan(on)
	}
	return f
}

func (f *file) scan(on string) {
	ref := fmt.Sprintf("ImagingStudy/%s", on)
	f.statements = append(f.statements, chart.Statement{Ref: ref, Study: &chart.Study{Source: chart.Source{Ref: ref}, On: spanOf(on), Minute: day.NoMinute, Kind: chart.CTAngiogram, Covers: chart.Chest | chart.Abdomen | chart.Pelvis}})
}

// enrol adds a part in a study: status, begin and end.
func (f file) enrol(study, status, from, to string) file {
	ref := fmt.Sprintf("ResearchSubject/%d", len(f.statements))
	f.statements = append(slices.Clip(f.statements), chart.Statement{Ref: ref, Enrolment: &chart.Enrolment{Source: chart.Source{Ref: ref}, Study: study, Status: status, From: spanOf(from), To: spanOf(to)}})
	return f
}

// rule adds a ruling.
func (f file) rule(kind chart.RulingKind, on, about, value string) file {
	f.rulings = append(slices.Clip(f.rulings), chart.Ruling{ID: fmt.Sprintf("r%d", len(f.rulings)+1), Patient: "p", Kind: kind, On: dayOf(on), About: about, Value: value, Who: "N. Quay", When: on + "T09:00:00Z", Why: "as agreed"})
	return f
}

func (f file) chart() *chart.Chart {
	c, _ := chart.Assemble(f.statements, chart.Options{Patient: "p", Rulings: f.rulings})
	return c
}

func (f file) plan(r *surveil.Rules, asOf string) surveil.Plan {
	return surveil.Decide(f.chart(), r, dayOf(asOf))
}

// told is what a report says, in short.
func told(r *surveil.Report) string {
	out := fmt.Sprintf("%s %s..%s %s:", r.Implant, r.From, r.Until, r.Left)
	for _, v := range r.Visits {
		out += " " + v.Step + " " + string(v.State)
		if v.StudyDate.Known() {
			out += " " + v.StudyDate.String()
		}
	}
	return out
}

// By which statuses, periods and rulings a patient is on study, from when to when.
// The statuses are those of R4 ResearchSubject.status.
func TestOnStudy(t *testing.T) {
	t.Parallel()
	base := evarFile("2023-08-02")
	const none = ""
	m1 := " m1 in-window 2023-08-02"
	for name, c := range map[string]struct {
		file file
		want string
	}{
		"on study":                     {base.enrol(quay, "on-study", "2023-06-20", ""), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"follow-up":                    {base.enrol(quay, "follow-up", "2023-06-20", ""), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"observation, no day":          {base.enrol(quay, "on-study-observation", "", ""), "Procedure/e .. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"at another server":            {base.enrol("https://fhir.quay.example/r4/"+quay, "on-study-intervention", "2023-06-20", ""), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"withdrawn":                    {base.enrol(quay, "withdrawn", "2023-06-20", "2024-01-03"), "Procedure/e 2023-06-20..2024-01-03 withdrawn:" + m1 + " m6 missed y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"the day before the target":    {base.enrol(quay, "off-study", "2023-06-20", "2024-01-02"), "Procedure/e 2023-06-20..2024-01-02 off-study:" + m1 + " m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"a period that ends":           {base.enrol(quay, "on-study", "2023-06-20", "2024-01-02"), "Procedure/e 2023-06-20..2024-01-02 ended:" + m1 + " m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"a period that will end":       {base.enrol(quay, "on-study", "2023-06-20", "2024-12-31"), "Procedure/e 2023-06-20..2024-12-31 :" + m1 + " m6 missed y1 open y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"withdrawn, no day":            {base.enrol(quay, "withdrawn", "2023-06-20", ""), "Procedure/e 2023-06-20.. withdrawn:" + m1 + " m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"no day, and a person says it": {base.enrol(quay, "withdrawn", "2023-06-20", "").rule(chart.RuleWithdraw, "2024-01-03", quay, ""), "Procedure/e 2023-06-20..2024-01-03 withdrawn:" + m1 + " m6 missed y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"enrolled later":               {base.enrol(quay, "on-study", "2024-03-01", ""), "Procedure/e 2024-03-01.. : m1 not-expected m6 not-expected y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"enrolled tomorrow":            {base.enrol(quay, "on-study", "2024-07-02", ""), none},
		"a candidate":                  {base.enrol(quay, "candidate", "2023-06-20", ""), none},
		"screened":                     {base.enrol(quay, "screening", "2023-06-20", "2023-06-21"), none},
		"pending":                      {base.enrol(quay, "pending-on-study", "2023-06-20", ""), none},
		"ineligible":                   {base.enrol(quay, "ineligible", "2023-06-20", ""), none},
		"not registered":               {base.enrol(quay, "not-registered", "2023-06-20", ""), none},
		"by a ruling":                  {base.rule(chart.RuleStudy, "2023-06-20", "", quay), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"by a ruling, with the name":   {base.rule(chart.RuleStudy, "2023-06-20", "", "Quay graft study"), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"left by a ruling":             {base.rule(chart.RuleStudy, "2023-06-20", "", quay).rule(chart.RuleWithdraw, "2024-01-02", "", ""), "Procedure/e 2023-06-20..2024-01-02 withdrawn:" + m1 + " m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"left by ruling, data go on":   {base.enrol(quay, "on-study", "2023-06-20", "").rule(chart.RuleWithdraw, "2024-01-02", "ResearchSubject/4", "study"), "Procedure/e 2023-06-20..2024-01-02 withdrawn:" + m1 + " m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"another study was left":       {base.enrol(quay, "on-study", "2023-06-20", "").rule(chart.RuleWithdraw, "2024-01-02", "ResearchStudy/other", ""), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"left and back":                {base.enrol(quay, "withdrawn", "2023-06-20", "2023-10-01").rule(chart.RuleStudy, "2024-06-01", "", quay), "Procedure/e 2023-06-20.. :" + m1 + " m6 not-expected y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"two phases":                   {base.enrol(quay, "off-study", "2023-06-20", "2023-12-01").enrol(quay, "follow-up", "2023-12-01", ""), "Procedure/e 2023-06-20.. :" + m1 + " m6 missed y1 open y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"a study nobody knows":         {base.enrol("ResearchStudy/other", "on-study", "2023-06-20", ""), " 2023-06-20.. :"},
	} {
		p := c.file.plan(scoped(t, false), "2024-07-01")
		var got []string
		for i := range p.Reports {
			got = append(got, told(&p.Reports[i]))
		}
		if strings.Join(got, "\n") != c.want {
			t.Errorf("%s:\n got %s\nwant %s", name, strings.Join(got, "\n"), c.want)
		}
	}
}

// Imaging in no window belongs to the visit whose target is nearest, once the
// window is over; a day as near to two belongs to the earlier. Index 3 Jul 2023: m1
// 2 Aug 2023 (18 Jul to 17 Aug), m6 3 Jan 2024 (4 Dec 2023 to 2 Feb 2024), y1 3 Jul
// 2024 (4 May to 1 Sep 2024), y2 3 Jul 2025; worked out by hand.
func TestNearestVisit(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		scans []string
		asOf  string
		want  string
	}{
		"on the edges":                      {[]string{"2023-07-18", "2024-02-02"}, "2024-06-01", "m1 in-window 2023-07-18, m6 in-window 2024-02-02"},
		"a day outside":                     {[]string{"2023-07-17", "2024-02-03"}, "2024-06-01", "m1 out-of-window 2023-07-17, m6 out-of-window 2024-02-03"},
		"as near to m1 as to m6":            {[]string{"2023-10-18"}, "2024-06-01", "m1 out-of-window 2023-10-18, m6 missed"},
		"a day nearer to m6":                {[]string{"2023-10-19"}, "2024-06-01", "m1 missed, m6 out-of-window 2023-10-19"},
		"early, and the window is not over": {[]string{"2023-10-19"}, "2024-02-02", "m1 missed, m6 open"},
		"the nearer of two":                 {[]string{"2023-11-01", "2024-02-10"}, "2024-06-01", "m1 missed, m6 out-of-window 2024-02-10"},
		"two in one window":                 {[]string{"2023-12-10", "2024-01-20"}, "2024-06-01", "m1 missed, m6 in-window 2023-12-10"},
		"on the day of the operation":       {[]string{"2023-07-03"}, "2024-06-01", "m1 missed, m6 missed"},
		"the month only":                    {[]string{"2024-01"}, "2024-06-01", "m1 missed, m6 in-window 2024-01-01..2024-01-31"},
		"a month across the edge":           {[]string{"2024-02"}, "2024-06-01", "m1 missed, m6 out-of-window 2024-02-01..2024-02-29"},
	} {
		p := evarFile(c.scans...).enrol(quay, "on-study", "2023-06-20", "").plan(scoped(t, false), c.asOf)
		var got []string
		for _, v := range p.Reports[0].Visits[:2] {
			line := v.Step + " " + string(v.State)
			if v.StudyDate.Known() {
				line += " " + v.StudyDate.String()
			}
			got = append(got, line)
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%s: %s, want %s", name, strings.Join(got, ", "), c.want)
		}
	}
}

// A bin of an analysis is wider than the window: 9 to 21 months for the first year
// (registry-ltfu-v1). Imaging after the patient left does not count in it. The
// 3 Apr 2024 is as near to m6 as to y1.
func TestBins(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		scan, left string
		want       bool
		state      surveil.ReportState
	}{{"2024-04-03", "", true, surveil.NotDone}, {"2024-04-04", "", true, surveil.OutOfWindow}, {"2025-04-03", "", true, surveil.NotDone}, {"2024-04-02", "", false, surveil.NotDone}, {"2025-04-04", "", false, surveil.NotDone},
		{"2024-07-20", "2024-07-15", false, surveil.NotDone}, {"2024-07-20", "2024-07-20", true, surveil.InWindow}} {
		status := map[bool]string{true: "on-study", false: "withdrawn"}[c.left == ""]
		p := evarFile(c.scan).enrol(quay, status, "2023-06-20", c.left).plan(scoped(t, false), "2025-06-01")
		y1 := p.Reports[0].Visits[2]
		if b := y1.Bin; b == nil || b.From != dayOf("2024-04-03") || b.To != dayOf("2025-04-03") || b.Imaging != c.want || y1.State != c.state {
			t.Errorf("%s, left %q: %s %+v", c.scan, c.left, y1.State, b)
		}
		if p.Reports[0].Visits[1].Bin != nil {
			t.Error("m6 has a bin")
		}
	}
}

// Reporting stays on the index: neither a new clock nor rulings about the care touch
// it. The death of the patient, and an explant, end it.
func TestReportingStaysOnTheIndex(t *testing.T) {
	t.Parallel()
	on := func(f file) file { return f.enrol(quay, "on-study", "2023-06-20", "") }
	cuff := evarFile("2023-08-02", "2024-01-05", "2024-07-01")
	cuff.statements = append(cuff.statements, chart.Statement{Ref: "Procedure/c", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/c"}, On: spanOf("2024-03-01"), Minute: day.NoMinute, Role: chart.RoleRelining, Zone: "abdominal-aorta"}})
	out := evarFile("2023-08-02")
	out.statements = append(out.statements, chart.Statement{Ref: "Procedure/x", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/x"}, On: spanOf("2024-01-10"), Minute: day.NoMinute, Role: chart.RoleExplant, Zone: "abdominal-aorta"}})
	dead := evarFile("2023-08-02")
	dead.statements[0].Person.Dead = chart.Death{Known: true, On: spanOf("2024-01-01")}
	for name, c := range map[string]struct {
		file file
		want string
	}{
		"relined":  {on(cuff), "Procedure/e 2023-06-20.. : m1 in-window 2023-08-02 m6 in-window 2024-01-05 y1 in-window 2024-07-01 y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"declined": {on(evarFile("2023-08-02")).rule(chart.RuleDecline, "2023-09-01", "", ""), "Procedure/e 2023-06-20.. : m1 in-window 2023-08-02 m6 missed y1 missed y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"interval": {on(evarFile("2023-08-02")).rule(chart.RuleInterval, "2023-09-01", "Procedure/e", "P3M"), "Procedure/e 2023-06-20.. : m1 in-window 2023-08-02 m6 missed y1 missed y2 upcoming y3 upcoming y4 upcoming y5 upcoming"},
		"explant":  {on(out), "Procedure/e 2023-06-20..2024-01-10 explanted: m1 in-window 2023-08-02 m6 missed y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"died":     {on(dead), "Procedure/e 2023-06-20..2024-01-01 died: m1 in-window 2023-08-02 m6 not-expected y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
		"stopped":  {on(evarFile("2023-08-02")).rule(chart.RuleStop, "2024-01-10", "", ""), "Procedure/e 2023-06-20..2024-01-10 stopped: m1 in-window 2023-08-02 m6 missed y1 not-expected y2 not-expected y3 not-expected y4 not-expected y5 not-expected"},
	} {
		p := c.file.plan(scoped(t, false), "2024-12-01")
		if got := told(&p.Reports[0]); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", name, got, c.want)
		}
	}
}

// Row 52 of the table of worked cases, the half that assess does not print: a
// registry ended on 1 Mar 2025 by withdrawal, the clinic goes on.
func TestRegistryEndsClinicGoesOn(t *testing.T) {
	t.Parallel()
	f := file{statements: []chart.Statement{{Ref: "Patient/p", Person: &chart.Person{ID: "p"}},
		{Ref: "Procedure/e", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/e"}, On: spanOf("2022-11-07"), Minute: day.NoMinute, Role: chart.RoleImplant, Class: "tevar", Zone: "thoracic-aorta"}}}}
	for _, on := range []string{"2022-12-07", "2023-05-08", "2023-11-07", "2024-11-07"} {
		f.scan(on)
	}
	r := scoped(t, false)
	r.Care["tevar"] = []surveil.InForce{{Protocol: r.All["label-1-6-12"], Chosen: "site"}}
	p := f.enrol(quay, "on-study", "2022-11-01", "").rule(chart.RuleWithdraw, "2025-03-01", "", "").plan(r, "2025-04-01")
	if got, want := told(&p.Reports[0]), "Procedure/e 2022-11-01..2025-03-01 withdrawn: m1 in-window 2022-12-07 m6 in-window 2023-05-08 y1 in-window 2023-11-07 y2 in-window 2024-11-07 y3 not-expected y4 not-expected y5 not-expected"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if got := listed(p); p.Surveillance != surveil.StateActive || got != "m1 done, m6 done, y1 done, y2 done, y3 upcoming" || p.Implants[0].Visits[4].Target != spanOf("2025-11-07") {
		t.Errorf("%s: %s", p.Surveillance, got)
	}
	if text := p.Reports[0].Said(); !strings.Contains(text, "until 1 Mar 2025 (withdrawn)") || !strings.Contains(text, "not the care: that goes on") {
		t.Error(text)
	}
}
