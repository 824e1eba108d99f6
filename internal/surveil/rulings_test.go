package surveil_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/testkit/second"
)

// aneurysm is an EVAR of 10 Mar 2022 with a CT each year up to one of them.
func aneurysm(years int, rulings ...second.Ruling) second.Chart {
	c := second.Chart{ID: "p", Operations: []second.Operation{graft("a", "evar", "abdominal-aorta", "2022-03-10")}, Rulings: rulings}
	for i, on := range []string{"2022-04-09", "2023-03-10", "2024-03-10"}[:years+1] {
		c.Studies = append(c.Studies, done(string(rune('1'+i)), on))
	}
	return c
}

// planOf is the plan of a chart on a day, by the defaults or one protocol.
func planOf(t *testing.T, c second.Chart, asOf, file string) surveil.Plan {
	t.Helper()
	s := story{chart: c, asOf: asOf}
	s.options.KidneyDays = 90
	list, rulings := statements(c, asOf)
	ch, _ := chart.Assemble(list, chart.Options{Patient: c.ID, Rulings: rulings})
	rules := rulesOf(nil, s.options)
	if file != "" {
		doc, err := os.ReadFile("../../testdata/protocols/" + file)
		if err != nil {
			t.Fatal(err)
		}
		p, problems := protocol.Parse(file, doc)
		if p == nil {
			t.Fatal(problems)
		}
		rules.Care["evar"] = []surveil.InForce{{Protocol: p}}
	}
	return surveil.Decide(ch, rules, dayOf(asOf))
}

// listed are the visits of the first implant with where they stand.
func listed(p surveil.Plan) string {
	var list []string
	for _, v := range p.Implants[0].Visits {
		list = append(list, v.Step+" "+string(v.Standing))
	}
	return strings.Join(list, ", ")
}

// A stratum that a person confirmed holds from its day on, until a later
// abnormal finding breaks it; it may be confirmed again.
func TestStratum(t *testing.T) {
	t.Parallel()
	low := second.Ruling{ID: "r1", Kind: "stratum", Value: "low", Date: "2022-05-01"}
	leak := func(c second.Chart, kind, study, on string) second.Chart {
		c.Findings = []second.Finding{{ID: "Observation/f", Study: "ImagingStudy/" + study, What: "endoleak", Type: kind, Date: on, Status: "final"}}
		return c
	}
	again := second.Ruling{ID: "r2", Kind: "stratum", Value: "low", Date: "2023-05-01"}
	high := second.Ruling{ID: "r2", Kind: "stratum", Value: "high", Date: "2023-05-01"}
	for name, c := range map[string]struct {
		chart second.Chart
		want  string
	}{
		"none confirmed":                {aneurysm(0), "m1 done, y1 missed, y2 overdue, y3 upcoming"},
		"low":                           {aneurysm(0, low), "m1 done, low5 upcoming"},
		"low, and a leak from before":   {leak(aneurysm(0, low), "II", "1", "2022-04-09"), "m1 done, low5 upcoming"},
		"low, and none found later":     {leak(aneurysm(1, low), "none", "2", "2023-03-10"), "m1 done, low5 upcoming"},
		"broken by a leak":              {leak(aneurysm(1, low), "II", "2", "2023-03-10"), "m1 done, y1 done, y2 overdue, y3 upcoming"},
		"confirmed again":               {leak(aneurysm(1, low, again), "II", "2", "2023-03-10"), "m1 done, y1 done, low5 upcoming"},
		"another stratum from a day on": {aneurysm(0, low, high), "m1 done, y2 overdue, y3 upcoming"},
		"taken back":                    {aneurysm(0, func() second.Ruling { r := low; r.Back = "2022-06-01"; return r }()), "m1 done, y1 missed, y2 overdue, y3 upcoming"},
	} {
		if got := listed(planOf(t, c.chart, "2024-09-01", "good-strata.yaml")); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// An agreed modality holds for the visits that close on its day or later, and
// for one that is named whenever it closed.
func TestModalityHolds(t *testing.T) {
	t.Parallel()
	c := aneurysm(0)
	c.Studies = append(c.Studies, second.Study{ID: "ImagingStudy/m", Status: "available", Kind: "mr-angiogram", Territories: []string{"abdomen", "pelvis"}, Date: "2023-03-10"})
	with := func(r second.Ruling) second.Chart {
		out := c
		r.ID, r.Kind, r.Value = "r1", "modality", "mr-angiogram"
		out.Rulings = []second.Ruling{r}
		return out
	}
	named := second.VisitKey{Implant: "Procedure/a", Clock: 1, Step: "y1"} // closes on 8 Jun 2023
	for name, c := range map[string]struct {
		chart second.Chart
		want  string
	}{
		"on the day of the close":  {with(second.Ruling{Date: "2023-06-08"}), "m1 done, y1 done, y2 upcoming, aorta5 upcoming"},
		"the day after":            {with(second.Ruling{Date: "2023-06-09"}), "m1 done, y1 overdue, y2 upcoming, aorta5 upcoming"},
		"by name":                  {with(second.Ruling{Date: "2023-06-09", Visit: named}), "m1 done, y1 done, y2 upcoming, aorta5 upcoming"},
		"until the day it is due":  {with(second.Ruling{Date: "2023-01-01", Until: "2023-03-10"}), "m1 done, y1 overdue, y2 upcoming, aorta5 upcoming"},
		"until the day after that": {with(second.Ruling{Date: "2023-01-01", Until: "2023-03-11"}), "m1 done, y1 done, y2 upcoming, aorta5 upcoming"},
	} {
		if got := listed(planOf(t, c.chart, "2023-08-01", "")); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// What a person confirms acts as if coded. It takes the place of what is not
// typed, or of the finding that is named, and of nothing else.
func TestConfirm(t *testing.T) {
	t.Parallel()
	base := aneurysm(2)
	leak := func(id, kind string) second.Finding {
		return second.Finding{ID: "Observation/" + id, Study: "ImagingStudy/3", What: "endoleak", Type: kind, Date: "2024-03-10", Status: "final"}
	}
	for name, c := range map[string]struct {
		findings []second.Finding
		about    string
		value    string
		want     string // urgency and number of reasons of the review, or nothing
	}{
		"nothing on record":         {nil, "", "", ""},
		"a leak on a study":         {nil, "ImagingStudy/3", "endoleak Ia", "urgent 2"},
		"in place of the untyped":   {[]second.Finding{leak("f", "unknown")}, "ImagingStudy/3", "endoleak II", "routine 1"},
		"beside another":            {[]second.Finding{leak("f", "Ia")}, "ImagingStudy/3", "endoleak II", "urgent 3"},
		"in place of the named":     {[]second.Finding{leak("f", "Ia")}, "Observation/f", "endoleak II", "routine 1"},
		"the named is none":         {[]second.Finding{leak("f", "Ia")}, "Observation/f", "endoleak none", ""},
		"one of two":                {[]second.Finding{leak("f", "Ia"), leak("g", "II")}, "Observation/f", "endoleak none", "routine 1"},
		"what nobody can read":      {nil, "ImagingStudy/3", "a leak", ""},
		"a finding not on record":   {nil, "Observation/gone", "endoleak II", "routine 1"},
		"a fracture without a type": {nil, "ImagingStudy/3", "fracture", "asap 2"},
	} {
		one := base
		one.Findings = c.findings
		if c.about != "" {
			one.Rulings = []second.Ruling{{ID: "r1", Kind: "confirm", About: c.about, Value: c.value, Date: "2024-03-20"}}
		}
		got := ""
		for _, w := range planOf(t, one, "2024-04-01", "").Work {
			if w.Kind == surveil.WorkReview {
				got = w.Urgency + " " + string(rune('0'+len(w.Why)))
			}
		}
		if got != c.want {
			t.Errorf("%s: review %q, want %q", name, got, c.want)
		}
	}
}

// Staged operations are one implant counted from the last stage; what does not
// fit is asked about and changes nothing.
func TestStaged(t *testing.T) {
	t.Parallel()
	ruling := func(first, last string) []second.Ruling {
		return []second.Ruling{{ID: "r1", Kind: "staged", About: "Procedure/" + first, Value: "Procedure/" + last, Date: "2024-06-01"}}
	}
	chest := func(ops ...second.Operation) second.Chart { return second.Chart{ID: "p", Operations: ops} }
	one, two, three := graft("a", "tevar", "thoracic-aorta", "2024-01-10"), graft("b", "tevar", "thoracic-aorta", "2024-02-10"), graft("c", "tevar", "thoracic-aorta", "2024-03-10")
	below, late := graft("d", "fenestrated-branched", "abdominal-aorta", "2024-03-10"), graft("e", "tevar", "thoracic-aorta", "2025-02-10")
	soon := graft("f", "tevar", "thoracic-aorta", "2024-01-12")
	for name, c := range map[string]struct {
		chart second.Chart
		want  string
		asks  bool
	}{
		"two":                            {with(chest(one, two), ruling("a", "b")), "a 2024-02-10 1", false},
		"three, the middle one unnamed":  {with(chest(one, two, three), ruling("a", "c")), "a 2024-03-10 1", false},
		"the third is a re-intervention": {with(chest(one, two, three), ruling("a", "b")), "a 2024-02-10 2", false},
		"within three days":              {with(chest(one, soon), ruling("a", "f")), "a 2024-01-12 1", false},
		"in two places":                  {with(chest(one, below), ruling("a", "d")), "a 2024-03-10 1, d 2024-03-10 1", false},
		"no ruling":                      {chest(one, two), "a 2024-01-10 2", false},
		"more than a year apart":         {with(chest(one, late), ruling("a", "e")), "a 2024-01-10 2", true},
		"the wrong way round":            {with(chest(one, two), ruling("b", "a")), "a 2024-01-10 2", true},
		"not on record":                  {with(chest(one), ruling("a", "x")), "a 2024-01-10 1", true},
	} {
		p := planOf(t, c.chart, "2025-06-01", "")
		var got []string
		for _, m := range p.Implants {
			got = append(got, strings.TrimPrefix(m.ID, "Procedure/")+" "+m.Index.String()+" "+string(rune('0'+m.Clocks)))
		}
		asked := slices.ContainsFunc(p.Questions, func(q surveil.Question) bool { return q.Why.Rule == "staged-not-usable" })
		if all := strings.Join(got, ", "); all != c.want || asked != c.asks {
			t.Errorf("%s: %s, asked %v; want %s, %v", name, all, asked, c.want, c.asks)
		}
	}
}

func with(c second.Chart, rulings []second.Ruling) second.Chart {
	c.Rulings = rulings
	return c
}

// A snoozed item stays in the plan. It is hidden to the day before the close of
// its visit at most, the latest ruling counts, and what is overdue never hides.
func TestSnoozeEndsWithTheWindow(t *testing.T) {
	t.Parallel()
	hide := func(kind, on, until string) second.Ruling {
		return second.Ruling{ID: "r" + on, Kind: "snooze", About: "p|Procedure/a|1|y3|4|" + kind, Date: on, Until: until}
	}
	for name, c := range map[string]struct {
		rulings []second.Ruling
		asOf    string
		want    string // until when it is hidden
	}{
		"until its day":         {[]second.Ruling{hide("arrange-imaging", "2025-01-10", "2025-04-01")}, "2025-03-31", "2025-04-01"},
		"not on its day":        {[]second.Ruling{hide("arrange-imaging", "2025-01-10", "2025-04-01")}, "2025-04-01", ""},
		"to the close":          {[]second.Ruling{hide("arrange-imaging", "2025-01-10", "2027-01-01")}, "2025-06-07", "2025-06-08"},
		"not on the close":      {[]second.Ruling{hide("arrange-imaging", "2025-01-10", "2027-01-01")}, "2025-06-08", ""},
		"the latest counts":     {[]second.Ruling{hide("arrange-imaging", "2025-01-10", "2025-06-01"), hide("arrange-imaging", "2025-02-10", "2025-03-01")}, "2025-03-15", ""},
		"not what is overdue":   {[]second.Ruling{hide("chase-overdue", "2025-06-10", "2025-08-01")}, "2025-07-01", ""},
		"not from a later day":  {[]second.Ruling{hide("arrange-imaging", "2025-02-01", "2025-04-01")}, "2025-01-31", ""},
		"not some other item's": {[]second.Ruling{hide("check-kidney", "2025-01-10", "2025-04-01")}, "2025-02-01", ""},
	} {
		p := planOf(t, aneurysm(2, c.rulings...), c.asOf, "")
		i := slices.IndexFunc(p.Work, func(w surveil.Work) bool {
			return w.Visit == "Procedure/a/y3" && (w.Kind == surveil.WorkArrange || w.Kind == surveil.WorkChase)
		})
		if i < 0 {
			t.Fatalf("%s: the item is gone", name)
		}
		if got := p.Work[i].Snoozed.String(); got != c.want {
			t.Errorf("%s: hidden until %q, want %q", name, got, c.want)
		}
	}
}
