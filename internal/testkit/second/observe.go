package second

import (
	"math/rand/v2"
	"sort"
)

// Observe adds to a chart what protocols with many triggers ask about: the
// patient's sex and diagnoses, more scans, and findings of every sort on CT
// and duplex. Leaks go and come back, each diameter has a story of its own,
// some findings name no study, or one that nobody knows.
func Observe(rng *rand.Rand, c Chart) Chart {
	today, _ := readDay(storyEnd)
	g := &maker{rng: rng, chart: &c, count: 1800, today: today}
	c.Sex = one(g, "female", "female", "male", "male", "male", "other", "unknown", "")
	if g.chance(25) {
		g.diagnose()
	}
	if len(c.Operations) == 0 {
		return c
	}
	g.moreScans()
	c.Studies = append([]Study{}, c.Studies...)
	sort.SliceStable(c.Studies, func(i, j int) bool { return c.Studies[i].Date < c.Studies[j].Date })
	story := &course{leak: one(g, "II", "II", "none", "Ia", "unknown"), diameters: map[string]int{}}
	for _, s := range c.Studies {
		if s.Date != "" && g.chance(80) {
			g.observe(s, story)
		}
	}
	for range g.rng.IntN(3) {
		g.looseFindings()
	}
	return c
}

// AfterFinding picks an as-of date that is at most a month after a finding of
// the chart; the end of the story where there is none.
func AfterFinding(rng *rand.Rand, c Chart) string {
	g := &maker{rng: rng}
	if len(c.Findings) == 0 {
		return storyEnd
	}
	at := readSpan(one(g, c.Findings...).Date)
	if !at.known {
		return storyEnd
	}
	return (at.first + day(one(g, 0, 1, 7, 29, 30, 31))).String()
}

// diagnose adds a condition of the patient.
func (g *maker) diagnose() {
	g.chart.Diagnoses = append(g.chart.Diagnoses, Diagnosis{ID: g.id("Condition"), What: "dissection",
		Date: one(g, "", g.blur(g.lately(), 30)), Status: one(g, "active", "active", "active", "entered-in-error")})
}

// moreScans adds imaging at any time after the first operation.
func (g *maker) moreScans() {
	op := g.chart.Operations[0]
	index := readSpan(op.Date)
	if !index.known || index.first >= g.today {
		return
	}
	for range g.rng.IntN(5) {
		at := site{op.Class, op.Territory, op.Side}
		d := index.first + day(1+g.rng.IntN(int(g.today-index.first)))
		g.study(at, d, one(g, cta, cta, duplex, duplex, duplexLimited, mra, ctPlain), one(g, wholeArea(at), wholeAorta()))
	}
}

// course is how the findings of a patient go on from scan to scan.
type course struct {
	leak      string
	diameters map[string]int
}

// observe adds what was seen on one study.
func (g *maker) observe(s Study, story *course) {
	put := func(f Finding) {
		f.Study, f.Date = s.ID, s.Date
		g.find(f, modalityOf(s.Kind))
	}
	if g.chance(35) { // it goes, comes back, or turns into another
		story.leak = one(g, "none", "none", "absent", "II", "II", "II", "Ib", "unknown", "V")
	}
	if g.chance(70) {
		put(Finding{What: "endoleak", Type: story.leak})
	}
	for range g.rng.IntN(3) {
		put(g.diameter(story))
	}
	for range g.rng.IntN(3) {
		put(g.otherFinding())
	}
}

// diameter is the next value of one of the diameters.
func (g *maker) diameter(story *course) Finding {
	measure := one(g, "sac", "sac", "sac", "", "ascending", "arch", "isthmus", "descending", "abdominal", "sac outer", "arch inner")
	if story.diameters[measure] == 0 {
		story.diameters[measure] = 400 + 10*g.rng.IntN(20)
	}
	story.diameters[measure] += one(g, 0, 0, 1, 10, 29, 30, 49, 50, 51, 100, -30, -60)
	return Finding{What: "sac-diameter", TenthsMM: story.diameters[measure], Measure: measure}
}

// otherFinding is one that is neither leak nor diameter.
func (g *maker) otherFinding() Finding {
	switch what := one(g, "migration", "branch-patency", "branch-patency", "false-lumen", "false-lumen", "fracture", "separation", "kink", "infection", "rupture"); what {
	case "migration":
		return Finding{What: what, TenthsMM: one(g, 30, 49, 50, 99, 100, 101, 150)}
	case "branch-patency":
		return Finding{What: what, Type: one(g, "patent", "patent", "occluded", "stenosed", "unknown", "normal")}
	case "false-lumen":
		return Finding{What: what, Type: one(g, "patent", "thrombosed", "partially-thrombosed", "absent", "unknown")}
	default:
		return Finding{What: what, Type: one(g, "present", "absent", "absent")}
	}
}

// looseFindings are some of one day that name no study, or one that is not
// here; the day is that of a study, or any.
func (g *maker) looseFindings() {
	date, missing := g.blur(g.lately(), 20), ""
	if s, ok := g.some(); ok && s.Date != "" && g.chance(50) {
		date = s.Date
	}
	if g.chance(20) {
		missing = "ImagingStudy/gone"
	}
	for range 1 + g.rng.IntN(3) {
		f := g.otherFinding()
		if g.chance(60) {
			f = Finding{What: "endoleak", Type: one(g, "II", "Ia", "none")}
		}
		f.Study, f.Date = missing, date
		g.find(f, one(g, "ct", "duplex"))
	}
}

// find adds a finding; of a study that has no modality it is taken on CT.
func (g *maker) find(f Finding, modality string) {
	f.ID, f.Modality, f.Status = g.id("Observation"), modality, "final"
	if modality == "" {
		f.Modality = "ct"
	}
	if g.chance(4) {
		f.Status = "entered-in-error"
	}
	g.chart.Findings = append(g.chart.Findings, f)
}
