package surveil_test

import (
	"math/rand/v2"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/surveil"
	"perennial/internal/testkit/second"
)

// crowded makes a story of several implants whose visits overlap.
func crowded(seed uint64) story {
	rng := rand.New(rand.NewPCG(seed, 11))
	s := story{chart: second.Crowd(rng)}
	s.options.KidneyDays, s.options.WakeDays = 90, 400
	s.asOf = second.AsOf(rng, s.chart)
	if rng.IntN(3) == 0 {
		s.given = second.Shipped([]string{"label-1-6-12", "svs-fu-2018", "accaha-2022"}[rng.IntN(3)])
	}
	return s
}

// On 1,000 charts of several implants the proposal of scan days is that which
// trying every division finds, to the day.
func TestScansAgreesWithEveryDivision(t *testing.T) {
	t.Parallel()
	from, to, asked := seeds(t, 1000)
	several, days, kinds := 0, 0, 0
	for seed := from; seed < to; seed++ {
		s := crowded(seed)
		want, got := compare(s, false)
		if d := gocmp.Diff(want.Scans, got.Scans); d != "" {
			t.Fatalf("seed %d as of %s (-second +real):\n%s", seed, s.asOf, d)
		}
		if len(got.Scans) > 1 {
			days++
		}
		for _, scan := range got.Scans {
			several += len(scan.Serves) / 2
			if len(scan.Serves) > 3 {
				kinds++
			}
		}
	}
	if !asked && (several < 500 || days < 200 || kinds < 100) {
		t.Errorf("too plain: %d shared scans, %d charts with several, %d scans for four and more", several, days, kinds)
	}
}

// The wake day holds for the proposal too: until the day before it the plan is
// the same, and on it another.
func TestScansHoldUntilTheWakeDay(t *testing.T) {
	t.Parallel()
	for seed := range uint64(40) {
		s := crowded(seed)
		p := s.decided(dayOf(s.asOf), surveil.Evaluate)
		if p.Wake == 0 {
			continue
		}
		for d := p.AsOf + 1; d < p.Wake; d++ {
			if q := s.decided(d, surveil.Decide); !q.Same(&p) {
				t.Fatalf("seed %d: the plan of %s differs from that of %s, wake %s", seed, d, s.asOf, p.Wake)
			}
		}
		if q := s.decided(p.Wake, surveil.Decide); q.Same(&p) {
			t.Errorf("seed %d: nothing changes on the wake day %s", seed, p.Wake)
		}
	}
}
