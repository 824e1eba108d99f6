package second

import (
	"fmt"
	"strings"
	"testing"
)

// evar is a chart with one abdominal graft.
func evar(index string, more ...Study) Chart {
	return chartOf("evar", "abdominal-aorta", index, more...)
}

// tevar is a chart with one thoracic graft.
func tevar(index string, more ...Study) Chart {
	return chartOf("tevar", "thoracic-aorta", index, more...)
}

func chartOf(class, territory, index string, more ...Study) Chart {
	return Chart{ID: "x", Studies: more, Operations: []Operation{
		{ID: "Procedure/p1", Role: "implant", Class: class, Territory: territory, Date: index, Status: "completed"}}}
}

// scan is an available study named after its date.
func scan(kind, date string, area ...string) Study {
	if area == nil {
		area = abdomenPelvis()
	}
	return Study{ID: "ImagingStudy/" + kind + date, Status: "available", Kind: kind, Territories: area, Date: date}
}

// assess runs without wake.
func assess(c Chart, asOf string, protocols ...Protocol) Plan {
	return Assess(c, protocols, asOf, Options{NoWake: true})
}

// line writes one visit shortly: step target opens..closes standing timing study.
func line(v VisitPlan) string {
	words := []string{v.Step, v.Target, v.Opens + ".." + v.Closes, v.Standing, v.Timing}
	return strings.TrimSpace(strings.Join(words, " "))
}

// visitOf finds a visit by step, in the latest clock that has it.
func visitOf(t *testing.T, p Plan, implant int, step string) VisitPlan {
	t.Helper()
	for i := len(p.Implants[implant].Visits) - 1; i >= 0; i-- {
		if v := p.Implants[implant].Visits[i]; v.Step == step {
			return v
		}
	}
	t.Fatalf("no visit %s in %s", step, show(p))
	return VisitPlan{}
}

// want compares one visit with its short form.
func want(t *testing.T, p Plan, step, text string) {
	t.Helper()
	if got := line(visitOf(t, p, 0, step)); got != text {
		t.Errorf("visit %s\n got %s\nwant %s\n%s", step, got, text, show(p))
	}
}

// asks tells whether the plan has the question.
func asks(p Plan, kind, about string) bool {
	for _, q := range p.Questions {
		if q.Kind == kind && q.About == about {
			return true
		}
	}
	return false
}

// works finds work of a kind.
func works(p Plan, kind string) []WorkItem {
	var list []WorkItem
	for _, w := range p.Work {
		if w.Kind == kind {
			list = append(list, w)
		}
	}
	return list
}

// show writes a plan for a failing test.
func show(p Plan) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s %s seen %s\n", p.Surveillance, p.Ended, p.FollowUp, p.LastSeen)
	for _, m := range p.Implants {
		fmt.Fprintf(&b, " %s %s %s\n", m.ID, m.Class, m.Index)
		for _, v := range m.Visits {
			fmt.Fprintf(&b, "  %d %s %s\n", v.ClockNumber, line(v), v.Study)
		}
	}
	for _, w := range p.Work {
		fmt.Fprintf(&b, " work %+v\n", w)
	}
	for _, q := range p.Questions {
		fmt.Fprintf(&b, " ask %+v\n", q)
	}
	return b.String()
}
