package second

import "fmt"

// imaging walks the visits of one clock and adds what was done for them.
func (g *maker) imaging(at site, s start, owner string, end day) {
	protocol := pick(at.class, Defaults())
	if protocol == nil {
		return
	}
	anchor := span{s.at, s.at, true}
	p := &patient{asOf: g.today, o: Options{}.filled()}
	m := &implant{id: owner, index: anchor}
	c := &clock{number: s.clock, anchor: anchor, class: at.class, protocol: protocol}
	diligence := one(g, 98, 96, 92, 80, 55, 15)
	gaveUp := g.today + 1
	if g.chance(35) {
		gaveUp = s.at + day(g.rng.IntN(2500))
	}
	for _, series := range protocol.Series {
		visits := p.gridVisits(m, c, series)
		for i, v := range visits {
			if v.opens.first > end+300 {
				break
			}
			g.around(at, visits, i, habit{diligence, gaveUp, end})
		}
	}
	if g.chance(12) { // planning or completion imaging on or near the day
		g.study(at, s.at-day(g.rng.IntN(3)*20), one(g, "ct-angiogram", "angiogram"), wholeArea(at))
	}
}

// habit is how a patient keeps to visits: how often of 100, until when, and
// when it all ends.
type habit struct {
	diligence   int
	gaveUp, end day
}

// around adds what happens around one visit.
func (g *maker) around(at site, visits []*visit, i int, h habit) {
	v, diligence, gaveUp, end := visits[i], h.diligence, h.gaveUp, h.end
	if v.noLadder && g.chance(60) {
		return
	}
	d := g.moment(visits, i)
	if v.opens.first > g.today {
		g.plans(at, v, end)
		return
	}
	if d < gaveUp && d <= g.today+30 && g.chance(diligence) {
		id := g.study(at, d, g.kind(v), g.area(at, v))
		if g.chance(6) { // a second one in the same window
			g.study(at, v.target.first+day(g.rng.IntN(60)-30), g.kind(v), g.area(at, v))
		}
		g.ruleStudy(v, id, d)
	} else if g.chance(10) {
		g.rule(Ruling{Kind: "decline", Visit: v.key(), Date: (v.target.first + day(g.rng.IntN(200)-100)).String()})
	}
	if g.chance(8) {
		g.plans(at, v, end)
	}
}

// moment picks the day of a study: often exactly on an edge or one day off.
func (g *maker) moment(visits []*visit, i int) day {
	v := visits[i]
	opens, closes := v.opens.first, v.closes.first
	lastLate := closes + day(g.rng.IntN(100))
	if i+1 < len(visits) {
		lastLate = visits[i+1].opens.first - 1
	}
	if g.chance(35) {
		return one(g, opens, opens-1, opens+1, closes, closes+1, closes-1, lastLate, lastLate+1)
	}
	if g.chance(15) {
		return closes + day(g.rng.IntN(max(1, int(lastLate-closes))))
	}
	if g.chance(5) {
		return opens - day(g.rng.IntN(60))
	}
	return opens + day(g.rng.IntN(int(closes-opens)+1))
}

// kind picks a kind: mostly one that satisfies, sometimes one that needs a
// person, sometimes one that never counts.
func (g *maker) kind(v *visit) string {
	switch n := g.rng.IntN(100); {
	case n < 78:
		return v.ways[0].Kinds[0]
	case n < 92:
		way := v.ways[g.rng.IntN(len(v.ways))]
		return way.Kinds[g.rng.IntN(len(way.Kinds))]
	case n < 99:
		return one(g, "radiograph", "angiogram", "mr", "duplex-limited", "ct-plain", "duplex")
	}
	return ""
}

// wholeArea is the territory that imaging of a site covers.
func wholeArea(at site) []string {
	switch at.territory {
	case "thoracic-aorta":
		return []string{"neck", "chest"}
	case "carotid":
		return []string{"neck"}
	case "leg":
		return []string{"leg"}
	}
	return abdomenPelvis()
}

// area picks the territories of a study: what is needed, all, or a part.
func (g *maker) area(at site, v *visit) []string {
	switch n := g.rng.IntN(100); {
	case n < 70:
		return v.need
	case n < 85:
		return wholeAorta()
	case n < 92:
		return v.need[:1]
	}
	return wholeArea(at)
}

// study adds one study with its reports, findings and repeats, and returns
// its id.
func (g *maker) study(at site, d day, kind string, area []string) string {
	s := Study{ID: g.id("ImagingStudy"), Status: "available", Kind: kind, Territories: area, Date: g.blur(d, 5)}
	s.Source = "ris"
	s.UID = fmt.Sprintf("2.25.1%s.%d", g.chart.ID[2:], g.count)
	s.Accession = fmt.Sprintf("A%s%d", g.chart.ID[2:], g.count)
	if g.chance(7) {
		s.Status = one(g, "registered", "cancelled", "entered-in-error")
	}
	if g.chance(6) {
		s.ID, s.OnReport, s.UID, s.Accession = g.id("DiagnosticReport"), true, "", ""
		s.Status = "available"
		g.chart.Reports = append(g.chart.Reports, Report{ID: s.ID, Study: s.ID, Status: one(g, "final", "final", "preliminary"),
			Date: (d + day(g.rng.IntN(5))).String()})
		g.chart.Studies = append(g.chart.Studies, s)
		return s.ID
	}
	if g.chance(20) {
		s.Updated = (d + day(g.rng.IntN(9))).String() + "T08:00:00Z"
	}
	g.chart.Studies = append(g.chart.Studies, s)
	g.repeats(s, d)
	g.parts(s)
	g.report(s, d)
	g.findings(s, d)
	return s.ID
}

// repeats tells the same study again, by UID or by accession number, at times
// with another status.
func (g *maker) repeats(s Study, d day) {
	if !g.chance(9) {
		return
	}
	again := s
	again.ID = g.id("ImagingStudy")
	if g.chance(50) {
		again.UID = ""
	} else {
		again.Accession = ""
	}
	if len(s.Date) == 10 && g.chance(40) {
		again.Date = (d + day(g.rng.IntN(3)-1)).String()
	}
	if g.chance(40) {
		again.Status = one(g, "cancelled", "entered-in-error", "registered")
		again.Updated = (d + day(g.rng.IntN(20))).String() + "T09:30:00Z"
	}
	g.chart.Studies = append(g.chart.Studies, again)
}

// parts sometimes splits a study into two of the same day, each with a part of
// the territory.
func (g *maker) parts(s Study) {
	if len(s.Territories) < 2 || len(s.Date) != 10 || !g.chance(6) {
		return
	}
	at := len(g.chart.Studies) - 1
	g.chart.Studies[at].Territories = s.Territories[:1]
	rest := s
	rest.ID, rest.UID, rest.Accession = g.id("ImagingStudy"), s.UID+".2", s.Accession+"B"
	rest.Territories = s.Territories[1:]
	g.chart.Studies = append(g.chart.Studies, rest)
}

// report adds the report of a study, mostly, and at times its review.
func (g *maker) report(s Study, d day) {
	if g.chance(12) {
		return
	}
	issued := d + day(g.rng.IntN(6))
	r := Report{ID: g.id("DiagnosticReport"), Study: s.ID, Date: issued.String(),
		Status: one(g, "final", "final", "final", "final", "amended", "corrected", "preliminary", "cancelled")}
	g.chart.Reports = append(g.chart.Reports, r)
	if g.chance(45) {
		g.rule(Ruling{Kind: "reviewed", About: one(g, s.ID, r.ID), Date: (issued + day(g.rng.IntN(20)-2)).String()})
	}
}

// findings adds what was seen.
func (g *maker) findings(s Study, d day) {
	modality := "ct"
	if s.Kind == duplex {
		modality = "duplex"
	}
	add := func(what, kind string, tenths int) {
		f := Finding{ID: g.id("Observation"), Study: s.ID, What: what, Type: kind, TenthsMM: tenths,
			Modality: modality, Date: s.Date, Status: "final"}
		if g.chance(4) {
			f.Status = "entered-in-error"
		}
		g.chart.Findings = append(g.chart.Findings, f)
	}
	if has(s.Territories, "neck") && !has(s.Territories, "chest") || has(s.Territories, "leg") {
		return
	}
	if g.chance(50) {
		add("sac-diameter", "", 520+10*one(g, 0, 0, 0, 1, 4, 5, 6, -3, -6)+one(g, 0, 0, 9, 1))
	}
	if g.chance(30) {
		add("endoleak", one(g, "none", "none", "none", "none", "II", "II", "Ia", "Ib", "IIIa", "unknown", "V"), 0)
	}
	if g.chance(3) {
		add("migration", "", one(g, 30, 60, 100, 120))
	}
}

// plans adds bookings around a visit.
func (g *maker) plans(at site, v *visit, end day) {
	if end < g.today || !g.chance(40) {
		return
	}
	d := one(g, v.opens.first, v.closes.first, v.opens.first-1, v.closes.first+1,
		v.target.first+day(g.rng.IntN(40)-20), g.today, g.today+day(g.rng.IntN(60)))
	if d > g.today+700 || d < g.today-900 {
		return
	}
	status := one(g, "booked", "booked", "proposed", "pending", "arrived", "cancelled", "noshow")
	if d < g.today {
		status = one(g, "fulfilled", "noshow", "booked", "cancelled", "checked-in")
	}
	g.chart.Bookings = append(g.chart.Bookings, Booking{ID: g.id("Appointment"), Status: status, Date: d.String(),
		Kind: g.kind(v), Territories: g.area(at, v)})
}

// ruleStudy sometimes accepts or refuses a study.
func (g *maker) ruleStudy(v *visit, id string, d day) {
	on := (d + day(g.rng.IntN(40))).String()
	switch n := g.rng.IntN(100); {
	case n < 4:
		g.rule(Ruling{Kind: "accept", About: id, Visit: v.key(), Date: on})
	case n < 6:
		g.rule(Ruling{Kind: "accept", About: id, Date: on})
	case n < 9:
		g.rule(Ruling{Kind: "refuse", About: id, Date: on})
	}
}
