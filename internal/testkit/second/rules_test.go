package second

import (
	"math/rand/v2"
	"reflect"
	"testing"
)

func op(id, role, class, date string) Operation {
	return Operation{ID: "Procedure/" + id, Role: role, Class: class, Territory: "abdominal-aorta", Date: date, Status: "completed"}
}

func TestClustersOfThreeDays(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		date  string
		clock string
	}{{"2024-03-13", ""}, {"2024-03-14", "2024-03-14"}} {
		chart := evar("2024-03-10")
		chart.Operations = append(chart.Operations, op("p0", "implant", "evar", c.date))
		p := assess(chart, "2024-08-01")
		if m := p.Implants[0]; len(p.Implants) != 1 || m.ID != "Procedure/p1" || m.Clock != c.clock {
			t.Errorf("%s: %s", c.date, show(p))
		}
	}
}

func TestRetractedOperationIsNone(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10")
	chart.Operations[0].Status = "entered-in-error"
	if p := assess(chart, "2024-08-01"); len(p.Implants) != 0 {
		t.Errorf("%s", show(p))
	}
}

// Relined on 2024-09-10. The study of that day belongs to nobody, the one
// after it to the new clock only; what had closed is missed, what was open is
// excused, what had not opened is not listed.
func TestRelining(t *testing.T) {
	t.Parallel()
	chart := evar("2023-01-10", scan(cta, "2024-01-10"), scan(cta, "2024-09-10"), scan(cta, "2024-10-10"))
	chart.Operations = append(chart.Operations, op("p2", "relining", "", "2024-09-10"))
	p := assess(chart, "2024-11-01")
	var got []string
	for _, v := range p.Implants[0].Visits {
		got = append(got, line(v))
	}
	want := []string{
		"m1 2023-02-09 2023-01-25..2023-03-11 missed",
		"y1 2024-01-10 2023-10-12..2024-04-09 done on-time",
		"m1 2024-10-10 2024-09-25..2024-11-09 done on-time",
		"y1 2025-09-10 2025-06-12..2025-12-09 upcoming",
		"aorta5 2029-09-10 2029-03-14..2030-03-09 upcoming",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s", show(p))
	}
}

func TestExplantMakesOpenRepair(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10", grid("2020-01-10", 12, 24)...)
	chart.Operations = append(chart.Operations, op("p2", "explant", "", "2022-06-01"), op("p3", "implant", "open-repair", "2022-06-02"))
	p := assess(chart, "2023-01-01")
	if len(p.Implants) != 2 || p.Implants[1].ID != "Procedure/p2" || p.Implants[1].Class != "open-repair" ||
		p.Implants[1].Protocol != "accaha-2022-open@1" || p.Surveillance != "active" || p.Implants[0].Next != nil {
		t.Errorf("%s", show(p))
	}
}

func TestSidesAndHistory(t *testing.T) {
	t.Parallel()
	stent := func(id, side, date string) Operation {
		return Operation{ID: "Procedure/" + id, Role: "implant", Class: "carotid-stent", Territory: "carotid", Side: side, Date: date, Status: "completed"}
	}
	chart := Chart{ID: "x", Operations: []Operation{stent("a", "left", "2024-01-10"), stent("b", "right", "2024-01-10"), stent("c", "", "2024-01-10")}}
	if p := assess(chart, "2024-02-01"); len(p.Implants) != 3 || !asks(p, "other", "Procedure/c") {
		t.Errorf("%s", show(p))
	}
	chart = Chart{ID: "x", Operations: []Operation{{ID: "Condition/h", Role: "history", Class: "evar", Territory: "abdominal-aorta"}}}
	if p := assess(chart, "2024-02-01"); p.Surveillance != "unresolved" || !asks(p, "index-date", "Condition/h") {
		t.Errorf("%s", show(p))
	}
	chart.Operations = append(chart.Operations, op("p1", "implant", "evar", "2024-01-10"))
	if p := assess(chart, "2024-02-01"); len(p.Implants) != 1 || len(p.Questions) != 0 {
		t.Errorf("%s", show(p))
	}
}

func TestPartialIndex(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03")
	p := assess(chart, "2025-06-29")
	v := visitOf(t, p, 0, "y1")
	if v.Target != "2025-03-01" || v.TargetTo != "2025-03-31" || v.Closes != "2025-05-30" || v.ClosesTo != "2025-06-29" ||
		v.Standing != "open" || visitOf(t, p, 0, "m1").Standing != "undecided" || p.Surveillance != "active" {
		t.Errorf("%s", show(p))
	}
	if v := visitOf(t, assess(chart, "2025-06-30"), 0, "y1"); v.Standing != "overdue" {
		t.Errorf("%+v", v)
	}
}

func TestPauseSwallowsWhatClosesInIt(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10", grid("2024-03-10")...)
	chart.Rulings = []Ruling{{Kind: "pause", Date: "2025-06-08", Until: "2025-06-09"}}
	p := assess(chart, "2025-06-08")
	want(t, p, "y1", "y1 2025-03-10 2024-12-10..2025-06-08 excused")
	if p.Surveillance != "paused" || p.FollowUp != "" {
		t.Errorf("%s", show(p))
	}
	chart.Rulings[0].Until = "2025-06-08" // over on the closing day
	p = assess(chart, "2025-06-08")
	want(t, p, "y1", "y1 2025-03-10 2024-12-10..2025-06-08 open")
	chart.Rulings[0].Until, chart.Rulings[0].Back = "2025-07-01", "2025-06-08"
	want(t, assess(chart, "2025-06-08"), "y1", "y1 2025-03-10 2024-12-10..2025-06-08 open")
}

func TestRecordsFrom(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10")
	p := Assess(chart, nil, "2023-02-01", Options{NoWake: true, RecordsFrom: "2022-01-01"})
	// y1 counts to the day before y2 opens, 2021-10-11.
	for step, standing := range map[string]string{"m1": "undecided", "y1": "undecided", "y2": "missed", "y3": "open"} {
		if v := visitOf(t, p, 0, step); v.Standing != standing {
			t.Errorf("%s is %s", step, v.Standing)
		}
	}
}

// m1 and y1 missed: presumed lost once y1 is, on 2021-10-12 (y2 opens), or
// 180 days after a close. m1 of 2020-01-10 closes 2020-03-10: 181 days later
// is 2020-09-07.
func TestLadder(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10")
	for _, c := range []struct{ asOf, rung string }{
		{"2020-03-10", "current"}, {"2020-03-11", "overdue"}, {"2020-09-06", "overdue"}, {"2020-09-07", "presumed-lost"},
	} {
		if p := assess(chart, c.asOf); p.FollowUp != c.rung {
			t.Errorf("%s: %s", c.asOf, show(p))
		}
	}
	trace := works(assess(chart, "2020-12-01"), "trace-patient")
	if len(trace) != 1 || trace[0].From != "2020-09-07" || trace[0].By != "2020-10-07" {
		t.Errorf("%+v", trace)
	}
	chart.Attempts = []Attempt{{"Communication/1", "2020-09-10", "phone", ""}, {"Communication/2", "2020-09-11", "phone", ""}}
	chart.Attempts = append(chart.Attempts, Attempt{"Communication/3", "2020-09-12", "phone", ""})
	if p := assess(chart, "2020-12-01"); p.FollowUp != "presumed-lost" {
		t.Errorf("one channel: %s", show(p))
	}
	chart.Attempts[2].Channel = "letter"
	if p := assess(chart, "2020-12-01"); p.FollowUp != "lost" {
		t.Errorf("two channels: %s", show(p))
	}
	chart.Attempts[0].Received = "2020-10-01"
	if p := assess(chart, "2020-12-01"); p.FollowUp != "presumed-lost" || p.LastSeen != "2020-10-01" {
		t.Errorf("answered: %s", show(p))
	}
	chart.Bookings = []Booking{{"Appointment/a", "booked", "2020-12-24", cta, abdomenPelvis()}}
	if p := assess(chart, "2020-12-01"); p.FollowUp != "overdue" {
		t.Errorf("booked: %s", show(p))
	}
	p := Assess(evar("2020-01-10"), nil, "2020-12-01", Options{NoWake: true, CompleteTo: "2020-09-03"})
	if p.FollowUp != "overdue" {
		t.Errorf("silent feed: %s", show(p))
	}
}

// In a trial m6 of 2020-01-10 is missed the day after its close, 2020-08-09:
// the last two settled visits are missed, before 180 days have passed.
func TestTwoMissedVisits(t *testing.T) {
	t.Parallel()
	for asOf, rung := range map[string]string{"2020-08-09": "overdue", "2020-08-10": "presumed-lost"} {
		if p := assess(evar("2020-01-10"), asOf, Shipped("label-1-6-12-trial")...); p.FollowUp != rung {
			t.Errorf("%s: %s", asOf, show(p))
		}
	}
	seen := evar("2020-01-10", scan(cta, "2020-06-09")) // a day early for m6, but imaging since m1 opened
	if p := assess(seen, "2020-08-10", Shipped("label-1-6-12-trial")...); p.FollowUp != "overdue" {
		t.Errorf("%s", show(p))
	}
}

func TestFiniteScheduleCompletes(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10", grid("2020-01-10", 6, 12, 24, 36, 48)...)
	trial := Shipped("label-1-6-12-trial")
	// y5 of 2025-01-10 closes 2025-03-11.
	if p := assess(chart, "2025-03-11", trial...); p.Surveillance != "active" || p.Implants[0].Next == nil {
		t.Errorf("%s", show(p))
	}
	p := assess(chart, "2025-03-12", trial...)
	want(t, p, "y5", "y5 2025-01-10 2024-11-11..2025-03-11 missed")
	if p.Ended != "completed" || p.Implants[0].Next != nil {
		t.Errorf("%s", show(p))
	}
}

func TestDeathInDoubt(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10")
	chart.DeadDate = "2021-05-01"
	for date, surveillance := range map[string]string{"2021-05-03": "ended", "2021-05-04": "unresolved"} {
		chart.Encounters = []Encounter{{"Encounter/e", "finished", date}}
		p := assess(chart, "2021-06-01")
		if p.Surveillance != surveillance || asks(p, "death-date", "Patient/x") != (surveillance == "unresolved") {
			t.Errorf("%s: %s", date, show(p))
		}
	}
}

// The parts of one day count together only where none does alone.
func TestPartsOfOneDay(t *testing.T) {
	t.Parallel()
	a, b := scan(cta, "2024-04-09", "abdomen"), scan(cta, "2024-04-09", "pelvis")
	a.ID, b.ID = "ImagingStudy/a", "ImagingStudy/b"
	want(t, assess(evar("2024-03-10", b, a), "2024-06-01"), "m1", "m1 2024-04-09 2024-03-25..2024-05-09 done on-time")
	b.Date = "2024-04-10"
	p := assess(evar("2024-03-10", b, a), "2024-06-01")
	want(t, p, "m1", "m1 2024-04-09 2024-03-25..2024-05-09 overdue")
	if !asks(p, "study-acceptance", a.ID) || !asks(p, "study-acceptance", b.ID) {
		t.Errorf("%s", show(p))
	}
}

func TestWakeByHand(t *testing.T) {
	t.Parallel()
	// From 2025-01-31: m1 opens 2025-02-15, its last 30 days begin 2025-03-02.
	for asOf, wake := range map[string]string{"2025-02-10": "2025-02-15", "2025-02-15": "2025-03-02", "2025-03-02": "2025-04-02"} {
		if p := Assess(evar("2025-01-31"), nil, asOf, Options{}); p.Wake != wake {
			t.Errorf("from %s: %s", asOf, p.Wake)
		}
	}
}

// The order of the facts does not matter.
func TestOrderDoesNotMatter(t *testing.T) {
	t.Parallel()
	for seed := uint64(0); seed < 300; seed++ {
		rng := rand.New(rand.NewPCG(seed, 5))
		c, rules := Generate(rng), []Protocol(nil)
		if seed%2 == 1 {
			c, rules = observed(seed)
		}
		asOf, o := AsOf(rng, c), OptionsFor(rng)
		o.NoWake = true
		before := Assess(c, rules, asOf, o)
		shuffle(rng, c.Operations)
		shuffle(rng, c.Studies)
		shuffle(rng, c.Reports)
		shuffle(rng, c.Findings)
		shuffle(rng, c.Bookings)
		shuffle(rng, c.Encounters)
		shuffle(rng, c.Attempts)
		shuffle(rng, c.Rulings)
		shuffle(rng, c.Diagnoses)
		if after := Assess(c, rules, asOf, o); !reflect.DeepEqual(before, after) {
			t.Fatalf("seed %d as of %s\n%s\n%s", seed, asOf, show(before), show(after))
		}
	}
}

func shuffle[T any](rng *rand.Rand, list []T) {
	rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
}

// What is dated after the as-of date does not exist.
func TestTheFutureDoesNotExist(t *testing.T) {
	t.Parallel()
	for seed := uint64(0); seed < 300; seed++ {
		rng := rand.New(rand.NewPCG(seed, 6))
		c, rules := Generate(rng), []Protocol(nil)
		if seed%2 == 1 {
			c, rules = observed(seed)
		}
		asOf, o := AsOf(rng, c), Options{NoWake: true}
		today, _ := readDay(asOf)
		past := c
		past.Operations = keep(c.Operations, func(f Operation) bool { return begunText(f.Date, today) })
		past.Studies = keep(c.Studies, func(f Study) bool { return begunText(f.Date, today) })
		past.Reports = keep(c.Reports, func(f Report) bool { return begunText(f.Date, today) })
		past.Findings = keep(c.Findings, func(f Finding) bool { return begunText(f.Date, today) })
		past.Encounters = keep(c.Encounters, func(f Encounter) bool { return begunText(f.Date, today) })
		past.Attempts = keep(c.Attempts, func(f Attempt) bool { return begunText(f.Sent, today) })
		past.Diagnoses = keep(c.Diagnoses, func(f Diagnosis) bool { return begunText(f.Date, today) })
		past.Rulings = keep(c.Rulings, func(f Ruling) bool { return begunText(f.Date, today) })
		if !begunText(c.DeadDate, today) {
			past.DeadDate = ""
		}
		if a, b := Assess(c, rules, asOf, o), Assess(past, rules, asOf, o); !reflect.DeepEqual(a, b) {
			t.Fatalf("seed %d as of %s\n%s\n%s", seed, asOf, show(a), show(b))
		}
	}
}
