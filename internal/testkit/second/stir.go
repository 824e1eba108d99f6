package second

import "math/rand/v2"

// Stir adds to a chart what the story of Generate seldom or never tells: rulings
// that contradict one another, facts without a date, findings of no study,
// second reports, operations of unknown side.
func Stir(rng *rand.Rand, c Chart) Chart {
	today, _ := readDay(storyEnd)
	g := &maker{rng: rng, chart: &c, count: 900, today: today}
	if len(c.Operations) == 0 {
		return c // the death came before it
	}
	for range 1 + rng.IntN(4) {
		one(g, g.contradict, g.undate, g.orphan, g.amend, g.operateAgain, g.about, g.kidney, g.agreement)()
	}
	return c
}

// lately is a day of the last years.
func (g *maker) lately() day { return g.today - day(g.rng.IntN(2500)) }

// some is a study of the chart, if it has one.
func (g *maker) some() (Study, bool) {
	if len(g.chart.Studies) == 0 {
		return Study{}, false
	}
	return one(g, g.chart.Studies...), true
}

// contradict rules on a study and a visit, or on the study as a whole.
func (g *maker) contradict() {
	s, ok := g.some()
	if !ok {
		return
	}
	for range 1 + g.rng.IntN(2) {
		r := Ruling{Kind: one(g, "accept", "refuse"), About: s.ID, Date: g.lately().String()}
		if g.chance(70) {
			r.Visit = VisitKey{Implant: g.chart.Operations[0].ID, Clock: one(g, 1, 1, 1, 2), Step: one(g, "m1", "m6", "y1", "y2", "y3", "check1")}
		}
		g.rule(r)
		if t, ok := g.some(); ok && g.chance(50) {
			r.About = t.ID
			g.rule(r)
		}
	}
}

// undate takes the date, or part of it, from a study or an operation.
func (g *maker) undate() {
	if i := g.rng.IntN(len(g.chart.Studies) + 1); i < len(g.chart.Studies) {
		s := &g.chart.Studies[i]
		s.Date = one(g, "", s.Date[:min(4, len(s.Date))], s.Date[:min(7, len(s.Date))])
		return
	}
	op := &g.chart.Operations[g.rng.IntN(len(g.chart.Operations))]
	op.Date = one(g, "", op.Date[:min(7, len(op.Date))])
}

// orphan makes a finding that names no study.
func (g *maker) orphan() {
	f := Finding{ID: g.id("Observation"), What: "endoleak", Type: one(g, "II", "Ia", "none"), Modality: "ct", Date: g.blur(g.lately(), 20), Status: "final"}
	if s, ok := g.some(); ok && g.chance(50) && s.Date != "" {
		f.Date = s.Date
	}
	g.chart.Findings = append(g.chart.Findings, f)
}

// amend adds a report to a study.
func (g *maker) amend() {
	if s, ok := g.some(); ok {
		g.chart.Reports = append(g.chart.Reports, Report{ID: g.id("DiagnosticReport"), Study: s.ID, Status: one(g, "amended", "final", "preliminary"), Date: g.lately().String()})
	}
}

// operateAgain adds an operation at a place that has one.
func (g *maker) operateAgain() {
	first := g.chart.Operations[0]
	at := site{first.Class, first.Territory, one(g, first.Side, "")}
	date := g.lately().String()
	g.operation(one(g, "implant", "relining", "coils", "explant", "history"), at.class, at, one(g, date, date, date[:7], ""))
}

// about rules on one implant only, or answers a question about a study.
func (g *maker) about() {
	r := Ruling{Kind: one(g, "pause", "decline", "stop", "transfer"), About: g.chart.Operations[0].ID, Date: g.lately().String()}
	if g.chance(50) {
		r.Until = g.lately().String()
	}
	if s, ok := g.some(); ok && g.chance(50) {
		r = Ruling{Kind: "answer", About: s.ID, Asked: one(g, "study-acceptance", "study-early", "partial-date", "study-kind"), Date: r.Date}
	}
	g.rule(r)
}

// agreement adds what a person changed about the schedule.
func (g *maker) agreement() {
	r := Ruling{Date: g.lately().String(), About: one(g, "", g.chart.Operations[0].ID)}
	if g.chance(40) {
		r.Until = g.lately().String()
	}
	switch g.rng.IntN(5) {
	case 0:
		r.Kind, r.Value = "withdraw", one(g, "care", "study")
	case 1, 2:
		r.Kind, r.Value = "modality", one(g, mra, duplex, ctPlain)
		if g.chance(30) {
			r.Visit = VisitKey{Implant: g.chart.Operations[0].ID, Clock: one(g, 1, 1, 2), Step: one(g, "m1", "y1", "y2", "y3", "check1")}
		}
	default:
		r.Kind, r.Value = "interval", one(g, "P6M", "P6M", "P3M", "P24M", "P18M", "P1M", "P12M")
	}
	g.rule(r)
}

// kidney adds a value.
func (g *maker) kidney() {
	g.chart.Kidney = append(g.chart.Kidney, Kidney{ID: g.id("Observation"), Date: g.lately().String(), Tenths: 100 + g.rng.IntN(900)})
}
