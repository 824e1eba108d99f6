package second

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"sort"
	"testing"
)

func TestGenerateIsRepeatable(t *testing.T) {
	t.Parallel()
	for seed := uint64(0); seed < 50; seed++ {
		a := Generate(rand.New(rand.NewPCG(seed, 7)))
		b := Generate(rand.New(rand.NewPCG(seed, 7)))
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("seed %d gave two charts", seed)
		}
	}
}

// Every case that the generator exists for must turn up in a thousand charts,
// in the plans and not only in the charts.
func TestGenerateReachesEverything(t *testing.T) {
	t.Parallel()
	seen := map[string]int{}
	for seed := uint64(0); seed < 1000; seed++ {
		rng := rand.New(rand.NewPCG(seed, 1))
		c := Generate(rng)
		o := OptionsFor(rng)
		o.NoWake = true
		count(seen, Assess(c, nil, AsOf(rng, c), o))
	}
	for _, name := range []string{
		"active", "paused", "ended", "unresolved", "died", "stopped", "transferred",
		"rung current", "rung overdue", "rung presumed-lost", "rung lost", "gap true", "gap false",
		"done on-time", "done late", "excused", "missed", "overdue", "booked", "open", "upcoming", "undecided",
		"awaited", "reported", "reviewed", "two implants", "second clock", "check1", "m6", "aorta5",
		"booking in", "booking out", "open-repair", "partial target", "partial study",
		"work arrange-imaging", "work chase-overdue", "work trace-patient", "work obtain-outside-study",
		"work chase-report", "work review-finding", "work answer-question",
		"ask index-date", "ask implant-class", "ask study-kind", "ask study-acceptance", "ask study-early",
		"ask partial-date", "ask death-date", "ask other",
	} {
		if seen[name] == 0 {
			t.Errorf("no chart in a thousand shows %q", name)
		}
	}
	tell(t, seen)
}

// tell lists how often each thing was seen.
func tell(t *testing.T, seen map[string]int) {
	t.Helper()
	if !testing.Verbose() {
		return
	}
	var names []string
	for name, n := range seen {
		names = append(names, fmt.Sprintf("%-28s %d", name, n))
	}
	sort.Strings(names)
	for _, n := range names {
		t.Log(n)
	}
}

// observed is a chart with many findings, under protocols with random triggers.
func observed(seed uint64) (Chart, []Protocol) {
	rng := rand.New(rand.NewPCG(seed, 3))
	return Observe(rng, Generate(rng)), RandomRules(rng, AllWords)
}

// Each part of a condition decides in some chart: without it the plan is
// another. So does each effect, and what a series goes by.
func TestRandomRulesReachEverything(t *testing.T) {
	t.Parallel()
	parts := map[string]func(*Trigger){
		"of": func(t *Trigger) { t.When.Of = nil }, "seen": func(t *Trigger) { t.When.Seen = nil }, "sex": func(t *Trigger) { t.When.Sex = "" },
		"if": func(t *Trigger) { t.When.If = "" }, "first_scan": func(t *Trigger) { t.When.NotFirst = false }, "with": func(t *Trigger) { t.When.With = nil },
		"at_least": func(t *Trigger) { t.When.AtLeast = min(t.When.AtLeast, 1) }, "below": func(t *Trigger) { t.When.Below *= 100 },
		"across": func(t *Trigger) { t.When.Across = false }, "any": func(t *Trigger) { t.When.Any = t.When.Any[:min(1, len(t.When.Any))] },
		"types": func(t *Trigger) { t.When.Types = nil }, "review": func(t *Trigger) { t.Review = nil }, "withhold": func(t *Trigger) { t.Withhold = false },
		"visit": func(t *Trigger) { t.Visit = nil }, "series": func(t *Trigger) { t.Series = nil },
		"until": changeSeries(func(s *AddedSeries) { s.Until += s.Every }), "instead": changeSeries(func(s *AddedSeries) { s.Instead = false }),
	}
	seen := map[string]int{}
	for seed := range uint64(300) {
		c, rules := observed(seed)
		asOf := AfterFinding(rand.New(rand.NewPCG(seed, 4)), c)
		before := Assess(c, rules, asOf, Options{NoWake: true})
		for name, change := range parts {
			other, changed := changedRules(rules, change)
			if changed && !reflect.DeepEqual(before, Assess(c, other, asOf, Options{NoWake: true})) {
				seen[name]++
			}
		}
	}
	for name := range parts {
		if seen[name] == 0 {
			t.Errorf("%s decides in no chart of three hundred", name)
		}
	}
	tell(t, seen)
}

// changeSeries changes a copy of a trigger's series.
func changeSeries(change func(*AddedSeries)) func(*Trigger) {
	return func(t *Trigger) {
		if t.Series != nil {
			s := *t.Series
			change(&s)
			t.Series = &s
		}
	}
}

// changedRules changes every trigger, and tells whether that made a difference.
func changedRules(rules []Protocol, change func(*Trigger)) (out []Protocol, changed bool) {
	for _, p := range rules {
		p.Triggers = append([]Trigger{}, p.Triggers...)
		for i := range p.Triggers {
			before := p.Triggers[i]
			change(&p.Triggers[i])
			changed = changed || !reflect.DeepEqual(before, p.Triggers[i])
		}
		out = append(out, p)
	}
	return out, changed
}

// A series begins again in some charts.
func TestRandomSeriesBeginAgain(t *testing.T) {
	t.Parallel()
	again := 0
	for seed := range uint64(300) {
		c, rules := observed(seed)
		p := &patient{chart: c, given: rules, o: Options{}.filled(), asOf: readSpan(storyEnd).first}
		p.findRulings()
		p.findStudies()
		p.findImplants()
		for _, m := range p.implants {
			for _, k := range m.clocks {
				if k.protocol == nil || !m.index.known {
					continue
				}
				for _, t := range k.protocol.Triggers {
					if on := p.sightOf(m, nil); t.Series != nil && len(on.beginnings(on.hits(k, t.When), t.Series)) > 1 {
						again++
					}
				}
			}
		}
	}
	if again < 10 {
		t.Errorf("%d series of three hundred charts began again", again)
	}
	t.Log(again)
}

func count(seen map[string]int, p Plan) {
	mark := func(yes bool, name string) {
		if yes {
			seen[name]++
		}
	}
	seen[p.Surveillance]++
	seen[p.Ended]++
	mark(p.FollowUp != "", "rung "+p.FollowUp)
	if p.ImagingGap != nil {
		seen[fmt.Sprintf("gap %v", *p.ImagingGap)]++
	}
	mark(len(p.Implants) > 1, "two implants")
	for _, m := range p.Implants {
		mark(m.Clock != "", "second clock")
		seen[m.Class]++
		for _, v := range m.Visits {
			mark(v.Standing != "done", v.Standing)
			mark(v.Standing == "done", "done "+v.Timing)
			seen[v.Result]++
			seen[v.Step]++
			mark(v.Booking != nil && v.Booking.InWindow, "booking in")
			mark(v.Booking != nil && !v.Booking.InWindow, "booking out")
			mark(v.TargetTo != "", "partial target")
			mark(v.StudyDateTo != "", "partial study")
		}
	}
	for _, w := range p.Work {
		seen["work "+w.Kind]++
	}
	for _, q := range p.Questions {
		seen["ask "+q.Kind]++
	}
}

func BenchmarkAssessWithWake(b *testing.B) {
	for i := 0; b.Loop(); i++ {
		rng := rand.New(rand.NewPCG(uint64(i%100), 1))
		Assess(Generate(rng), nil, storyEnd, Options{})
	}
}

// With every shipped protocol: no chart stops the engine, every patient is in
// exactly one state, and nothing is asked or proposed twice.
func TestEveryProtocolOnRandomCharts(t *testing.T) {
	t.Parallel()
	ids := []string{"svs-aaa-2018", "svs-tevar-2021", "svs-fu-2018", "accaha-2022", "accaha-2022-open", "label-1-6-12", "label-1-6-12-trial"}
	for seed := uint64(0); seed < 700; seed++ {
		rng := rand.New(rand.NewPCG(seed, 2))
		c := Generate(rng)
		p := Assess(c, Shipped(ids[seed%7]), AsOf(rng, c), Options{NoWake: true})
		if len(p.Implants) > 0 && !has([]string{"active", "paused", "ended", "unresolved"}, p.Surveillance) ||
			(p.Surveillance == "ended") != (p.Ended != "") || (p.Surveillance == "active") != (p.FollowUp != "") {
			t.Fatalf("seed %d: %s", seed, show(p))
		}
		keys := map[WorkItem]bool{}
		for _, w := range p.Work {
			w.From, w.By, w.Urgency = "", "", ""
			if keys[w] {
				t.Fatalf("seed %d: twice %+v\n%s", seed, w, show(p))
			}
			keys[w] = true
		}
	}
}
