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
	if !asked && (several < int(rounds(500)) || days < int(rounds(200)) || kinds < int(rounds(100))) {
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

// graft is a completed operation, and on names the visits of a scan.
func graft(id, class, place, on string) second.Operation {
	return second.Operation{ID: "Procedure/" + id, Role: "implant", Class: class, Territory: place, Date: on, Status: "completed"}
}

// done is a CT of the whole aorta.
func done(id, on string) second.Study {
	return second.Study{ID: "ImagingStudy/" + id, Status: "available", Kind: "ct-angiogram", Territories: []string{"chest", "abdomen", "pelvis"}, Date: on}
}

// The readings of decision 001, each with dates that were worked out by hand.
func TestScansAsDecided(t *testing.T) {
	t.Parallel()
	two := second.Chart{ID: "p", Operations: []second.Operation{graft("a", "evar", "abdominal-aorta", "2024-01-10"), graft("b", "tevar", "thoracic-aorta", "2024-04-10")},
		Studies: []second.Study{done("1", "2024-02-09"), done("2", "2024-05-10"), done("3", "2025-01-10"), done("4", "2025-04-10")}}
	with := func(change func(*second.Chart)) second.Chart {
		c := two
		change(&c)
		return c
	}
	aside := func(from string) *second.ScanPlan {
		return &second.ScanPlan{From: from, To: "2026-04-10", Serves: []string{"Procedure/a/y2", "Procedure/b/y2"}}
	}
	booked := func(kind, day string) second.Chart {
		return with(func(c *second.Chart) {
			c.Bookings = []second.Booking{{ID: "Appointment/k", Status: "booked", Date: day, Kind: kind, Territories: []string{"abdomen", "pelvis"}}}
		})
	}
	leak := with(func(c *second.Chart) {
		c.Findings = []second.Finding{{ID: "Observation/f", Study: "ImagingStudy/5", What: "endoleak", Type: "Ia", Date: "2025-12-20", Status: "final"}}
		c.Studies = append([]second.Study{{ID: "ImagingStudy/5", Status: "available", Kind: "radiograph", Territories: []string{"abdomen", "pelvis"}, Date: "2025-12-20"}}, two.Studies...)
	})
	five := leak
	five.Operations = []second.Operation{graft("a", "evar", "abdominal-aorta", "2021-01-10")}
	calm := five
	calm.Findings = nil
	for name, c := range map[string]struct {
		chart second.Chart
		asOf  string
		want  *second.ScanPlan // the first
	}{
		// y2 of a: 12 Oct 2025 to 9 Apr 2026; y2 of b: 10 Jan to 9 Jul 2026.
		"the days of both windows":             {two, "2025-11-01", &second.ScanPlan{From: "2026-01-10", To: "2026-04-10", Serves: []string{"Procedure/a/y2", "Procedure/b/y2"}}},
		"stays the same while both are open":   {two, "2026-04-09", &second.ScanPlan{From: "2026-01-10", To: "2026-04-10", Serves: []string{"Procedure/a/y2", "Procedure/b/y2"}}},
		"an overdue one takes the open along":  {two, "2026-05-01", &second.ScanPlan{From: "2026-04-11", To: "2026-07-09", Serves: []string{"Procedure/a/y2", "Procedure/b/y2"}}},
		"a booked one keeps its day":           {booked("ct-angiogram", "2026-02-02"), "2025-11-01", &second.ScanPlan{From: "2026-02-02", To: "2026-02-02", Serves: []string{"Procedure/a/y2", "Procedure/b/y2"}}},
		"a booking before the other opens":     {booked("ct-angiogram", "2025-12-02"), "2025-11-01", nil},
		"a booking by duplex does not do both": {booked("duplex", "2026-02-02"), "2025-11-01", nil},
		"five-yearly and yearly":               {calm, "2025-12-28", &second.ScanPlan{From: "2025-10-12", To: "2026-04-10", Serves: []string{"Procedure/a/y5", "Procedure/a/aorta5"}}},
		"a day for what is withheld only":      {five, "2025-12-28", nil},
		"what is withheld comes along":         {leak, "2025-12-28", aside("2026-01-10")},
	} {
		s := story{chart: c.chart, asOf: c.asOf}
		want, got := compare(s, false)
		if d := gocmp.Diff(want.Scans, got.Scans); d != "" {
			t.Errorf("%s: -second +real:\n%s", name, d)
		}
		switch {
		case c.want == nil && len(got.Scans) > 0:
			t.Errorf("%s: proposes %v", name, got.Scans)
		case c.want != nil && (len(got.Scans) == 0 || gocmp.Diff(*c.want, got.Scans[0]) != ""):
			t.Errorf("%s: proposes %v, want %v first", name, got.Scans, *c.want)
		}
	}
}
