package export_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/export"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// A protocol with every part of a trigger.
const rulesDocument = `
id: quay-rules
version: "1"
title: "Quayside: rules"
status: draft
windows: own
classes: [evar, tevar]
cite: {source: here, evidence: DESIGN}
gap: P15M
sources: {here: "Quayside Vascular Unit, 2026"}
ways: {either: [{kinds: [duplex, ct-angiogram]}]}
covers: [{needs: [abdomen, pelvis]}]
series:
  - id: main
    prefix: y
    steps: [{id: m1, at: P30D, before: 15, after: 30, ways: either, cite: {source: here, evidence: DESIGN}}]
    repeat: {from: P12M, every: P12M, before: 90, after: 90, ways: either, cite: {source: here, evidence: DESIGN}}
triggers:
  - id: type-ii
    when: {finding: endoleak, types: [II], first_scan: no, seen: [duplex, ct-angiogram], with: {growth: 5 mm, of: sac}}
    then:
      review: {within: 0, urgency: stat}
      series: {every: P6M, until: P24M, before: 60, after: 61, ways: [{kinds: [ct-angiogram]}], instead: yes}
      note: Ask the surgeon.
    cite: {source: here, grade: "C", evidence: MEM-L}
  - id: wide
    classes: [tevar]
    when: {any: [{finding: sac-diameter, at_least: 50 mm, below: 5.55 cm, of: [ascending, arch], sex: female}, {finding: false-lumen, types: [patent], if: dissection}]}
    then: {series: {every: P1Y, until: P1Y, before: 60, after: 60, ways: either, needs: [chest]}}
    cite: {source: here, evidence: DESIGN}
`

func rulesProtocol() (*protocol.Protocol, error) {
	p, problems := protocol.Parse("rules.yaml", []byte(rulesDocument))
	if p == nil {
		return nil, problems[0]
	}
	return p, nil
}

// leaking is the plan, on a day, of a patient with a new type II leak and growth on
// the scan of the first year.
func leaking(p *protocol.Protocol, asOf day.Day) surveil.Plan {
	day1, day2 := day.On(day.Of(2023, 2, 10)), day.On(day.Of(2024, 1, 10))
	scan := func(ref string, on day.Span) chart.Statement {
		return chart.Statement{Ref: ref, Study: &chart.Study{Source: chart.Source{Ref: ref}, On: on, Minute: day.NoMinute, Kind: chart.CTAngiogram, Covers: chart.Abdomen | chart.Pelvis, State: chart.StudyAvailable}}
	}
	seen := func(ref, what, typ string, tenths int, study string, on day.Span) chart.Statement {
		return chart.Statement{Ref: ref, Findings: []chart.Finding{{Source: chart.Source{Ref: ref}, What: what, Type: typ, Tenths: tenths, Has: tenths > 0, Method: "CT/sac maximum", Study: study, Covers: chart.Abdomen | chart.Pelvis, On: on}}}
	}
	c, _ := chart.Assemble([]chart.Statement{
		{Ref: "Patient/leaking", Person: &chart.Person{ID: "leaking"}},
		{Ref: "Procedure/1", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/1"}, On: day.On(day.Of(2023, 1, 10)), Minute: day.NoMinute, Role: chart.RoleImplant, Class: "evar", Zone: "aorta"}},
		scan("ImagingStudy/1", day1), scan("ImagingStudy/2", day2),
		seen("Observation/1", "sac-diameter", "", 500, "ImagingStudy/1", day1), seen("Observation/2", "sac-diameter", "", 560, "ImagingStudy/2", day2),
		seen("Observation/3", "endoleak", "II", 0, "ImagingStudy/2", day2),
	}, chart.Options{Patient: "leaking"})
	rules := surveil.Rules{Care: map[string][]surveil.InForce{"evar": {{Protocol: p, Chosen: "site"}}}, All: map[string]*protocol.Protocol{p.ID: p}, Settings: surveil.Defaults()}
	return surveil.Decide(c, &rules, asOf)
}

// Conditions are written in full, for people and in short form.
func TestConditionsInFull(t *testing.T) {
	t.Parallel()
	plan := planDefinition(t)
	for _, want := range []string{
		`{"url":"text","valueString":"Endoleak (II), seen on duplex or CT angiogram, together with growth of the sac diameter by 5 mm or more on the same scan, not on the first scan after the operation"}`,
		`{"url":"short","valueString":"finding=endoleak types=II seen=duplex,ct-angiogram first-scan=no with(growth-mm=5 of=sac)"}`,
		`{"url":"text","valueString":"Ascending aortic or aortic arch diameter of 50 mm or more, but less than 55.5 mm, in women and where the sex is not known, or false lumen (patent), in patients with a dissection"}`,
		`{"url":"short","valueString":"any(finding=sac-diameter at-least-mm=50 below-mm=55.5 of=ascending,arch sex=female; finding=false-lumen types=patent if=dissection)"}`,
		`"title":"A person looks at it the same day"`, `"offsetDuration":{"value":0,"unit":"days","system":"http://unitsofmeasure.org","code":"d"}`,
	} {
		if !strings.Contains(plan, want) {
			t.Errorf("lacks %s\n%s", want, plan)
		}
	}
}

// planDefinition is the protocol as PlanDefinition.
func planDefinition(t *testing.T) string {
	t.Helper()
	p, err := rulesProtocol()
	if err != nil {
		t.Fatal(err)
	}
	list, err := export.Protocol(p)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 5 { // the plan, two visits of the calendar, two rows that rules add
		t.Fatalf("%d resources", len(list))
	}
	return string(list[0].Body)
}

// A row of added visits is an action with its timing, and exactly in the extension;
// one that has a single visit does not come again.
func TestAddedSeries(t *testing.T) {
	t.Parallel()
	plan := planDefinition(t)
	for _, want := range []string{
		`{"id":"trigger-type-ii-series","extension":[{"extension":[{"url":"offset","valueString":"P6M"},{"url":"before","valueString":"P60D"},{"url":"after","valueString":"P61D"},{"url":"every","valueString":"P6M"},{"url":"until","valueString":"P24M"}],"url":"urn:perennial:schedule"}],` +
			`"title":"Visits added by the rule type-ii, every 6 months","textEquivalent":"Due 6 months after the event, from 60 days before to 61 days after that. Satisfied by: CT angiogram. Then every 6 months, until 24 months after the event. While these visits run the rule adds no more. They come instead of the visits that the protocol has from the event to the last of them; those are not owed.",` +
			`"relatedAction":[{"actionId":"trigger-type-ii","relationship":"after-start","offsetDuration":{"value":6,"unit":"months","system":"http://unitsofmeasure.org","code":"mo"}}],` +
			`"timingTiming":{"repeat":{"boundsDuration":{"value":18,"unit":"months","system":"http://unitsofmeasure.org","code":"mo"},"period":6,"periodUnit":"mo"}},"definitionCanonical":"urn:perennial:activity:quay-rules:trigger:type-ii|1"}`,
		`"title":"Visits added by the rule wide, every 12 months","textEquivalent":"Due 12 months after the event, from 60 days before to 60 days after that. Satisfied by: duplex or CT angiogram. While these visits run the rule adds no more.",` +
			`"relatedAction":[{"actionId":"trigger-wide","relationship":"after-start","offsetDuration":{"value":12,"unit":"months","system":"http://unitsofmeasure.org","code":"mo"}}],"definitionCanonical":"urn:perennial:activity:quay-rules:trigger:wide|1"}`,
	} {
		if !strings.Contains(plan, want) {
			t.Errorf("lacks %s\n%s", want, plan)
		}
	}
}

// Visits of a row that a rule added are written as such; what they take the place of
// is told as excused.
func TestVisitsOfAnAddedSeries(t *testing.T) {
	t.Parallel()
	p, err := rulesProtocol()
	if err != nil {
		t.Fatal(err)
	}
	plan := leaking(p, day.Of(2025, 2, 1))
	list, err := export.Plan(&export.Options{Site: site, At: made(), Protocols: []*protocol.Protocol{p}}, &plan)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range list {
		var body struct {
			InstantiatesCanonical []string
			OccurrencePeriod      struct{ Start, End string }
		}
		if err := json.Unmarshal(r.Body, &body); err != nil {
			t.Fatal(err)
		}
		if r.Type == "ServiceRequest" {
			got = append(got, body.OccurrencePeriod.Start+" "+body.OccurrencePeriod.End+" "+strings.Join(body.InstantiatesCanonical, " "))
		}
		if r.Type == "CarePlan" && !strings.Contains(string(r.Body), `"text":"Visit y2, due 10 Jan 2025: excused. No longer owed: superseded by the visits that the rule type-ii added."`) {
			t.Errorf("y2 is not told: %s", r.Body)
		}
	}
	// Every six months from 10 January 2024, 60 days before to 61 after, up to the first
	// that is not yet open; y1 is done, y2 and y3 lie in the two years, y4 comes after.
	row, grid := " urn:perennial:activity:quay-rules:trigger:type-ii|1", " urn:perennial:activity:quay-rules:main:every-P12M|1"
	want := []string{"2024-11-11 2025-03-12" + row, "2025-05-11 2025-09-09" + row, "2026-10-12 2027-04-10" + grid}
	slices.Sort(got)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}
