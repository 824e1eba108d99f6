package second

import "testing"

// Rows of the casebook, their dates typed from its table. The number is the
// row's. Where the row and the specification differ the specification wins and
// the test says so.

func done30(index string, more ...Study) []Study {
	at, _ := readDay(index)
	return append([]Study{scan(cta, (at + 30).String())}, more...)
}

func grid(index string, months ...int) []Study {
	list := done30(index)
	at, _ := readDay(index)
	for _, m := range months {
		list = append(list, scan(cta, at.addMonths(m).String()))
	}
	return list
}

func TestCasebookVisits(t *testing.T) {
	t.Parallel()
	trial := Shipped("label-1-6-12-trial")
	label := Shipped("label-1-6-12")
	followUp := Shipped("svs-fu-2018")
	for _, c := range []struct {
		row       string
		chart     Chart
		asOf      string
		protocols []Protocol
		step      string
		want      string
	}{
		{"1", evar("2025-01-31"), "2025-02-20", nil, "m1", "m1 2025-03-02 2025-02-15..2025-04-01 open"},
		{"2", evar("2024-01-31"), "2024-02-10", nil, "m1", "m1 2024-03-01 2024-02-15..2024-03-31 upcoming"},
		{"4", evar("2024-02-29", grid("2024-02-29", 12, 24, 36)...), "2027-10-01", nil, "y4",
			"y4 2028-02-29 2027-12-01..2028-05-29 upcoming"},
		{"5", evar("2024-08-31", scan(cta, "2024-09-30")), "2025-05-01", label, "m6",
			"m6 2025-02-28 2024-12-30..2025-04-29 overdue"},
		// Row 7 calls the scan late; a trial's windows have no late: missed.
		{"7", evar("2025-03-31", scan(cta, "2025-05-16")), "2025-05-20", trial, "m1",
			"m1 2025-04-30 2025-04-15..2025-05-15 missed"},
		{"8", evar("2025-03-31", scan(cta, "2025-05-15")), "2025-05-20", trial, "m1",
			"m1 2025-04-30 2025-04-15..2025-05-15 done on-time"},
		{"10", evar("2025-04-10", scan(cta, "2025-05-09")), "2026-01-10", nil, "y1",
			"y1 2026-04-10 2026-01-10..2026-07-09 open"},
		{"11", evar("2025-04-10", scan(cta, "2025-05-09")), "2026-01-09", nil, "y1",
			"y1 2026-04-10 2026-01-10..2026-07-09 upcoming"},
		{"13", evar("2025-03-03", scan(ctPlain, "2025-04-01")), "2025-04-10", nil, "m1",
			"m1 2025-04-02 2025-03-18..2025-05-02 open"},
		{"14", evar("2025-03-03", scan(ctPlain, "2025-04-01"), scan(duplex, "2025-04-08")), "2025-04-12", nil, "m1",
			"m1 2025-04-02 2025-03-18..2025-05-02 open"},
		{"16", evar("2024-05-14", done30("2024-05-14", scan(duplex, "2025-05-20"))...), "2025-06-01", followUp, "y1",
			"y1 2025-05-14 2025-02-13..2025-08-12 open"},
		{"17", evar("2024-05-14", done30("2024-05-14", scan("duplex-limited", "2025-05-20"))...), "2025-06-01", nil, "y1",
			"y1 2025-05-14 2025-02-13..2025-08-12 open"},
		{"20", evar("2023-05-08", append(grid("2023-05-08", 12), scan("radiograph", "2025-05-10"))...), "2025-05-20", nil, "y2",
			"y2 2025-05-08 2025-02-07..2025-08-06 open"},
		{"22", evar("2023-05-08", append(grid("2023-05-08", 12), scan(ctContrast, "2025-04-02", wholeAorta()...))...),
			"2025-05-20", nil, "y2", "y2 2025-05-08 2025-02-07..2025-08-06 open"},
		{"25", evar("2025-06-02", scan(cta, "2025-06-05")), "2025-06-25", nil, "m1",
			"m1 2025-07-02 2025-06-17..2025-08-01 open"},
		{"28", evar("2024-03-10", done30("2024-03-10", scan(cta, "2025-07-10"))...), "2025-07-20", nil, "y2",
			"y2 2026-03-10 2025-12-10..2026-06-08 upcoming"},
		{"28b", evar("2024-03-10", done30("2024-03-10", scan(cta, "2025-07-10"))...), "2025-07-20", nil, "y1",
			"y1 2025-03-10 2024-12-10..2025-06-08 done late"},
		{"29", evar("2024-03-10", done30("2024-03-10", scan(cta, "2025-01-20"), scan(cta, "2025-03-12"))...), "2025-04-01",
			nil, "y2", "y2 2026-03-10 2025-12-10..2026-06-08 upcoming"},
		{"32", evar("2019-03-05", scan(cta, "2019-04-04"), scan(cta, "2020-03-05"), scan(cta, "2021-03-20"), scan(cta, "2025-05-02")), "2025-05-10", nil, "y7",
			"y7 2026-03-05 2025-12-05..2026-06-03 upcoming"},
		{"32b", evar("2019-03-05", scan(cta, "2021-03-20"), scan(cta, "2025-05-02")), "2025-05-10", nil, "y6",
			"y6 2025-03-05 2024-12-05..2025-06-03 done on-time"},
		{"38", evar("2023-01-09", scan(cta, "2023-02-08"), scan(cta, "2024-01-15"), scan(cta, "2025-01-14")), "2025-01-20", nil, "y3",
			"y3 2026-01-09 2025-10-11..2026-04-09 upcoming"},
		{"65", evar("2025-06-02", scan(cta, "2025-05-20")), "2025-06-20", nil, "m1",
			"m1 2025-07-02 2025-06-17..2025-08-01 open"},
		{"77", chartOf("vein-bypass", "leg", "2025-03-31", scan(duplex, "2025-04-30", "leg")), "2025-07-05", nil, "m3",
			"m3 2025-06-30 2025-05-31..2025-07-30 open"},
	} {
		p := assess(c.chart, c.asOf, c.protocols...)
		if got := line(visitOf(t, p, 0, c.step)); got != c.want {
			t.Errorf("row %s:\n got %s\nwant %s\n%s", c.row, got, c.want, show(p))
		}
	}
}

func TestCasebookQuestions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		row         string
		chart       Chart
		asOf        string
		kind, about string
	}{
		{"14", evar("2025-03-03", scan(ctPlain, "2025-04-01"), scan(duplex, "2025-04-08")), "2025-04-12",
			"study-acceptance", "ImagingStudy/ct-plain2025-04-01"},
		{"22", evar("2023-05-08", append(grid("2023-05-08", 12), scan(ctContrast, "2025-04-02", wholeAorta()...))...),
			"2025-05-20", "study-acceptance", "ImagingStudy/ct-contrast2025-04-02"},
		{"25", evar("2025-06-02", scan(cta, "2025-06-05")), "2025-06-25", "study-early", "ImagingStudy/ct-angiogram2025-06-05"},
		{"64", evar("2014", scan(cta, "2023-05-02")), "2025-01-10", "index-date", "Procedure/p1"},
	} {
		if p := assess(c.chart, c.asOf); !asks(p, c.kind, c.about) {
			t.Errorf("row %s: no question %s about %s\n%s", c.row, c.kind, c.about, show(p))
		}
	}
}

func TestCase29FirstScanIsCredited(t *testing.T) {
	t.Parallel()
	p := assess(evar("2024-03-10", done30("2024-03-10", scan(cta, "2025-01-20"), scan(cta, "2025-03-12"))...), "2025-04-01")
	if v := visitOf(t, p, 0, "y1"); v.Study != "ImagingStudy/ct-angiogram2025-01-20" || len(p.Questions) != 0 {
		t.Errorf("credited %s\n%s", v.Study, show(p))
	}
}

func TestCase31GapIsOneAddition(t *testing.T) {
	t.Parallel()
	c := evar("2022-05-10", grid("2022-05-10")...)
	c.Studies = append(c.Studies, scan(cta, "2023-05-20"))
	for asOf, want := range map[string]bool{"2024-08-20": false, "2024-08-21": true} {
		if got := *assess(c, asOf).ImagingGap; got != want {
			t.Errorf("gap on %s is %v", asOf, got)
		}
	}
	// Row 64: a year alone as index, last scan 2023-05-02, true from 2024-08-03.
	c = evar("2014", scan(cta, "2023-05-02"))
	for asOf, want := range map[string]bool{"2024-08-02": false, "2024-08-03": true} {
		if got := *assess(c, asOf).ImagingGap; got != want {
			t.Errorf("row 64, gap on %s is %v", asOf, got)
		}
	}
}

func TestCase34Type3IsReviewedUrgently(t *testing.T) {
	t.Parallel()
	c := evar("2022-02-15", scan(duplex, "2025-02-18"))
	c.Findings = []Finding{{ID: "Observation/o1", Study: c.Studies[0].ID, What: "endoleak", Type: "IIIa", Modality: "duplex", Date: "2025-02-18", Status: "final"}}
	p := assess(c, "2025-02-19")
	if w := works(p, "review-finding"); len(w) != 1 || w[0].Urgency != "urgent" || w[0].By != "2025-02-19" {
		t.Errorf("%s", show(p))
	}
}

func TestCase37And41AddedCT(t *testing.T) {
	t.Parallel()
	c := evar("2023-01-09", scan(cta, "2024-02-06"), scan(duplex, "2025-02-03"))
	c.Findings = []Finding{
		{ID: "Observation/o1", Study: c.Studies[0].ID, What: "sac-diameter", TenthsMM: 520, Modality: "ct", Date: "2024-02-06"},
		{ID: "Observation/o2", Study: c.Studies[1].ID, What: "sac-diameter", TenthsMM: 580, Modality: "duplex", Date: "2025-02-03"}}
	// The row opens it on the day of the scan, the specification the day after.
	want(t, assess(c, "2025-02-05"), "check1", "check1 2025-03-05 2025-02-04..2025-03-05 open")
	c = evar("2024-03-04", append(grid("2024-03-04", 12), scan(duplex, "2026-03-02"))...)
	c.Findings = []Finding{{ID: "Observation/o1", Study: c.Studies[2].ID, What: "endoleak", Type: "unknown", Modality: "duplex", Date: "2026-03-02"}}
	p := assess(c, "2026-03-05")
	want(t, p, "check1", "check1 2026-04-01 2026-03-03..2026-04-01 open")
	if w := works(p, "review-finding"); len(w) != 1 || w[0].Urgency != "asap" || w[0].By != "2026-03-09" {
		t.Errorf("%s", show(p))
	}
}

func TestCase40RegrowthAgainstTheLowest(t *testing.T) {
	t.Parallel()
	c := evar("2021-01-11", scan(cta, "2021-02-10"), scan(cta, "2022-01-11"), scan(cta, "2024-01-10"))
	for i, tenths := range []int{600, 480, 540} {
		s := c.Studies[i]
		c.Findings = append(c.Findings, Finding{ID: "Observation/" + s.ID, Study: s.ID, What: "sac-diameter", TenthsMM: tenths, Modality: "ct", Date: s.Date})
	}
	p := assess(c, "2024-01-12")
	if w := works(p, "review-finding"); len(w) != 1 || w[0].Urgency != "asap" || w[0].About != c.Studies[2].ID {
		t.Errorf("%s", show(p))
	}
	c.Findings[2].TenthsMM = 529
	if w := works(assess(c, "2024-01-12"), "review-finding"); len(w) != 0 {
		t.Errorf("4.9 mm is no growth: %+v", w)
	}
}

func TestCase46NewCuffStartsAClock(t *testing.T) {
	t.Parallel()
	c := evar("2023-04-20", grid("2023-04-20", 12)...)
	c.Operations = append(c.Operations, Operation{ID: "Procedure/p2", Role: "relining", Territory: "abdominal-aorta", Date: "2025-05-05", Status: "completed"})
	p := assess(c, "2025-06-10")
	want(t, p, "m1", "m1 2025-06-04 2025-05-20..2025-07-04 open")
	want(t, p, "y2", "y2 2025-04-20 2025-01-20..2025-07-19 excused")
	if p.Implants[0].Clock != "2025-05-05" || p.Implants[0].Index != "2023-04-20" {
		t.Errorf("%s", show(p))
	}
}

func TestCase47CoilsAddOneCheck(t *testing.T) {
	t.Parallel()
	c := evar("2023-04-20", grid("2023-04-20", 12)...)
	c.Operations = append(c.Operations, Operation{ID: "Procedure/p2", Role: "coils", Territory: "abdominal-aorta", Date: "2025-05-05", Status: "completed"})
	p := assess(c, "2025-05-20")
	want(t, p, "check1", "check1 2025-06-04 2025-05-20..2025-07-04 open")
	if p.Implants[0].Clock != "" {
		t.Error("coils started a clock")
	}
}

func TestCase49And50Death(t *testing.T) {
	t.Parallel()
	c := evar("2023-07-03", grid("2023-07-03", 12)...)
	c.DeadDate = "2025-01-02"
	p := assess(c, "2025-08-01")
	if p.Surveillance != "ended" || p.Ended != "died" || len(p.Work) != 0 || len(p.Implants[0].Visits) != 2 {
		t.Errorf("%s", show(p))
	}
	c.DeadDate, c.DeadTrue = "", true
	if p = assess(c, "2025-08-01"); p.Ended != "died" || !asks(p, "death-date", "Patient/x") {
		t.Errorf("%s", show(p))
	}
}

func TestCase52And53And86Rulings(t *testing.T) {
	t.Parallel()
	c := tevar("2022-11-07")
	c.Rulings = []Ruling{{Kind: "withdraw", Date: "2025-03-01"}}
	if p := assess(c, "2025-04-01"); p.Surveillance != "active" {
		t.Errorf("row 52: %s", show(p))
	}
	c = evar("2024-03-10", grid("2024-03-10")...)
	c.Rulings = []Ruling{{Kind: "decline", Visit: VisitKey{"Procedure/p1", 1, "y1", 2}, Date: "2025-03-15"}}
	p := assess(c, "2025-04-01")
	want(t, p, "y1", "y1 2025-03-10 2024-12-10..2025-06-08 excused")
	if p.Implants[0].Next.Target != "2026-03-10" || p.FollowUp != "current" {
		t.Errorf("row 53: %s", show(p))
	}
	c = evar("2023-07-03")
	c.Rulings = []Ruling{{Kind: "stop", Date: "2025-05-01"}}
	if p := assess(c, "2025-08-01"); p.Ended != "stopped" {
		t.Errorf("row 86: %s", show(p))
	}
}

func TestCase55OutsideScan(t *testing.T) {
	t.Parallel()
	outside := scan(cta, "2025-02-25")
	outside.ID, outside.OnReport = "DiagnosticReport/r1", true
	c := evar("2024-02-20", done30("2024-02-20", outside)...)
	c.Reports = []Report{{"DiagnosticReport/r1", "DiagnosticReport/r1", "final", "2025-02-26"}}
	p := assess(c, "2025-03-10")
	want(t, p, "y1", "y1 2025-02-20 2024-11-22..2025-05-21 open")
	w := works(p, "obtain-outside-study")
	if len(w) != 1 || w[0].From != "2025-02-26" || w[0].By != "2025-05-21" || !asks(p, "study-acceptance", "DiagnosticReport/r1") {
		t.Errorf("%s", show(p))
	}
	c.Rulings = []Ruling{{Kind: "accept", About: "DiagnosticReport/r1", Visit: VisitKey{"Procedure/p1", 1, "y1", 2}, Date: "2025-03-01"}}
	want(t, assess(c, "2025-03-10"), "y1", "y1 2025-02-20 2024-11-22..2025-05-21 done on-time")
}

func TestCase56And80Statements(t *testing.T) {
	t.Parallel()
	s := scan(cta, "2025-02-25")
	s.Accession, s.Source = "A1", "ris"
	again := s
	again.ID = "ImagingStudy/z"
	c := evar("2024-02-20", done30("2024-02-20", s, again)...)
	p := assess(c, "2025-03-10")
	want(t, p, "y1", "y1 2025-02-20 2024-11-22..2025-05-21 done on-time")
	want(t, p, "y2", "y2 2026-02-20 2025-11-22..2026-05-21 upcoming")
	c.Studies[2].Status = "entered-in-error"
	want(t, assess(c, "2025-03-10"), "y1", "y1 2025-02-20 2024-11-22..2025-05-21 open")
	c.Studies[1].Updated, c.Studies[2].Updated = "2025-02-27T00:00:00Z", "2025-02-26T00:00:00Z"
	want(t, assess(c, "2025-03-10"), "y1", "y1 2025-02-20 2024-11-22..2025-05-21 done on-time")
}

func TestCase58And59Bookings(t *testing.T) {
	t.Parallel()
	c := evar("2024-02-20", grid("2024-02-20")...)
	c.Bookings = []Booking{{"Appointment/a", "booked", "2025-07-01", cta, abdomenPelvis()}}
	p := assess(c, "2025-04-01")
	v := visitOf(t, p, 0, "y1")
	if v.Standing != "open" || v.Booking == nil || v.Booking.InWindow {
		t.Errorf("row 58: %s", show(p))
	}
	c.Bookings = []Booking{{"Appointment/a", "noshow", "2025-03-03", cta, abdomenPelvis()}}
	want(t, assess(c, "2025-06-01"), "y1", "y1 2025-02-20 2024-11-22..2025-05-21 overdue")
	c.Bookings = []Booking{{"Appointment/a", "booked", "2025-05-21", cta, abdomenPelvis()}}
	want(t, assess(c, "2025-05-21"), "y1", "y1 2025-02-20 2024-11-22..2025-05-21 booked")
}

func TestCase61And62Reports(t *testing.T) {
	t.Parallel()
	c := evar("2024-02-20", done30("2024-02-20", scan(cta, "2025-02-25"))...)
	id := c.Studies[1].ID
	c.Reports = []Report{{"DiagnosticReport/r", id, "preliminary", "2025-02-25"}}
	if v := visitOf(t, assess(c, "2025-03-01"), 0, "y1"); v.Standing != "done" || v.Result != "awaited" {
		t.Errorf("row 61: %+v", v)
	}
	c.Reports[0] = Report{"DiagnosticReport/r", id, "final", "2025-02-26"}
	c.Rulings = []Ruling{{Kind: "reviewed", About: id, Date: "2025-02-27"}}
	if v := visitOf(t, assess(c, "2025-03-01"), 0, "y1"); v.Result != "reviewed" {
		t.Errorf("row 62 before: %+v", v)
	}
	c.Reports[0] = Report{"DiagnosticReport/r", id, "amended", "2025-03-02"}
	c.Findings = []Finding{{ID: "Observation/o", Study: id, What: "endoleak", Type: "Ia", Modality: "ct", Date: "2025-03-02"}}
	p := assess(c, "2025-03-03")
	w := works(p, "review-finding")
	if len(w) != 1 || w[0].Urgency != "urgent" || visitOf(t, p, 0, "y1").Result != "reported" {
		t.Errorf("row 62 after: %s", show(p))
	}
}

func TestCase68TwoImplants(t *testing.T) {
	t.Parallel()
	c := tevar("2022-09-12")
	c.Operations = append(c.Operations, Operation{ID: "Procedure/p2", Role: "implant", Class: "evar", Territory: "abdominal-aorta", Date: "2024-02-05", Status: "completed"})
	for _, d := range []string{"2022-10-12", "2023-09-12", "2024-09-12"} {
		c.Studies = append(c.Studies, scan(cta, d, "chest"))
	}
	c.Studies = append(c.Studies, scan(cta, "2024-03-06"), scan(cta, "2025-02-05"))
	p := assess(c, "2025-09-20")
	want(t, p, "y3", "y3 2025-09-12 2025-06-14..2025-12-11 open")
	if got := line(visitOf(t, p, 1, "y2")); got != "y2 2026-02-05 2025-11-07..2026-05-06 upcoming" {
		t.Errorf("%s\n%s", got, show(p))
	}
}

func TestCase70NewerClass(t *testing.T) {
	t.Parallel()
	c := evar("2018-05-07")
	c.Operations = append(c.Operations, Operation{ID: "Procedure/p2", Role: "implant", Class: "fenestrated-branched", Territory: "abdominal-aorta", Date: "2025-05-12", Status: "completed"})
	p := assess(c, "2025-06-01")
	want(t, p, "m1", "m1 2025-06-11 2025-05-27..2025-07-11 open")
	if m := p.Implants[0]; m.Class != "fenestrated-branched" || m.Protocol != "label-1-6-12@1" || len(p.Implants) != 1 {
		t.Errorf("%s", show(p))
	}
}
