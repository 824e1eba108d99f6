package surveil_test

import (
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// An outline is the plan with less in it: the same patients, implants, ends and
// visits.
func TestOutlineIsThePlanWithLess(t *testing.T) {
	t.Parallel()
	visits := 0
	var o surveil.Outliner // used again: nothing of one patient may be left over for the next
	for seed := range rounds(1500) {
		r := randomChart(seed)
		c := r.chart(r.said, r.rulings)
		full := surveil.Decide(c, r.rules, r.asOf)
		if d := gocmp.Diff(lessOf(full), o.Outline(c, r.rules, r.asOf)); d != "" {
			t.Fatalf("seed %d (-plan +outline):\n%s", seed, d)
		}
		for i := range full.Implants {
			visits += len(full.Implants[i].Visits)
		}
	}
	for seed := uint64(1); seed < rounds(1500); seed += 2 { // with rulings that change the schedule
		s := storyOf(seed)
		full, less := s.decided(dayOf(s.asOf), surveil.Decide), s.decided(dayOf(s.asOf), o.Outline)
		if d := gocmp.Diff(lessOf(full), less); d != "" && len(full.Implants) > 0 {
			t.Fatalf("story %d (-plan +outline):\n%s", seed, d)
		}
	}
	if visits < int(rounds(3000)) {
		t.Errorf("only %d visits were compared", visits)
	}
}

// An outline makes no more visits than it shows; a repeated step that begins
// late, or ends, must not fool it at any time of the schedule.
func TestOutlineOfALateRepeat(t *testing.T) {
	t.Parallel()
	cta := []protocol.Way{{Kinds: []chart.Kind{chart.CTAngiogram}}}
	said := []chart.Statement{
		{Ref: "Patient/p", Person: &chart.Person{ID: "p"}},
		{Ref: "Procedure/1", Operation: &chart.Operation{Source: chart.Source{Ref: "Procedure/1"}, On: spanOf("2004-03-10"), Minute: day.NoMinute, Role: chart.RoleImplant, Class: "evar", Zone: "abdominal-aorta"}},
	}
	c, _ := chart.Assemble(said, chart.Options{Patient: "p"})
	var o surveil.Outliner
	for _, until := range []int{0, 84, 240} {
		for _, late := range []bool{false, true} {
			p := &protocol.Protocol{ID: "late", Version: "1", Classes: []string{"evar"}, Late: late, Gap: day.Offset{Months: 15}, Covers: []protocol.Cover{{Needs: chart.Abdomen}},
				Series: []protocol.Series{{ID: "main", Prefix: "y", Ladder: true, Steps: []protocol.Step{{ID: "m1", At: day.Offset{Months: 1}, Before: 30, After: 30, Ways: cta}},
					Repeat: &protocol.Repeat{From: day.Offset{Months: 60}, Every: day.Offset{Months: 12}, Until: day.Offset{Months: until}, Before: 90, After: 180, Ways: cta}}}}
			rules := &surveil.Rules{Care: map[string][]surveil.InForce{"evar": {{Protocol: p}}}, Settings: surveil.Defaults()}
			for asOf := dayOf("2004-03-11"); asOf < dayOf("2027-01-01"); asOf += 29 {
				if d := gocmp.Diff(lessOf(surveil.Decide(c, rules, asOf)), o.Outline(c, rules, asOf)); d != "" {
					t.Fatalf("until %d, late %v, on %s (-plan +outline):\n%s", until, late, asOf, d)
				}
			}
		}
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

func BenchmarkOutline(b *testing.B) { benchmark(b, new(surveil.Outliner).Outline) }
