package surveil_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/testkit/second"
)

// randomCase is one random chart as statements, with rules and a day.
type randomCase struct {
	id      string
	said    []chart.Statement
	rulings []chart.Ruling
	rules   *surveil.Rules
	asOf    day.Day
}

func randomChart(seed uint64) randomCase {
	rng := rand.New(rand.NewPCG(seed, 11))
	c := second.Generate(rng)
	o := second.OptionsFor(rng)
	o.KidneyDays = 90
	asOf := second.AsOf(rng, c)
	said, rulings := statements(c, asOf)
	return randomCase{c.ID, said, rulings, rulesOf(nil, o), dayOf(asOf)}
}

// observedChart is a random chart; every third has many findings, and is
// judged by protocols with random triggers.
func observedChart(seed uint64) randomCase {
	if seed%3 != 2 {
		return randomChart(seed)
	}
	rng := rand.New(rand.NewPCG(seed, 12))
	c, given := second.Observe(rng, second.Generate(rng)), second.RandomRules(rng, language)
	asOf := second.AsOf(rng, c, given...)
	said, rulings := statements(c, asOf)
	return randomCase{c.ID, said, rulings, rulesOf(given, second.OptionsFor(rng)), dayOf(asOf)}
}

func (r *randomCase) chart(said []chart.Statement, rulings []chart.Ruling) *chart.Chart {
	c, _ := chart.Assemble(said, chart.Options{Patient: r.id, Rulings: rulings})
	return c
}

// The order in which resources arrive does not matter.
func TestOrderOfInputDoesNotMatter(t *testing.T) {
	t.Parallel()
	for seed := range rounds(300) {
		r := observedChart(seed)
		want := surveil.Decide(r.chart(r.said, r.rulings), r.rules, r.asOf)
		rng := rand.New(rand.NewPCG(seed, 13))
		for range 3 {
			said, rulings := slices.Clone(r.said), slices.Clone(r.rulings)
			rng.Shuffle(len(said), func(i, j int) { said[i], said[j] = said[j], said[i] })
			rng.Shuffle(len(rulings), func(i, j int) { rulings[i], rulings[j] = rulings[j], rulings[i] })
			got := surveil.Decide(r.chart(said, rulings), r.rules, r.asOf)
			if !got.Same(&want) {
				t.Fatalf("seed %d: the plan depends on the order of the input", seed)
			}
		}
	}
}

// Until the wake day the plan is the same but for day counts; on it it differs.
func TestPlanHoldsUntilItsWakeDay(t *testing.T) {
	t.Parallel()
	woke := 0
	for seed := range uint64(150) {
		r := observedChart(seed)
		c := r.chart(r.said, r.rulings)
		p := surveil.Evaluate(c, r.rules, r.asOf)
		end := p.Wake
		if end == 0 || end > r.asOf+500 {
			end = r.asOf + 500
		}
		for d := r.asOf + 1; d < end; d++ {
			if q := surveil.Decide(c, r.rules, d); !q.Same(&p) {
				t.Fatalf("seed %d: the plan of %s changes on %s, before its wake day %s", seed, r.asOf, d, p.Wake)
			}
		}
		if p.Wake > 0 {
			woke++
			if q := surveil.Decide(c, r.rules, p.Wake); q.Same(&p) {
				t.Fatalf("seed %d: the plan of %s does not change on its wake day %s", seed, r.asOf, p.Wake)
			}
		}
	}
	if woke < 100 {
		t.Errorf("only %d plans have a wake day", woke)
	}
}

// A chart reduced to the facts that a visit's reasons name gives the visit the
// same standing; without the study that satisfied it, it stands elsewhere.
func TestReasonsNameTheFactsThatDecide(t *testing.T) {
	t.Parallel()
	visits, done := 0, 0
	for seed := range rounds(600) {
		r := observedChart(seed)
		p := surveil.Decide(r.chart(r.said, r.rulings), r.rules, r.asOf)
		for _, m := range p.Implants {
			for _, v := range m.Visits {
				visits++
				facts := factsOf(v)
				said, rulings := r.only(func(ref string) bool { return facts[ref] })
				got := find(surveil.Decide(r.chart(said, rulings), r.rules, r.asOf), &v)
				if got == nil && v.Standing == surveil.Upcoming {
					continue // an earlier visit that was excused is upcoming itself now, and ends the list
				}
				if got == nil || got.Standing != v.Standing || got.Study != v.Study {
					t.Fatalf("seed %d: %s is %s; with the facts of its reasons alone (%v) it is %+v", seed, v.Key(), v.Standing, facts, got)
				}
				if v.Standing != surveil.Done {
					continue
				}
				done++
				said, rulings = r.only(func(ref string) bool { return facts[ref] && ref != v.Study })
				if got := find(surveil.Decide(r.chart(said, rulings), r.rules, r.asOf), &v); got != nil && got.Study == v.Study {
					t.Fatalf("seed %d: %s is still done by %s, which was taken away", seed, v.Key(), v.Study)
				}
			}
		}
	}
	if visits < int(rounds(1000)) || done < int(rounds(300)) {
		t.Errorf("only %d visits, %d done", visits, done)
	}
}

func factsOf(v surveil.Visit) map[string]bool {
	facts := map[string]bool{}
	for _, why := range v.Why {
		for _, f := range why.Facts {
			facts[f] = true
		}
	}
	return facts
}

// only keeps the patient and the statements and rulings that are wanted. A
// study that is told by several resources is kept by the one that names it.
func (r *randomCase) only(want func(string) bool) ([]chart.Statement, []chart.Ruling) {
	said := slices.DeleteFunc(slices.Clone(r.said), func(s chart.Statement) bool {
		return s.Person == nil && !want(strings.TrimSuffix(s.Ref, "#report")) || s.Person != nil && s.Person.Dead.Known && !want(s.Ref)
	})
	rulings := slices.DeleteFunc(slices.Clone(r.rulings), func(x chart.Ruling) bool { return !want(x.ID) })
	return said, rulings
}

// find finds the same visit in another plan; added visits are numbered in order
// of their causes, so that these go by their days, and by whether they end (one of a
// series) or not.
func find(p surveil.Plan, want *surveil.Visit) *surveil.Visit {
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Implant == want.Implant && v.Clock == want.Clock && v.Target == want.Target && v.Opens == want.Opens && v.Closes == want.Closes && v.Cite == want.Cite &&
				(v.LastDay == 0) == (want.LastDay == 0) && (v.Step == want.Step || v.Added && want.Added) {
				return v
			}
		}
	}
	return nil
}

func FuzzEvaluate(f *testing.F) {
	f.Add(uint64(1))
	f.Fuzz(func(t *testing.T, seed uint64) {
		r := observedChart(seed)
		p := surveil.Decide(r.chart(r.said, r.rulings), r.rules, r.asOf)
		for _, m := range p.Implants {
			for _, v := range m.Visits {
				if v.Standing == "" || len(v.Why) == 0 || v.Why[0].Text() == "" {
					t.Fatalf("%s has no standing or no reason", v.Key())
				}
			}
		}
	})
}

func BenchmarkDecide(b *testing.B) { benchmark(b, surveil.Decide) }

func BenchmarkEvaluate(b *testing.B) { benchmark(b, surveil.Evaluate) }

func benchmark(b *testing.B, run func(*chart.Chart, *surveil.Rules, day.Day) surveil.Plan) {
	var cases []randomCase
	var charts []*chart.Chart
	for seed := range uint64(200) {
		r := randomChart(seed)
		cases, charts = append(cases, r), append(charts, r.chart(r.said, r.rulings))
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		run(charts[i%200], cases[i%200].rules, cases[i%200].asOf)
		i++
	}
}
