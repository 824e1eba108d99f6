package second

import (
	"fmt"
	"math/rand/v2"
)

// maker is one chart in the making.
type maker struct {
	rng   *rand.Rand
	chart *Chart
	count int
	today day // the last day of the made-up story, 2026-06-30
}

// storyEnd is the day around which all generated charts live.
const storyEnd = "2026-06-30"

// Generate makes a random chart. The weights favour what is hard: month ends
// and leap days, studies exactly on the edges of windows, partial dates, the
// same study told twice, retractions, several implants, relining around the
// third day, coils, explants, deaths, rulings, bookings, unanswered calls.
// Every chart can be written as FHIR resources: ids are references, unique
// over charts by their prefix, and every fact has what its resource requires.
func Generate(rng *rand.Rand) Chart {
	today, _ := readDay(storyEnd)
	chart := Chart{ID: fmt.Sprintf("pt%08d", rng.IntN(100_000_000))}
	g := &maker{rng: rng, chart: &chart, today: today}
	for _, site := range g.sites() {
		g.implant(site)
	}
	g.contacts()
	g.ending()
	return chart
}

// AsOf picks an as-of date for a chart: the end of the story, any day near it,
// or the edge of a visit of the plan (the day itself or one beside it).
func AsOf(rng *rand.Rand, c Chart, protocols ...Protocol) string {
	today, _ := readDay(storyEnd)
	if rng.IntN(3) == 0 {
		return (today - day(rng.IntN(400))).String()
	}
	plan := Assess(c, protocols, storyEnd, Options{NoWake: true})
	var edges []string
	for _, m := range plan.Implants {
		for _, v := range m.Visits {
			edges = append(edges, v.Opens, v.Closes, v.Target)
		}
	}
	if len(edges) == 0 || rng.IntN(4) == 0 {
		return storyEnd
	}
	edge, _ := readDay(edges[rng.IntN(len(edges))])
	return min(edge+day(rng.IntN(3)-1), today+200).String()
}

// OptionsFor picks settings: mostly the defaults.
func OptionsFor(rng *rand.Rand) Options {
	var o Options
	if rng.IntN(6) == 0 {
		o.RecordsFrom = fmt.Sprintf("20%02d-01-01", 15+rng.IntN(10))
	}
	if rng.IntN(2) == 0 {
		o.SiteStart = fmt.Sprintf("20%02d-0%d-01", 22+rng.IntN(5), 1+rng.IntN(9))
	}
	if rng.IntN(8) == 0 {
		o.CompleteTo = fmt.Sprintf("2026-0%d-15", 1+rng.IntN(6))
	}
	o.AcceptReports = rng.IntN(10) == 0
	return o
}

// chance is true in n of 100 cases.
func (g *maker) chance(n int) bool { return g.rng.IntN(100) < n }

// one picks an entry.
func one[T any](g *maker, list ...T) T { return list[g.rng.IntN(len(list))] }

// id makes a new reference.
func (g *maker) id(kind string) string {
	g.count++
	return fmt.Sprintf("%s/%s-%d", kind, g.chart.ID, g.count)
}

// site is where an implant goes.
type site struct{ class, territory, side string }

// sites picks one implant, sometimes two in different territories.
func (g *maker) sites() []site {
	abdominal := site{one(g, "evar", "evar", "evar", "fenestrated-branched", "open-repair"), "abdominal-aorta", ""}
	thoracic := site{one(g, "tevar", "tevar", "arch-branch"), "thoracic-aorta", ""}
	sided := one(g, site{"carotid-stent", "carotid", "left"}, site{"iliac-branch", "iliac", "right"},
		site{"vein-bypass", "leg", "left"}, site{"carotid-stent", "carotid", ""})
	switch n := g.rng.IntN(100); {
	case n < 50:
		return []site{abdominal}
	case n < 72:
		return []site{thoracic}
	case n < 80:
		return []site{sided}
	case n < 92:
		return []site{abdominal, thoracic}
	case n < 96:
		return []site{abdominal, sided}
	case n < 98:
		return []site{{"carotid-stent", "carotid", "left"}, {"carotid-stent", "carotid", "right"}}
	}
	return []site{{"left-atrial-device", "heart", ""}} // a class that no protocol names
}

// date picks an index date: often a month end or a leap day.
func (g *maker) date(yearsBack int) day {
	back := g.today - day(g.rng.IntN(yearsBack*365)+1)
	year, month, _ := back.parts()
	switch g.rng.IntN(5) {
	case 0:
		return min(civil(year, month, monthLength(year, month)), g.today)
	case 1:
		return min(civil(year-year%4, 2, 29), g.today)
	case 2:
		return min(civil(year, one(g, 1, 3, 5, 8, 10, 12), 31), g.today-1)
	}
	return back
}

// blur sometimes makes a date partial.
func (g *maker) blur(d day, percent int) string {
	text := d.String()
	if !g.chance(percent) {
		return text
	}
	if g.chance(30) {
		return text[:4]
	}
	return text[:7]
}

// operation adds one operation.
func (g *maker) operation(role, class string, at site, date string) string {
	op := Operation{ID: g.id("Procedure"), Role: role, Class: class, Territory: at.territory, Side: at.side,
		Date: date, Status: "completed"}
	g.chart.Operations = append(g.chart.Operations, op)
	return op.ID
}

// implant adds the operations of one implant, its imaging and its rulings.
func (g *maker) implant(at site) {
	index := g.date(9)
	if g.chance(3) {
		g.operation(one(g, "implant", "history"), at.class, at, "") // no date at all
		return
	}
	id := g.operation("implant", at.class, at, g.blur(index, 6))
	if g.chance(10) { // billing repeats the same operation
		g.operation("implant", at.class, at, (index + day(g.rng.IntN(4))).String())
	}
	if g.chance(6) { // a retracted record is none
		g.operation("implant", at.class, at, (index - day(30+g.rng.IntN(300))).String())
		g.chart.Operations[len(g.chart.Operations)-1].Status = one(g, "entered-in-error", "not-done")
	}
	if g.chance(5) {
		g.operation("history", at.class, at, "")
	}
	starts := []start{{index, 1, id}}
	if later := index + day(200+g.rng.IntN(1500)); g.chance(15) && later < g.today {
		starts = g.relining(at, index, later, starts)
	}
	for range g.rng.IntN(3) - 1 {
		if coils := index + day(40+g.rng.IntN(1200)); coils < g.today {
			g.operation("coils", "", at, g.blur(coils, 4))
		}
	}
	if out := index + day(100+g.rng.IntN(2000)); g.chance(5) && out < g.today {
		g.operation("explant", "", at, out.String())
		starts = append(starts, start{out, 1, ""})
		if g.chance(40) { // and as what replaced it
			g.operation("implant", "open-repair", at, (out + day(g.rng.IntN(3))).String())
		}
	}
	for i, s := range starts {
		end := g.today
		if i+1 < len(starts) {
			end = starts[i+1].at
		}
		g.imaging(at, s, id, end)
	}
}

// start is the first day of a clock, with its number.
type start struct {
	at    day
	clock int
	id    string
}

// relining adds a re-intervention: clearly later, or around the third day.
func (g *maker) relining(at site, index, later day, starts []start) []start {
	if g.chance(25) {
		later = index + day(1+g.rng.IntN(6))
	}
	role, class := "relining", ""
	if g.chance(40) {
		role, class = "implant", at.class
		if at.territory == "abdominal-aorta" && at.class == "evar" && g.chance(40) {
			class = "fenestrated-branched"
		}
	}
	g.operation(role, class, at, g.blur(later, 4))
	if later-index > 3 {
		starts = append(starts, start{later, 2, ""})
	}
	return starts
}

// ending adds how the story ends for some.
func (g *maker) ending() {
	when := g.today - day(g.rng.IntN(1500))
	switch n := g.rng.IntN(100); {
	case n < 8:
		g.chart.DeadDate = g.blur(when, 25)
	case n < 10:
		g.chart.DeadTrue = true
	case n < 17:
		g.rule(Ruling{Kind: one(g, "stop", "transfer", "withdraw"), Date: when.String()})
	case n < 26:
		g.rule(Ruling{Kind: "pause", Date: when.String(), Until: (when + day(30+g.rng.IntN(900))).String()})
	case n < 29:
		g.rule(Ruling{Kind: "decline", Date: when.String()})
	}
	if g.chart.DeadDate != "" && g.chance(70) {
		g.trim(readSpan(g.chart.DeadDate).first)
	}
}

// trim takes away what cannot have happened after a death, mostly; the rest
// contradicts the recorded death.
func (g *maker) trim(death day) {
	g.chart.Studies = keep(g.chart.Studies, func(s Study) bool { return readSpan(s.Date).last <= death+2 })
	g.chart.Encounters = keep(g.chart.Encounters, func(e Encounter) bool { return readSpan(e.Date).last <= death+2 })
	g.chart.Operations = keep(g.chart.Operations, func(o Operation) bool { return o.Date == "" || readSpan(o.Date).first <= death+2 })
	known := map[string]bool{"": true}
	for _, s := range g.chart.Studies {
		known[s.ID] = true
	}
	g.chart.Reports = keep(g.chart.Reports, func(r Report) bool { return known[r.Study] })
	g.chart.Findings = keep(g.chart.Findings, func(f Finding) bool { return known[f.Study] })
}

// keep filters a list.
func keep[T any](list []T, wanted func(T) bool) []T {
	var left []T
	for _, each := range list {
		if wanted(each) {
			left = append(left, each)
		}
	}
	return left
}

// rule adds a ruling; a few are taken back.
func (g *maker) rule(r Ruling) {
	r.ID = g.id("Ruling")
	if from, ok := readDay(r.Date); ok && g.chance(8) {
		r.Back = (from + day(g.rng.IntN(60))).String()
	}
	g.chart.Rulings = append(g.chart.Rulings, r)
}

// contacts adds encounters, calls and their answers.
func (g *maker) contacts() {
	for range g.rng.IntN(4) {
		g.chart.Encounters = append(g.chart.Encounters, Encounter{ID: g.id("Encounter"),
			Status: one(g, "finished", "finished", "in-progress", "arrived", "planned", "cancelled"),
			Date:   g.blur(g.today-day(g.rng.IntN(2500)), 4)})
	}
	if !g.chance(35) {
		return
	}
	for range 1 + g.rng.IntN(5) {
		sent := g.today - day(g.rng.IntN(150))
		try := Attempt{ID: g.id("Communication"), Sent: sent.String(), Channel: one(g, "phone", "phone", "letter", "email")}
		if g.chance(8) {
			try.Received = (sent + day(g.rng.IntN(10))).String()
		}
		g.chart.Attempts = append(g.chart.Attempts, try)
	}
}
