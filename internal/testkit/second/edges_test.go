package second

import "testing"

// Edges of one day, each from one sentence of the specification.

func TestEdgeLateEndsTheDayBeforeTheNextWindow(t *testing.T) {
	t.Parallel()
	for date, standing := range map[string]string{"2025-12-09": "done", "2025-12-10": "missed"} {
		// y2 of 2024-03-10 opens 2025-12-10 and has a scan of that day's
		// first id already.
		own := scan(cta, "2025-12-10")
		own.ID = "ImagingStudy/a"
		p := assess(evar("2024-03-10", scan(cta, "2024-04-10"), own, scan(cta, date)), "2026-02-01")
		if v := visitOf(t, p, 0, "y1"); v.Standing != standing {
			t.Errorf("%s: %s", date, show(p))
		}
	}
}

func TestEdgeDayOfAnOperation(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10", scan(cta, "2024-04-10"), scan(cta, "2025-03-10"))
	chart.Operations = append(chart.Operations, op("p2", "coils", "", "2025-03-10"))
	p := assess(chart, "2025-03-20")
	if v := visitOf(t, p, 0, "y1"); v.Standing != "open" || len(p.Questions) != 0 {
		t.Errorf("%s", show(p))
	}
	chart.Operations[1].Date = "2025-03-09"
	want(t, assess(chart, "2025-03-20"), "y1", "y1 2025-03-10 2024-12-10..2025-06-08 done on-time")
	chart.Operations[1].Date = "2024-03-10" // with the implantation: no re-intervention
	p = assess(chart, "2025-03-20")
	for _, v := range p.Implants[0].Visits {
		if v.Step == "check1" {
			t.Errorf("%s", show(p))
		}
	}
}

func TestEdgeEndOnTheClose(t *testing.T) {
	t.Parallel()
	for died, standing := range map[string]string{"2025-06-08": "excused", "2025-06-09": "missed"} {
		chart := evar("2024-03-10", scan(cta, "2024-04-10"))
		chart.DeadDate = died
		if v := visitOf(t, assess(chart, "2025-07-01"), 0, "y1"); v.Standing != standing {
			t.Errorf("died %s: %s", died, v.Standing)
		}
	}
}

func TestEdgePauseEnds(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10", scan(cta, "2024-04-10"))
	chart.Rulings = []Ruling{{Kind: "pause", Date: "2025-01-10", Until: "2025-02-10"}}
	for asOf, state := range map[string]string{
		"2025-01-09": "active", "2025-01-10": "paused", "2025-02-09": "paused", "2025-02-10": "active",
	} {
		if p := assess(chart, asOf); p.Surveillance != state {
			t.Errorf("%s: %s", asOf, p.Surveillance)
		}
	}
}

func TestEdgeRecordsFrom(t *testing.T) {
	t.Parallel()
	// y1 of 2020-01-10 counts to 2021-10-11.
	for from, standing := range map[string]string{"2021-10-11": "missed", "2021-10-12": "undecided"} {
		p := Assess(evar("2020-01-10"), nil, "2023-02-01", Options{NoWake: true, RecordsFrom: from})
		if v := visitOf(t, p, 0, "y1"); v.Standing != standing {
			t.Errorf("records from %s: %s", from, v.Standing)
		}
	}
}

func TestEdgeAttemptsAreLaterThanContact(t *testing.T) {
	t.Parallel()
	chart := evar("2020-01-10")
	chart.Attempts = []Attempt{{"Communication/1", "2020-10-01", "phone", ""},
		{"Communication/2", "2020-10-02", "letter", ""}, {"Communication/3", "2020-10-03", "phone", ""}}
	for met, rung := range map[string]string{"2020-09-30": "lost", "2020-10-01": "presumed-lost"} {
		chart.Encounters = []Encounter{{"Encounter/e", "finished", met}}
		if p := assess(chart, "2020-12-01"); p.FollowUp != rung {
			t.Errorf("met %s: %s", met, show(p))
		}
	}
}

func TestEdgeGrowth(t *testing.T) {
	t.Parallel()
	for tenths, items := range map[int]int{549: 0, 550: 1} {
		c := evar("2021-01-11", scan(cta, "2021-02-10"), scan(cta, "2022-01-11"))
		for i, n := range []int{500, tenths} {
			s := c.Studies[i]
			c.Findings = append(c.Findings, Finding{ID: "Observation/" + s.ID, Study: s.ID, What: "sac-diameter", TenthsMM: n, Modality: "ct", Date: s.Date})
		}
		if w := works(assess(c, "2022-01-12"), "review-finding"); len(w) != items {
			t.Errorf("%d tenths: %+v", tenths, w)
		}
	}
}

func TestEdgeReports(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10", scan(cta, "2024-04-10"))
	for asOf, urgency := range map[string]string{"2024-04-24": "", "2024-04-25": "routine", "2024-05-10": "routine", "2024-05-11": "asap"} {
		got := ""
		for _, w := range works(assess(chart, asOf), "chase-report") {
			got = w.Urgency
			if w.From != "2024-04-25" || w.By != "2024-05-10" {
				t.Errorf("%+v", w)
			}
		}
		if got != urgency {
			t.Errorf("%s: %q", asOf, got)
		}
	}
	// An old result is looked after only if it is the latest.
	chart.Studies = append(chart.Studies, scan(cta, "2025-03-10"))
	p := Assess(chart, nil, "2025-06-01", Options{NoWake: true, SiteStart: "2025-04-01"})
	if w := works(p, "chase-report"); len(w) != 1 || w[0].About != chart.Studies[1].ID {
		t.Errorf("%+v", w)
	}
}

func TestEdgeSetOfThirtyDays(t *testing.T) {
	t.Parallel()
	for date, asked := range map[string]bool{"2025-05-01": true, "2025-05-02": false} {
		p := assess(evar("2025-03-03", scan(ctPlain, "2025-04-01"), scan(duplex, date)), "2025-05-02")
		if asks(p, "study-acceptance", "ImagingStudy/ct-plain2025-04-01") != asked {
			t.Errorf("duplex of %s: %s", date, show(p))
		}
	}
}

func TestWithheldUntilReview(t *testing.T) {
	t.Parallel()
	chart := evar("2024-03-10", scan(cta, "2025-01-02"))
	id := chart.Studies[0].ID
	chart.Studies = append(chart.Studies, scan(cta, "2024-04-10"))
	chart.Studies[0].Kind = ctUnknown // does no visit by itself
	chart.Findings = []Finding{{ID: "Observation/o", Study: id, What: "endoleak", Type: "Ib", Modality: "ct", Date: "2025-01-02"}}
	for asOf, items := range map[string]int{"2025-01-01": 1, "2025-01-02": 0, "2025-01-31": 0, "2025-02-01": 1} {
		if w := works(assess(chart, asOf), "arrange-imaging"); len(w) != items {
			t.Errorf("%s: %+v", asOf, w)
		}
	}
	chart.Rulings = []Ruling{{Kind: "reviewed", About: id, Date: "2025-01-03"}}
	if w := works(assess(chart, "2025-01-10"), "arrange-imaging"); len(w) != 1 {
		t.Errorf("reviewed: %+v", w)
	}
}

func TestAddedVisitStaysOverdue(t *testing.T) {
	t.Parallel()
	chart := evar("2023-04-20", grid("2023-04-20", 12, 24)...)
	chart.Operations = append(chart.Operations, op("p2", "coils", "", "2024-06-05"))
	chart.Studies = keep(chart.Studies, func(s Study) bool { return s.Date < "2025" })
	p := assess(chart, "2025-03-01")
	want(t, p, "check1", "check1 2024-07-05 2024-06-20..2024-08-04 overdue")
	if w := works(p, "chase-overdue"); len(w) != 1 || w[0].Urgency != "urgent" || w[0].By != "" {
		t.Errorf("%+v", w)
	}
	p = Assess(chart, nil, "2025-03-01", Options{NoWake: true, AddedEnd: true})
	want(t, p, "check1", "check1 2024-07-05 2024-06-20..2024-08-04 missed")
}

func TestAbnormalFirstScanAddsSixMonths(t *testing.T) {
	t.Parallel()
	chart := evar("2024-01-15", scan(cta, "2024-02-14"))
	chart.Findings = []Finding{{ID: "Observation/o", Study: chart.Studies[0].ID, What: "endoleak", Type: "II", Modality: "ct", Date: "2024-02-14"}}
	want(t, assess(chart, "2024-03-01"), "m6", "m6 2024-07-15 2024-05-16..2024-09-13 upcoming")
	chart.Findings[0].Type = "none"
	for _, v := range assess(chart, "2024-03-01").Implants[0].Visits {
		if v.Step == "m6" {
			t.Error("a normal first scan added the 6-month visit")
		}
	}
}
