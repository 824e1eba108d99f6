package surveil_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// followed is by which protocol the first implant is followed, who chose it, and why.
func followed(p surveil.Plan) string {
	m := &p.Implants[0]
	out := m.Protocol + " " + m.Chosen + ":"
	for _, why := range m.Choice() {
		out += " " + why.Text()
	}
	return out
}

// labelled adds a labelling to rules, under which the device is followed by a protocol.
func labelled(r *surveil.Rules, id string) *surveil.Rules {
	r.Labels = append(r.Labels, surveil.Label{Device: device, Protocol: r.All[id]})
	return r
}

// A device study goes before a ruling, that before the device's labelling, that
// before the site's protocol, and that before the society's. The order is that of
// the specification; no published rule fixes it.
func TestPrecedence(t *testing.T) {
	t.Parallel()
	on := func(f file) file { return f.enrol(quay, "on-study", "2023-06-20", "") }
	ruled := func(f file) file { return f.rule(chart.RuleProtocol, "2023-07-10", "Procedure/e", "esc-2024") }
	site := func(r *surveil.Rules) *surveil.Rules {
		r.Care["evar"] = []surveil.InForce{{Protocol: r.All["svs-fu-2018"], Chosen: "site"}}
		return r
	}
	base := evarFile("2023-08-02")
	for name, c := range map[string]struct {
		file  file
		rules *surveil.Rules
		want  string
	}{
		"the society's": {base, scoped(t, true), "svs-aaa-2018@1 default:"},
		"the site's":    {base, site(scoped(t, true)), "svs-fu-2018@1 site:"},
		"labelling": {base, labelled(site(scoped(t, true)), "label-1-6-12"),
			"label-1-6-12@1 device labelling: The labelling of the device decides: label-1-6-12@1, before the site's protocol svs-fu-2018."},
		"ruling": {ruled(base), labelled(site(scoped(t, true)), "label-1-6-12"),
			"esc-2024@1 ruling: A person chose the protocol on 10 Jul 2023: esc-2024@1, before the device's labelling label-1-6-12 and the site's protocol svs-fu-2018."},
		"study": {on(ruled(base)), labelled(site(scoped(t, true)), "label-1-6-12"),
			"label-1-6-12-trial@1 device study: A device study that the patient is on since 20 Jun 2023 decides: label-1-6-12-trial@1 of Quay graft study, before the protocol esc-2024 that a person chose and the device's labelling label-1-6-12 and the site's protocol svs-fu-2018."},
		"study for reports only": {on(ruled(base)), scoped(t, false),
			"esc-2024@1 ruling: A person chose the protocol on 10 Jul 2023: esc-2024@1, before the society's protocol svs-aaa-2018."},
		"study, not on it": {base.enrol(quay, "screening", "2023-06-20", ""), scoped(t, true), "svs-aaa-2018@1 default:"},
		"left": {base.enrol(quay, "withdrawn", "2023-06-20", "2023-12-01"), labelled(scoped(t, true), "label-1-6-12"),
			"label-1-6-12@1 device labelling: The patient left the study Quay graft study on 1 Dec 2023: the care goes on by the next protocol in order."},
		"labelling for another class": {base, labelled(scoped(t, true), "svs-tevar-2021"),
			"svs-aaa-2018@1 default: The labelling that the settings name for the device (svs-tevar-2021@1) is not for this class of implant: it decides nothing."},
		"a study for another class": {base.enrol("ResearchStudy/t", "on-study", "2023-06-20", ""), func() *surveil.Rules {
			r := scoped(t, true)
			r.StudyCare = []surveil.StudyCare{{Key: "ResearchStudy/t", Name: "T", Protocol: r.All["svs-tevar-2021"]}}
			return r
		}(), "svs-aaa-2018@1 default:"},
	} {
		if got := followed(c.file.plan(c.rules, "2024-03-01")); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", name, got, c.want)
		}
	}
}

// The visit is judged by the protocol in force on its target date, and what was
// satisfied stays so: entering and leaving a study only changes what falls due
// while the patient is on it. m6 is asked for by the study alone.
func TestStudyTime(t *testing.T) {
	t.Parallel()
	scans := []string{"2023-08-02", "2024-01-05"}
	for name, c := range map[string]struct {
		from, to, asOf, want string
	}{
		"never":                   {"", "", "2024-10-15", "m1 done svs-aaa-2018, y1 overdue svs-aaa-2018, y2 upcoming svs-aaa-2018, aorta5 upcoming svs-aaa-2018"},
		"on it":                   {"2023-06-20", "", "2024-10-15", "m1 done label-1-6-12-trial, m6 done label-1-6-12-trial, y1 missed label-1-6-12-trial, y2 upcoming label-1-6-12-trial"},
		"left after m6":           {"2023-06-20", "2024-02-01", "2024-10-15", "m1 done label-1-6-12-trial, m6 done label-1-6-12-trial, y1 overdue svs-aaa-2018, y2 upcoming svs-aaa-2018, aorta5 upcoming svs-aaa-2018"},
		"left on the day of m6":   {"2023-06-20", "2024-01-03", "2024-10-15", "m1 done label-1-6-12-trial, m6 done label-1-6-12-trial, y1 overdue svs-aaa-2018, y2 upcoming svs-aaa-2018, aorta5 upcoming svs-aaa-2018"},
		"left the day before":     {"2023-06-20", "2024-01-02", "2024-10-15", "m1 done label-1-6-12-trial, y1 overdue svs-aaa-2018, y2 upcoming svs-aaa-2018, aorta5 upcoming svs-aaa-2018"},
		"entered after m1":        {"2023-09-01", "", "2024-10-15", "m1 done svs-aaa-2018, m6 done label-1-6-12-trial, y1 missed label-1-6-12-trial, y2 upcoming label-1-6-12-trial"},
		"the study's end is past": {"2023-06-20", "", "2028-12-01", "m1 done label-1-6-12-trial, m6 done label-1-6-12-trial, y1 missed label-1-6-12-trial, y2 missed label-1-6-12-trial, y3 missed label-1-6-12-trial, y4 missed label-1-6-12-trial, y5 missed label-1-6-12-trial, y6 upcoming svs-aaa-2018, aorta10 upcoming svs-aaa-2018"},
	} {
		f := evarFile(scans...)
		if c.from != "" {
			f = f.enrol(quay, map[bool]string{true: "on-study", false: "withdrawn"}[c.to == ""], c.from, c.to)
		}
		p := f.plan(scoped(t, true), c.asOf)
		var got []string
		for _, v := range p.Implants[0].Visits {
			id, _, _ := strings.Cut(v.Protocol, "@")
			got = append(got, v.Step+" "+string(v.Standing)+" "+id)
		}
		if strings.Join(got, ", ") != c.want || p.Surveillance != surveil.StateActive {
			t.Errorf("%s (%s):\n got %s\nwant %s", name, p.Surveillance, strings.Join(got, ", "), c.want)
		}
	}
}

// Whoever left a study that makes the work, on a day that nobody knows, is followed
// by the next protocol, and a question asks for the day; one who left a study that
// is only reported to is asked nothing.
func TestLeftWithoutADay(t *testing.T) {
	t.Parallel()
	f := evarFile("2023-08-02").enrol(quay, "withdrawn", "2023-06-20", "")
	asked := func(p surveil.Plan) (list []string) {
		for _, q := range p.Questions {
			list = append(list, q.Why.Rule)
		}
		return list
	}
	p := f.plan(scoped(t, true), "2024-03-01")
	if got := asked(p); p.Implants[0].Protocol != "svs-aaa-2018@1" || !slices.Equal(got, []string{"study-left-without-day"}) {
		t.Errorf("%s, %q", p.Implants[0].Protocol, got)
	}
	said := f.rule(chart.RuleWithdraw, "2023-12-01", quay, "").plan(scoped(t, true), "2024-03-01")
	if got := asked(said); len(got) > 0 || said.Implants[0].Visits[0].Protocol != "label-1-6-12-trial@1" {
		t.Errorf("%q, %s", got, said.Implants[0].Visits[0].Protocol)
	}
	if got := asked(f.plan(scoped(t, false), "2024-03-01")); len(got) > 0 {
		t.Errorf("asked for nothing: %q", got)
	}
}

// A ruling that begins or ends a part in a study can be taken back.
func TestStudyRulingsTakenBack(t *testing.T) {
	t.Parallel()
	f := evarFile("2023-08-02").rule(chart.RuleStudy, "2023-06-20", "", quay).rule(chart.RuleWithdraw, "2023-12-01", quay, "")
	chosen := func(back ...int) string {
		g := f
		g.rulings = slices.Clone(f.rulings)
		for _, i := range back {
			g.rulings[i].TakenBack = &chart.TakenBack{Who: "N. Quay", When: "2024-01-01T09:00:00Z", Why: "a mistake"}
		}
		return g.plan(scoped(t, true), "2024-03-01").Implants[0].Chosen
	}
	if a, b, c := chosen(), chosen(1), chosen(0, 1); a != "default" || b != "device study" || c != "default" {
		t.Errorf("left %s, taken back %s, both %s", a, b, c)
	}
}

// someScope adds to a random chart some enrolments and rulings about studies, and to
// its rules a study and a labelling.
func someScope(rng *rand.Rand, r *randomCase, care bool) {
	one := *r.rules
	set := shippedSet()
	one.All = set
	p := set["label-1-6-12-trial"]
	one.Studies = []surveil.Study{{Key: quay, Name: "Quay graft study", Protocol: p}}
	if care {
		one.StudyCare = []surveil.StudyCare{{Key: quay, Name: "Quay graft study", Protocol: p}}
		one.Labels = []surveil.Label{{Device: device, Protocol: set["label-1-6-12"]}}
	}
	r.rules = &one
	date := func() day.Span {
		if rng.IntN(6) == 0 {
			return day.Span{}
		}
		return day.On(r.asOf.Plus(rng.IntN(3000) - 2600))
	}
	for i := range 1 + rng.IntN(2) {
		ref := fmt.Sprintf("ResearchSubject/%d", i)
		n := &chart.Enrolment{Source: chart.Source{Ref: ref}, Study: []string{quay, quay, "ResearchStudy/other"}[rng.IntN(3)], From: date(),
			Status: []string{"on-study", "follow-up", "withdrawn", "off-study", "screening"}[rng.IntN(5)]}
		if rng.IntN(2) == 0 {
			n.To = date()
		}
		r.said = append(slices.Clip(r.said), chart.Statement{Ref: ref, Enrolment: n})
	}
	for i := range rng.IntN(3) {
		on := r.asOf.Plus(rng.IntN(2000) - 1900)
		one := chart.Ruling{ID: fmt.Sprintf("study%d", i), Patient: r.id, Kind: chart.RuleStudy, Value: quay, On: on, Who: "w", Why: "y", When: on.String() + "T09:00:00Z"}
		if rng.IntN(2) == 0 {
			one.Kind, one.Value = chart.RuleWithdraw, ""
		}
		r.rulings = append(slices.Clip(r.rulings), one)
	}
}

// Whatever is said of studies that are only reported to, nothing of the care
// changes: no visit, no work, no rung, no question.
func TestReportingChangesNoCare(t *testing.T) {
	t.Parallel()
	reported := 0
	for seed := range uint64(400) {
		r := observedChart(seed)
		plain := surveil.Decide(r.chart(r.said, r.rulings), r.rules, r.asOf)
		someScope(rand.New(rand.NewPCG(seed, 17)), &r, false)
		full := surveil.Decide(r.chart(r.said, r.rulings), r.rules, r.asOf)
		reported, full.Reports = reported+len(full.Reports), nil
		if d := gocmp.Diff(plain, full); d != "" {
			t.Fatalf("seed %d: a study changes the care (-without +with):\n%s", seed, d)
		}
	}
	if reported < 200 {
		t.Errorf("only %d reports", reported)
	}
}

// With a study that makes the work the plan still holds until its wake day, does not
// depend on the order of the input, and has the outline of the whole.
func TestScopeHolds(t *testing.T) {
	t.Parallel()
	chosen, woke, states := 0, 0, map[surveil.ReportState]int{}
	var o surveil.Outliner
	for seed := range uint64(150) {
		r := observedChart(seed)
		rng := rand.New(rand.NewPCG(seed, 18))
		someScope(rng, &r, true)
		c := r.chart(r.said, r.rulings)
		p := surveil.Evaluate(c, r.rules, r.asOf)
		said, rulings := slices.Clone(r.said), slices.Clone(r.rulings)
		rng.Shuffle(len(said), func(i, j int) { said[i], said[j] = said[j], said[i] })
		rng.Shuffle(len(rulings), func(i, j int) { rulings[i], rulings[j] = rulings[j], rulings[i] })
		if again := surveil.Decide(r.chart(said, rulings), r.rules, r.asOf); !again.Same(&p) {
			t.Fatalf("seed %d: the plan depends on the order of the input", seed)
		}
		less := p
		less.Wake = 0
		if d := gocmp.Diff(lessOf(less), o.Outline(c, r.rules, r.asOf)); d != "" {
			t.Fatalf("seed %d (-plan +outline):\n%s", seed, d)
		}
		for _, m := range p.Implants {
			if m.Chosen == "device study" {
				chosen++
			}
		}
		for _, report := range p.Reports {
			for _, v := range report.Visits {
				states[v.State]++
			}
		}
		end := p.Wake
		if end == 0 || end > r.asOf+400 {
			end = r.asOf + 400
		}
		for d := r.asOf + 1; d < end; d++ {
			if q := surveil.Decide(c, r.rules, d); !q.Same(&p) {
				t.Fatalf("seed %d: the plan of %s changes on %s, before its wake day %s", seed, r.asOf, d, p.Wake)
			}
		}
		if p.Wake > 0 {
			woke++
		}
	}
	if chosen < 20 || woke < 80 || len(states) < 6 {
		t.Errorf("too plain: %d followed by a study, %d wake, states %v", chosen, woke, states)
	}
}

// A ruling goes before the site's protocols from its day on, also before one that
// the site took up later.
func TestRulingBeforeALaterSiteProtocol(t *testing.T) {
	t.Parallel()
	r := scoped(t, false)
	r.Care["evar"] = []surveil.InForce{{Protocol: r.All["svs-aaa-2018"], Chosen: "site"}, {Protocol: r.All["esc-2024"], From: dayOf("2024-01-01"), Chosen: "site"}}
	p := evarFile("2023-08-02").rule(chart.RuleProtocol, "2023-07-10", "Procedure/e", "label-1-6-12").plan(r, "2025-07-20")
	var got []string
	for _, v := range p.Implants[0].Visits {
		id, _, _ := strings.Cut(v.Protocol, "@")
		got = append(got, v.Step+" "+id)
	}
	if want := "m1 label-1-6-12, m6 label-1-6-12, y1 label-1-6-12, y2 label-1-6-12, y3 label-1-6-12"; strings.Join(got, ", ") != want {
		t.Errorf("%s, want %s", strings.Join(got, ", "), want)
	}
	if got := followed(p); !strings.HasSuffix(got, "before the site's protocol esc-2024.") {
		t.Error(got)
	}
}
