package surveil_test

import (
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/surveil"
)

// An outline is the plan with less in it: the same patients, implants, ends and
// visits.
func TestOutlineIsThePlanWithLess(t *testing.T) {
	t.Parallel()
	visits := 0
	for seed := range uint64(1500) {
		r := randomChart(seed)
		c := r.chart(r.said, r.rulings)
		full := surveil.Decide(c, r.rules, r.asOf)
		if d := gocmp.Diff(lessOf(full), surveil.Outline(c, r.rules, r.asOf)); d != "" {
			t.Fatalf("seed %d (-plan +outline):\n%s", seed, d)
		}
		for i := range full.Implants {
			visits += len(full.Implants[i].Visits)
		}
	}
	for seed := uint64(1); seed < 1500; seed += 2 { // with rulings that change the schedule
		s := storyOf(seed)
		full, less := s.decided(dayOf(s.asOf), surveil.Decide), s.decided(dayOf(s.asOf), surveil.Outline)
		if d := gocmp.Diff(lessOf(full), less); d != "" && len(full.Implants) > 0 {
			t.Fatalf("story %d (-plan +outline):\n%s", seed, d)
		}
	}
	if visits < 3000 {
		t.Errorf("only %d visits were compared", visits)
	}
}

// lessOf leaves out of a plan what an outline does not tell.
func lessOf(p surveil.Plan) surveil.Plan {
	out := surveil.Plan{Patient: p.Patient, AsOf: p.AsOf, Identifiers: p.Identifiers, Surveillance: p.Surveillance, Ended: p.Ended, EndedOn: p.EndedOn,
		PausedUntil: p.PausedUntil, LastSeen: p.LastSeen}
	for _, m := range p.Implants {
		less := surveil.Implant{ID: m.ID, Class: m.Class, Index: m.Index, Clocks: m.Clocks, Ended: m.Ended, EndedOn: m.EndedOn, Next: m.Next, Visits: []surveil.Visit{}}
		for _, v := range m.Visits {
			less.Visits = append(less.Visits, surveil.Visit{Implant: v.Implant, Clock: v.Clock, Series: v.Series, Step: v.Step, N: v.N,
				Target: v.Target, Opens: v.Opens, Closes: v.Closes, Standing: v.Standing})
		}
		out.Implants = append(out.Implants, less)
	}
	return out
}

func BenchmarkOutline(b *testing.B) { benchmark(b, surveil.Outline) }
