package export_test

import (
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/export"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// A protocol as a site might write it: reviewed, rolling, with months and days, a
// long id and a version that fits into no id.
const document = `
id: quayside-arch
version: "2_b"
title: "Quayside: arch"
status: reviewed
windows: own
classes: [arch-branch]
cite: {source: here, grade: "B", evidence: DESIGN}
gap: P15M
late: no
sources: {here: "Quayside Vascular Unit, 2026"}
ways:
  cta: [{kinds: [ct-angiogram]}]
  pair: [{kinds: [ct-plain], with: [duplex], within: 30}]
covers: [{needs: [arch, chest]}]
series:
  - id: main
    prefix: y
    anchor: last-imaging
    repeat: {from: P12M, every: P12M, before: 30, after: 30, ways: cta, cite: {source: here, evidence: DESIGN}}
  - id: early
    prefix: e
    steps:
      - {id: e1, at: P1M15D, before: 1, after: 1, ways: pair, cite: {source: here, evidence: FOUND}}
    repeat: none
triggers:
  - id: a-rule-with-a-name-that-is-so-long-that-it-fills-an-id-full
    when: {finding: endoleak, types: [Ia]}
    then: {review: {within: 1, urgency: urgent}, visit: {at: P30D, opens: 1, closes: 30, ways: cta, again: yes}, note: "Ask the surgeon."}
    cite: {source: here, evidence: DESIGN}
`

func quayside(t *testing.T) *protocol.Protocol {
	t.Helper()
	p, problems := protocol.Parse("quayside.yaml", []byte(document))
	if len(problems) > 0 || p == nil {
		t.Fatal(problems)
	}
	return p
}

func TestProtocolInFull(t *testing.T) {
	t.Parallel()
	p := quayside(t)
	list, err := export.Protocol(p)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 4 || list[0].Type != "PlanDefinition" {
		t.Fatalf("%d resources", len(list))
	}
	plan := string(list[0].Body)
	for _, want := range []string{
		`"url":"urn:perennial:protocol:quayside-arch"`, `"version":"2_b"`, `"name":"QuaysideArch"`, `"status":"active"`, `Imaging after the window does not satisfy a visit.`,
		`"relatedArtifact":[{"type":"citation","label":"grade B","display":"Set here, no source","citation":"Quayside Vascular Unit, 2026"}]`,
		`"id":"last-imaging"`, `"relatedAction":[{"actionId":"last-imaging","relationship":"after-start","offsetDuration":{"value":12,"unit":"months","system":"http://unitsofmeasure.org","code":"mo"}}]`,
		`"timingTiming":{"repeat":{"period":12,"periodUnit":"mo"}}`, `every 12 months, for life.`,
		`{"url":"offset","valueString":"P1M15D"}`, `{"actionId":"index","relationship":"after-start"}`, `Due 1 month and 15 days after the operation, from 1 day before to 1 day after that`,
		`CT without contrast together with duplex within 30 days`, `"display":"Read in the source"`,
		`When endoleak (Ia). Ask the surgeon.`, `"title":"A person looks at it within 1 day"`, `"priority":"urgent"`, `finding=endoleak types=Ia`,
		`"title":"Visit added by the rule a-rule`, `from day 1 to day 30 after it`,
	} {
		if !strings.Contains(plan, want) {
			t.Errorf("lacks %s\n%s", want, plan)
		}
	}
	if strings.Contains(plan, "Draft") {
		t.Errorf("a reviewed protocol has the caution of a draft: %s", plan)
	}
	if !strings.Contains(string(list[1].Body), `"code":{"coding":[{"system":"urn:perennial:codes:imaging","code":"ct-angiogram"},{"system":"http://loinc.org","code":"36266-5"}],"text":"CT angiogram of arch and chest"}`) {
		t.Errorf("%s", list[1].Body)
	}
	p.Status = "retired"
	if list, err = export.Protocol(p); err != nil || !strings.Contains(string(list[0].Body), `"status":"retired"`) {
		t.Errorf("%v", err)
	}
	p.Status = "draft"
	if list, err = export.Protocol(p); err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		if !strings.Contains(string(r.Body), `"status":"draft"`) || !strings.Contains(string(r.Body), "Draft protocol: no clinician has signed it off") {
			t.Errorf("a draft does not say so: %s", r.Body)
		}
	}
}

// odd is a plan in which little is sure.
func odd() surveil.Plan {
	month := day.Span{First: day.Of(2024, 3, 1), Last: day.Of(2024, 3, 31)}
	v := surveil.Visit{Implant: "Procedure/x", Clock: 1, Series: "main", Step: "y2", N: 1, Target: month.Add(day.Offset{Months: 24}), Opens: month.Add(day.Offset{Months: 23}),
		Closes: month.Add(day.Offset{Months: 25}), Standing: surveil.Open, Kinds: []chart.Kind{chart.MRAngiogram}, Needs: chart.Chest, Cite: "An old book", Evidence: "MEM-L",
		Protocol: "gone@1", Booking: &surveil.VisitBooking{Appointment: "Appointment/a", Date: day.Of(2026, 9, 1)},
		Why: []surveil.Reason{{Rule: "protocol-step", Facts: []string{"Procedure/x", "ruling-7"}}, {Rule: "open", Facts: []string{"Procedure/x"}}}}
	return surveil.Plan{Patient: "=urn:mrn|SECRET-1", AsOf: day.Of(2026, 3, 15), Surveillance: surveil.StatePaused, PausedUntil: day.Of(2026, 5, 1),
		Implants:  []surveil.Implant{{ID: "Procedure/x", Class: "carotid-stent", Side: "left", Index: month, Protocol: "gone@1", Chosen: "site", Draft: true, Visits: []surveil.Visit{v}}},
		Work:      []surveil.Work{{Kind: surveil.WorkArrange, Visit: "Procedure/x/y2", Urgency: "asap"}},
		Questions: []surveil.Question{{Key: "q1", Why: surveil.Reason{Rule: "asked-on-reading", Word: "What was it?"}}, {Key: "q2", Visit: "Procedure/other/y1", Why: surveil.Reason{Rule: "asked-on-reading", Word: "Another?"}}},
	}
}

func TestOddPlan(t *testing.T) {
	t.Parallel()
	p := odd()
	list, err := export.Plan(&export.Options{Site: site, At: made()}, &p)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 4 {
		t.Fatalf("%d resources", len(list))
	}
	plan, visit, why := string(list[0].Body), string(list[2].Body), string(list[3].Body)
	for _, c := range []struct{ body, want string }{
		{plan, `"subject":{"identifier":{"system":"urn:mrn","value":"SECRET-1"}}`}, {plan, `"period":{"start":"2024-03"}`}, {plan, `Surveillance is paused until 1 May 2026.`},
		{plan, `, left"`}, {plan, `Question for a person: What was it?`}, {plan, `"instantiatesCanonical":["urn:perennial:protocol:gone|1"]`},
		{visit, `"occurrencePeriod":{"start":"2026-02-01","end":"2026-04-30"}`}, {visit, `"priority":"asap"`}, {visit, `"text":"MR angiogram of chest"`},
		{visit, `the window is the widest that it may be`}, {visit, `Booked for 1 Sep 2026, outside the window.`}, {visit, `{"reference":"Appointment/a"}`},
		{visit, `Source: An old book. How it is known: from memory (not sure), to be checked against the source.`}, {visit, `Draft protocol`},
		{why, `"entity":[{"role":"source","what":{"reference":"Procedure/x"}},{"role":"source","what":{"identifier":{"system":"urn:perennial:fact","value":"ruling-7"}}}]`},
		{why, `"coding":[{"system":"urn:perennial:codes:reason","code":"open"}]`},
	} {
		if !strings.Contains(c.body, c.want) {
			t.Errorf("lacks %s\n%s", c.want, c.body)
		}
	}
	if strings.Contains(plan, "Another?") || strings.Contains(visit, "instantiatesCanonical") {
		t.Errorf("says too much\n%s\n%s", plan, visit)
	}
}

// A plan that has ended asks for nothing, whatever its visits say.
func TestEnded(t *testing.T) {
	t.Parallel()
	for end, status := range map[surveil.End]string{surveil.EndDied: "revoked", surveil.EndExplanted: "revoked", surveil.EndCompleted: "completed"} {
		p := odd()
		p.Implants[0].Ended, p.Implants[0].EndedOn = end, day.Of(2026, 3, 1)
		list, err := export.Plan(&export.Options{Site: site, At: made()}, &p)
		if err != nil {
			t.Fatal(err)
		}
		if body := string(list[0].Body); len(list) != 2 || !strings.Contains(body, `"status":"`+status+`"`) || !strings.Contains(body, `"end":"2026-03-01"`) || !strings.Contains(body, "Surveillance ended: ") {
			t.Errorf("%d resources\n%s", len(list), body)
		}
	}
}

// What does not fit is refused, without a word of its content.
func TestRefused(t *testing.T) {
	t.Parallel()
	p := odd()
	p.Patient = ""
	if _, err := export.Plan(&export.Options{Site: site, At: made()}, &p); fault.KindOf(err) != fault.Invalid {
		t.Errorf("a plan of nobody: %v", err)
	}
	p = odd()
	p.Work[0].Urgency = "SECRET-2"
	_, err := export.Plan(&export.Options{Site: site, At: made()}, &p)
	if fault.KindOf(err) != fault.Invalid || strings.Contains(err.Error(), "SECRET") {
		t.Errorf("an urgency that there is none of: %v", err)
	}
}

// An empty Bundle is valid too.
func TestEmptyBundle(t *testing.T) {
	t.Parallel()
	var out strings.Builder
	if err := export.NewBundle(&out).Close(); err != nil || len(fhir.Lint([]byte(out.String()))) > 0 {
		t.Errorf("%v %s", err, out.String())
	}
}
