package second

import (
	"strings"
	"testing"
)

// seen is a finding on a study of the same day; of says more about it.
func seen(id, what, kind, date string, of ...func(*Finding)) Finding {
	f := Finding{ID: "Observation/" + id, Study: "ImagingStudy/" + cta + date, What: what, Type: kind, Modality: "ct", Date: date, Status: "final"}
	for _, say := range of {
		say(&f)
	}
	return f
}

// long gives a finding a length, and says which diameter it is.
func long(tenths int, measure string) func(*Finding) {
	return func(f *Finding) { f.TenthsMM, f.Measure = tenths, measure }
}

// loose takes the study from a finding.
func loose(f *Finding) { f.Study = "" }

// fires tells whether the condition asks for a review of the one finding o of
// a graft of 10 March 2020, scanned on 10 April 2020, 2021 and 2022.
func fires(c Condition, sex string, findings ...Finding) bool {
	chart := evar("2020-03-10", scan(cta, "2020-04-10"), scan(cta, "2021-03-10"), scan(cta, "2022-03-10"))
	chart.Sex, chart.Findings = sex, findings
	protocol := SVSAAA2018()[0]
	protocol.Triggers = []Trigger{{ID: "t", When: c, Review: &Review{0, "stat"}}}
	for _, w := range works(assess(chart, "2022-04-01", protocol), "review-finding") {
		if w.Urgency == "stat" && w.From == w.By {
			return true
		}
	}
	return false
}

func TestConditions(t *testing.T) {
	t.Parallel()
	leak := func(id, kind string) Finding { return seen(id, "endoleak", kind, "2022-03-10") }
	sac := func(id, date string, tenths int, measure string) Finding {
		return seen(id, "sac-diameter", "", date, long(tenths, measure))
	}
	for _, c := range []struct {
		why      string
		when     Condition
		sex      string
		findings []Finding
		want     bool
	}{
		{"any type but none", Condition{What: "endoleak"}, "", []Finding{leak("o", "II")}, true},
		{"none is none", Condition{What: "endoleak"}, "", []Finding{leak("o", "none")}, false},
		{"none, where it is asked for", Condition{What: "endoleak", Types: words("none")}, "", []Finding{leak("o", "none")}, true},
		{"a patent branch", Condition{What: "branch-patency"}, "", []Finding{seen("o", "branch-patency", "patent", "2022-03-10")}, false},
		{"an occluded branch", Condition{What: "branch-patency"}, "", []Finding{seen("o", "branch-patency", "occluded", "2022-03-10")}, true},
		{"another sort", Condition{What: "kink"}, "", []Finding{seen("o", "fracture", "present", "2022-03-10")}, false},
		{"either of two", Condition{Any: []Condition{{What: "kink"}, {What: "fracture"}}}, "", []Finding{seen("o", "fracture", "present", "2022-03-10")}, true},
		{"at least, exactly", Condition{What: "migration", AtLeast: 100}, "", []Finding{seen("o", "migration", "", "2022-03-10", long(100, ""))}, true},
		{"at least, a tenth less", Condition{What: "migration", AtLeast: 100}, "", []Finding{seen("o", "migration", "", "2022-03-10", long(99, ""))}, false},
		{"below, exactly", Condition{What: "migration", AtLeast: 50, Below: 100}, "", []Finding{seen("o", "migration", "", "2022-03-10", long(100, ""))}, false},
		{"below, a tenth less", Condition{What: "migration", AtLeast: 50, Below: 100}, "", []Finding{seen("o", "migration", "", "2022-03-10", long(99, ""))}, true},
		{"below, no length", Condition{What: "migration", Below: 100}, "", []Finding{seen("o", "migration", "present", "2022-03-10")}, false},
		{"a diameter of the measure", Condition{What: "sac-diameter", AtLeast: 550, Of: words("ascending arch")}, "", []Finding{sac("o", "2022-03-10", 560, "ascending outer")}, true},
		{"a diameter of another", Condition{What: "sac-diameter", AtLeast: 550, Of: words("ascending arch")}, "", []Finding{sac("o", "2022-03-10", 560, "sac")}, false},
		{"a diameter of no measure is the sac's", Condition{What: "sac-diameter", AtLeast: 550, Of: words("sac")}, "", []Finding{sac("o", "2022-03-10", 560, "")}, true},
		{"growth of a measure", Condition{Growth: 50, Of: words("arch")}, "", []Finding{sac("e", "2021-03-10", 400, "arch"), sac("o", "2022-03-10", 450, "arch")}, true},
		{"growth of another", Condition{Growth: 50, Of: words("arch")}, "", []Finding{sac("e", "2021-03-10", 400, "sac"), sac("o", "2022-03-10", 450, "sac")}, false},
		{"measures are not compared", Condition{Growth: 50}, "", []Finding{sac("e", "2021-03-10", 400, "arch"), sac("o", "2022-03-10", 450, "sac")}, false},
		{"nor across", Condition{Growth: 50, Across: true}, "", []Finding{sac("e", "2021-03-10", 400, "arch"), sac("o", "2022-03-10", 450, "sac")}, false},
		{"across are two ways to measure one", Condition{Growth: 50, Across: true}, "", []Finding{sac("e", "2021-03-10", 400, "sac inner"), sac("o", "2022-03-10", 450, "sac outer")}, true},
		{"growth below a limit", Condition{Growth: 50, Below: 450}, "", []Finding{sac("e", "2021-03-10", 400, "sac"), sac("o", "2022-03-10", 450, "sac")}, false},
		{"a woman, asked for men", Condition{What: "endoleak", Sex: "male"}, "female", []Finding{leak("o", "II")}, false},
		{"a woman, asked for women", Condition{What: "endoleak", Sex: "female"}, "female", []Finding{leak("o", "II")}, true},
		{"of unknown sex", Condition{What: "endoleak", Sex: "female"}, "unknown", []Finding{leak("o", "II")}, true},
		{"of another sex than these", Condition{What: "endoleak", Sex: "female"}, "other", []Finding{leak("o", "II")}, true},
		{"on the first scan", Condition{What: "endoleak", NotFirst: true}, "", []Finding{seen("o", "endoleak", "II", "2020-04-10")}, false},
		{"of its day, naming no study", Condition{What: "endoleak", NotFirst: true}, "", []Finding{seen("o", "endoleak", "II", "2020-04-10", loose)}, false},
		{"on a later scan", Condition{What: "endoleak", NotFirst: true}, "", []Finding{leak("o", "II")}, true},
		{"with another on the scan", Condition{What: "endoleak", With: &Condition{What: "kink"}}, "", []Finding{leak("o", "II"), seen("k", "kink", "present", "2022-03-10")}, true},
		{"with another on an earlier scan", Condition{What: "endoleak", With: &Condition{What: "kink"}}, "", []Finding{leak("o", "II"), seen("k", "kink", "present", "2021-03-10")}, false},
		{"never with itself", Condition{What: "endoleak", With: &Condition{What: "endoleak", Types: words("II")}}, "", []Finding{leak("o", "II")}, false},
		{"with a second of its sort", Condition{What: "endoleak", With: &Condition{What: "endoleak", Types: words("II")}}, "", []Finding{leak("o", "II"), leak("p", "II")}, true},
		{"with a sac that grew", Condition{What: "endoleak", With: &Condition{Growth: 50}}, "", []Finding{leak("o", "II"), sac("e", "2021-03-10", 500, "sac"), sac("g", "2022-03-10", 550, "sac")}, true},
		{"with a sac that grew less", Condition{What: "endoleak", With: &Condition{Growth: 50}}, "", []Finding{leak("o", "II"), sac("e", "2021-03-10", 500, "sac"), sac("g", "2022-03-10", 549, "sac")}, false},
		{"neither names a study", Condition{What: "endoleak", With: &Condition{What: "kink"}}, "", []Finding{
			seen("o", "endoleak", "II", "2022-02-10", loose), seen("k", "kink", "present", "2022-02-10", loose)}, true},
		{"one names a study", Condition{What: "endoleak", With: &Condition{What: "kink"}}, "", []Finding{
			seen("o", "endoleak", "II", "2022-03-10", loose), seen("k", "kink", "present", "2022-03-10")}, false},
		{"months are no scan", Condition{What: "endoleak", With: &Condition{What: "kink"}}, "", []Finding{
			seen("o", "endoleak", "II", "2022-02", loose), seen("k", "kink", "present", "2022-02", loose)}, false},
	} {
		if got := fires(c.when, c.sex, c.findings...); got != c.want {
			t.Errorf("%s: fires %v", c.why, got)
		}
	}
}

// A dissection counts from the first day of its date on, and without a date.
func TestIfDissection(t *testing.T) {
	t.Parallel()
	protocol := SVSAAA2018()[0]
	protocol.Triggers = []Trigger{{ID: "t", When: Condition{What: "kink", If: "dissection"}, Review: &Review{3, "stat"}}}
	chart := evar("2020-03-10")
	chart.Findings = []Finding{seen("o", "kink", "present", "2022-03-10", loose)}
	for _, c := range []struct {
		diagnosis Diagnosis
		urgency   string
	}{
		{Diagnosis{"Condition/d", "dissection", "", "active"}, "stat"},
		{Diagnosis{"Condition/d", "dissection", "2022-04", "active"}, "stat"},
		{Diagnosis{"Condition/d", "dissection", "2022-04-02", "active"}, "routine"},
		{Diagnosis{"Condition/d", "dissection", "", "entered-in-error"}, "routine"},
		{Diagnosis{"Condition/d", "aneurysm", "", "active"}, "routine"},
	} {
		chart.Diagnoses = []Diagnosis{c.diagnosis}
		if w := works(assess(chart, "2022-04-01", protocol), "review-finding"); len(w) != 1 || w[0].Urgency != c.urgency {
			t.Errorf("%+v: %+v", c.diagnosis, w)
		}
	}
}

// halfYearly is the society's protocol with half-yearly scans for two years
// after a type II leak.
func halfYearly(instead bool) Protocol {
	p := SVSAAA2018()[0]
	p.Series = p.Series[:2] // no six months by condition
	p.Triggers = []Trigger{{ID: "t", When: Condition{What: "endoleak", Types: words("II")},
		Series: &AddedSeries{Every: 6, Until: 24, Before: 60, After: 60, Ways: ctaOnly(), Instead: instead}}}
	return p
}

// lines are the visits of the first implant shortly: step target standing.
func lines(p Plan) string {
	var list []string
	for _, v := range p.Implants[0].Visits {
		list = append(list, strings.Join([]string{v.Step, v.Target, v.Standing}, " "))
	}
	return strings.Join(list, ", ")
}

func TestAddedSeries(t *testing.T) {
	t.Parallel()
	// The leak of 31 August 2021: 28 February, 31 August, 28 February, 31 August.
	first := scan(cta, "2020-04-10")
	for _, c := range []struct {
		why, asOf string
		instead   bool
		studies   []Study
		findings  []Finding
		want      string
	}{
		{"beside the calendar, up to the first not yet open", "2021-12-01", false, nil, nil,
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 upcoming, y2 2022-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"in place of it", "2022-02-01", true, nil, nil,
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 open, y2 2022-03-10 excused, check2 2022-08-31 upcoming, y3 2023-03-10 excused, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"a scan does both", "2022-04-01", true, []Study{scan(cta, "2022-03-12")}, nil,
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 done, y2 2022-03-10 done, check2 2022-08-31 upcoming, y3 2023-03-10 excused, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"late until the next opens", "2022-07-03", true, []Study{scan(cta, "2022-07-01")}, nil, // check2 opens on 2 July
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 done, y2 2022-03-10 done, check2 2022-08-31 open, check3 2023-02-28 upcoming, y3 2023-03-10 excused, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"missed from there on", "2022-07-03", true, nil, nil,
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 missed, y2 2022-03-10 excused, check2 2022-08-31 open, check3 2023-02-28 upcoming, y3 2023-03-10 excused, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"the last stays owed after its window", "2023-10-31", true, nil, nil, // the last closes on 30 October
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 missed, y2 2022-03-10 excused, check2 2022-08-31 missed, check3 2023-02-28 missed, y3 2023-03-10 excused, check4 2023-08-31 overdue, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
		{"a second leak while it runs begins none", "2023-10-30", true, nil, []Finding{seen("p", "endoleak", "II", "2023-08-31", loose)},
			"m1 2020-04-09 done, y1 2021-03-10 done, check1 2022-02-28 missed, y2 2022-03-10 excused, check2 2022-08-31 missed, check3 2023-02-28 missed, y3 2023-03-10 excused, check4 2023-08-31 open, y4 2024-03-10 upcoming, aorta5 2025-03-10 upcoming"},
	} {
		chart := evar("2020-03-10", append([]Study{first, scan(cta, "2021-08-31")}, c.studies...)...)
		chart.Findings = append([]Finding{seen("o", "endoleak", "II", "2021-08-31")}, c.findings...)
		if got := lines(assess(chart, c.asOf, halfYearly(c.instead))); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.why, got, c.want)
		}
	}
}

// After the last target, 31 August 2023, a leak begins a series only if it had
// been gone: seen to be none after 31 August 2021 and before it came back.
func TestSeriesBeginsAgain(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		why, again, gone, what, kind string
		steps                        int
	}{
		{"it never went", "2023-09-01", "", "", "", 4},
		{"it went and came back", "2023-09-01", "2023-02-01", "endoleak", "none", 8},
		{"it came back while the series ran", "2023-08-31", "2023-02-01", "endoleak", "none", 4},
		{"it was gone on the day of the first", "2023-09-01", "2021-08-31", "endoleak", "none", 4},
		{"it was gone the day after", "2023-09-01", "2021-09-01", "endoleak", "absent", 8},
		{"it was gone on the day itself", "2023-09-01", "2023-09-01", "endoleak", "none", 4},
		{"something else had gone", "2023-09-01", "2023-02-01", "kink", "absent", 4},
	} {
		chart := evar("2020-03-10")
		chart.Findings = []Finding{seen("o", "endoleak", "II", "2021-08-31", loose), seen("p", "endoleak", "II", c.again, loose), seen("q", "endoleak", "II", c.again, loose)}
		if c.gone != "" {
			chart.Findings = append(chart.Findings, seen("n", c.what, c.kind, c.gone, loose))
		}
		n := strings.Count(lines(assess(chart, "2026-06-30", halfYearly(true))), "check")
		if n != c.steps {
			t.Errorf("%s: %d visits, want %d", c.why, n, c.steps)
		}
	}
}

// In place of the calendar: what falls due after the last day of the cause, up
// to the first day of the last target. The leak of some day of 2021 adds scans
// up to some day of 2023, from 1 January on.
func TestInsteadOfACalendar(t *testing.T) {
	t.Parallel()
	for index, want := range map[string]string{
		"2020-12-31": "y1 2021-12-31 missed, y2 2022-12-31 excused, y3 2023-12-31 done",
		"2020-01-01": "y1 2021-01-01 missed, y2 2022-01-01 excused, y3 2023-01-01 excused",
		"2020-01-02": "y1 2021-01-02 missed, y2 2022-01-02 excused, y3 2023-01-02 missed",
	} {
		chart := evar(index, scan(cta, "2024-02-01"))
		chart.Findings = []Finding{seen("o", "endoleak", "II", "2021", loose)}
		var years []string
		for _, line := range strings.Split(lines(assess(chart, "2026-06-30", halfYearly(true))), ", ") {
			if strings.HasPrefix(line, "y1") || strings.HasPrefix(line, "y2") || strings.HasPrefix(line, "y3") {
				years = append(years, line)
			}
		}
		if got := strings.Join(years, ", "); got != want {
			t.Errorf("%s: %s", index, got)
		}
	}
}

// Visits of several causes have one numbering, by date of the cause and then
// as the triggers stand; a second visit of the same days is none, a series
// takes no part in that.
func TestNumberingOfAddedVisits(t *testing.T) {
	t.Parallel()
	p := halfYearly(false)
	leak := Condition{What: "endoleak"}
	p.Triggers = []Trigger{
		{ID: "a", When: leak, Visit: visitIn(30, 1, 60, ctaOnly())},
		{ID: "b", When: leak, Series: &AddedSeries{Every: 6, Until: 12, Before: 30, After: 30, Ways: duplexOnly(), Needs: words("abdomen")}},
		{ID: "c", When: leak, Visit: visitIn(20, 1, 60, duplexOnly())},
		{ID: "d", When: leak, Visit: &Added{Months: 1, Opens: 2, Closes: 60, Ways: duplexOnly()}},
		{ID: "e", When: Condition{What: "kink"}, Visit: visitIn(3, 1, 5, ctaOnly())},
	}
	chart := evar("2020-03-10", scan(cta, "2020-04-10"), scan(cta, "2021-01-31"))
	chart.Findings = []Finding{seen("o", "endoleak", "II", "2021-01-31"), seen("k", "kink", "present", "2021-01-30", loose)}
	want(t, assess(chart, "2022-07-01", p), "check1", "check1 2021-02-02 2021-01-31..2021-02-04 done on-time")
	got := lines(assess(chart, "2021-02-10", p))
	if wanted := "m1 2020-04-09 done, check1 2021-02-02 done, check5 2021-02-28 open, check2 2021-03-02 open, y1 2021-03-10 done, check3 2021-07-31 upcoming, y2 2022-03-10 upcoming, aorta5 2025-03-10 upcoming"; got != wanted {
		t.Errorf("got  %s\nwant %s", got, wanted)
	}
}
