package prompt_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/prompt"
	"perennial/internal/surveil"
)

var update = flag.Bool("update", false, "write the golden file anew")

const today = "2026-03-03"

func on(text string) day.Span {
	s, err := day.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return s
}

func ref(text string) chart.Source { return chart.Source{Ref: text} }

// made is a chart with a plan for today.
func made(c chart.Chart, implants ...surveil.Implant) []prompt.Prompt {
	set := surveil.Defaults()
	return prompt.For(&c, &surveil.Plan{AsOf: on(today).First, Implants: implants}, &set)
}

func creatinine(hundredths int, date string) []chart.Lab {
	return []chart.Lab{{Source: ref("Observation/cr"), What: "creatinine", Value: int64(hundredths) * 100, On: on(date)}}
}

// find is the prompt of a kind with a source; the first where no source is
// given.
func find(list []prompt.Prompt, kind prompt.Kind, source string) prompt.Prompt {
	for _, p := range list {
		if p.Kind == kind && strings.Contains(p.Source, source) {
			return p
		}
	}
	return prompt.Prompt{}
}

// eGFR by CKD-EPI 2021 (Inker LA, et al. N Engl J Med 2021;385:1737-49), and
// what it means by the ACR and the NKF (Davenport MS, et al. Radiology
// 2020;294:660-8), ESUR version 10 and the ACR manual (metformin). 1.20 mg/dL
// at 55, male, is the printed example of the National Kidney Foundation (71);
// 1.76 at 74, female, is 29.998: printed as 30, and below it.
func TestKidneys(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		hundredths int
		age        int
		sex, shown string
		acr, esur  prompt.Level
		metformin  prompt.Level
	}{
		{120, 55, "male", "eGFR 71 (male, 55 years).", prompt.Fine, prompt.Fine, prompt.Fine},
		{90, 60, "male", "eGFR 98 ", prompt.Fine, prompt.Fine, prompt.Fine},
		{110, 75, "female", "eGFR 52 ", prompt.Fine, prompt.Fine, prompt.Fine},
		{165, 65, "male", "eGFR 46 ", prompt.Fine, prompt.Fine, prompt.Fine},
		{200, 76, "male", "eGFR 34 ", prompt.Note, prompt.Note, prompt.Note},
		{176, 74, "female", "Before rounding it is 29.998: below 30, though a laboratory prints 30.", prompt.Flag, prompt.Flag, prompt.Flag},
		{180, 70, "female", "Before rounding it is 29.936: below 30", prompt.Flag, prompt.Flag, prompt.Flag},
		{240, 80, "female", "eGFR 20 ", prompt.Flag, prompt.Flag, prompt.Flag},
		{300, 78, "male", "eGFR 21 ", prompt.Flag, prompt.Flag, prompt.Flag},
	} {
		list := made(chart.Chart{Sex: c.sex, Born: on(fmt.Sprintf("%d-02-01", 2026-c.age)), Labs: creatinine(c.hundredths, "2026-02-20"),
			Medicines: []chart.Medicine{{Source: ref("MedicationStatement/m"), What: "metformin", On: on("2020")}}})
		value := find(list, prompt.Kidney, "CKD-EPI")
		if !strings.Contains(value.Text, c.shown) {
			t.Errorf("%d at %d %s: %q is not in %q", c.hundredths, c.age, c.sex, c.shown, value.Text)
		}
		if age, ok := value.Age(on(today).First); !ok || age != 11 {
			t.Errorf("the value is %d days old, want 11", age)
		}
		if a, e, m := find(list, prompt.Kidney, "Davenport"), find(list, prompt.Kidney, "ESUR"), find(list, prompt.Metformin, ""); a.Level != c.acr || e.Level != c.esur || m.Level != c.metformin {
			t.Errorf("%d at %d %s: %q %q %q, want %q %q %q", c.hundredths, c.age, c.sex, a.Level, e.Level, m.Level, c.acr, c.esur, c.metformin)
		}
	}
}

// Doses: k × DLP by AAPM Report 96 (2008), adult. The factors are those of its
// table; the sums are those of three usual examinations.
func TestDoses(t *testing.T) {
	t.Parallel()
	const trunk = chart.Chest | chart.Abdomen | chart.Pelvis
	for _, c := range []struct {
		name   string
		covers chart.Territory
		tenths []int64
		total  bool
		want   string
	}{
		{"chest, abdomen and pelvis, three phases", trunk, []int64{6000, 6500, 4500}, false, "About 25.5 mSv so far, from 1 CT on 3 Mar 2025; with an uncertainty of 40 %: 15.3 to 35.7 mSv."},
		{"abdomen and pelvis", chart.Abdomen | chart.Pelvis, []int64{9000}, true, "About 13.5 mSv"},
		{"chest", chart.Chest, []int64{5000}, true, "About 7.0 mSv"},
		{"head", chart.Head, []int64{10000}, true, "About 2.1 mSv"},
		{"head and neck", chart.Head | chart.Neck, []int64{10000}, true, "About 3.1 mSv"},
		{"neck", chart.Neck | chart.Carotid, []int64{10000}, true, "About 5.9 mSv"},
		{"a total sent twice counts once", chart.Chest, []int64{5000, 5000}, true, "About 7.0 mSv"},
		{"of two totals the larger counts", chart.Chest, []int64{5000, 4000}, true, "About 7.0 mSv"},
		{"legs have no factor", chart.Pelvis | chart.Legs, []int64{9000}, true, "No dose can be estimated. Not in it: 1 CT of a region for which the report has no factor."},
		{"no dose was sent", trunk, nil, true, "No dose can be estimated. Not in it: 1 CT without a dose."},
	} {
		x := chart.Chart{Studies: []chart.Study{{Source: ref("ImagingStudy/s"), On: on("2025-03-03"), Kind: chart.CTAngiogram, Covers: c.covers, Also: []string{"Procedure/s"}}}}
		for i, v := range c.tenths {
			x.Doses = append(x.Doses, chart.Dose{Source: ref(fmt.Sprint("Observation/", i)), Study: []string{"ImagingStudy/s", "Procedure/s"}[i%2], Tenths: v, Total: c.total})
		}
		if got := find(made(x), prompt.Radiation, "AAPM Report 96").Text; !strings.HasPrefix(got, c.want) {
			t.Errorf("%s: got  %q\nwant %q", c.name, got, c.want)
		}
	}
}

// A retracted study, one of the future and one that is no CT give no dose.
func TestDosesThatDoNotCount(t *testing.T) {
	t.Parallel()
	study := chart.Study{Source: ref("ImagingStudy/s"), On: on("2025-03-03"), Kind: chart.CTPlain, Covers: chart.Chest}
	gone, later, duplex := study, study, study
	gone.State, later.On, duplex.Kind = chart.StudyRetracted, on("2026-03-04"), chart.Duplex
	dose := []chart.Dose{{Source: ref("Observation/d"), Study: "ImagingStudy/s", Tenths: 5000, Total: true}}
	for name, s := range map[string]chart.Study{"retracted": gone, "later": later, "duplex": duplex} {
		got := find(made(chart.Chart{Studies: []chart.Study{s}, Doses: dose}), prompt.Radiation, "")
		if got.Level != prompt.Unknown || !strings.Contains(got.Text, "1 dose of a CT that is not known here") {
			t.Errorf("%s: %q", name, got.Text)
		}
	}
	if got := find(made(chart.Chart{Studies: []chart.Study{study}, Doses: dose}), prompt.Radiation, ""); got.Level != prompt.Note {
		t.Errorf("the same study, available: %q", got.Text)
	}
}

// The whole of some patients, to be read.
func TestGolden(t *testing.T) {
	t.Parallel()
	device := func(id, mr string) chart.Device {
		return chart.Device{Source: ref("Device/" + id), Name: "Harbour " + id, MR: mr}
	}
	graft := surveil.Implant{ID: "Procedure/x", Class: "evar", Devices: []chart.Device{device("body", "conditional")}}
	var b strings.Builder
	for _, c := range []struct {
		name     string
		c        chart.Chart
		implants []surveil.Implant
	}{
		{"nothing is known", chart.Chart{}, nil},
		{"all is well", chart.Chart{Sex: "male", Born: on("1970-06-01"), Labs: creatinine(100, "2026-02-01"), Devices: []chart.Device{device("body", "conditional"), device("limb", "safe")}}, []surveil.Implant{graft}},
		{"a good value is old: 60 or more holds for a year", chart.Chart{Sex: "male", Born: on("1970-06-01"), Labs: creatinine(100, "2025-03-03")}, nil},
		{"a good value is one day older", chart.Chart{Sex: "male", Born: on("1970-06-01"), Labs: creatinine(100, "2025-03-02")}, nil},
		{"weak kidneys, metformin, severe allergy, unsafe part", chart.Chart{Sex: "female", Born: on("1951-02-20"), Labs: creatinine(176, "2026-02-20"),
			Medicines: []chart.Medicine{{Source: ref("MedicationStatement/m"), What: "metformin", On: on("2019")}},
			Allergies: []chart.Allergy{{Source: ref("AllergyIntolerance/a"), Severe: true, Agent: "iodinated", On: on("2018-05-02")}},
			Devices:   []chart.Device{device("body", "conditional"), device("plug", "unsafe"), device("coil", "")}}, []surveil.Implant{graft}},
		{"an old weak value; born in a month that leaves two ages, of which the greater counts", chart.Chart{Sex: "female", Born: on("1951-11"), Labs: creatinine(176, "2025-11-15"),
			Medicines: []chart.Medicine{{Source: ref("MedicationRequest/m"), What: "metformin"}}}, nil},
		{"no sex the formula knows, a mild allergy, an implant without devices", chart.Chart{Sex: "other", Born: on("1962-02-01"), Labs: creatinine(230, "2026-02-20"),
			Allergies: []chart.Allergy{{Source: ref("AllergyIntolerance/b")}, {Source: ref("AllergyIntolerance/c"), Over: true, Severe: true}, {Source: ref("AllergyIntolerance/d"), Agent: "gadolinium", Severe: true}}},
			[]surveil.Implant{{ID: "Procedure/y", Class: "tevar"}}},
		{"an eGFR as sent, a child's creatinine is older, a part was taken out", chart.Chart{Sex: "male", Born: on("1970-06-01"), Devices: []chart.Device{device("body", "unsafe")},
			Labs: []chart.Lab{{Source: ref("Observation/1"), What: "creatinine", Value: 30000, On: on("1980-01-01")}, {Source: ref("Observation/2"), What: "egfr", Value: 445000, On: on("2026-02-01"), Equation: "mdrd"}}},
			[]surveil.Implant{{ID: "Procedure/x", Class: "evar", Ended: surveil.EndExplanted, Devices: []chart.Device{device("body", "unsafe")}}}},
		{"both on one day", chart.Chart{Sex: "male", Born: on("1970-06-01"), Labs: append(creatinine(100, "2026-02-01"), chart.Lab{Source: ref("Observation/e"), What: "egfr", Value: 700000, On: on("2026-02-01")})}, nil},
		{"the newest creatinine is of a child", chart.Chart{Sex: "male", Born: on("2010-06-01"), Labs: creatinine(80, "2026-02-01")}, nil},
		{"metformin ended, began later", chart.Chart{Medicines: []chart.Medicine{{Source: ref("MedicationStatement/1"), What: "metformin", On: on("2019"), To: on("2026-03-02")}, {Source: ref("MedicationStatement/2"), What: "metformin", On: on("2026-03-04")}}}, nil},
	} {
		fmt.Fprintf(&b, "## %s\n", c.name)
		for _, p := range made(c.c, c.implants...) {
			fmt.Fprintf(&b, "%s, %s: %s\n    %s [%s] %s\n", p.Kind, p.Level, p.Text, p.Source, p.Evidence, strings.Join(p.Facts, " "))
		}
	}
	if *update {
		if err := os.WriteFile("testdata/prompts.txt", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/prompts.txt")
	if err != nil || b.String() != string(want) {
		t.Errorf("%v; got\n%s", err, b.String())
	}
}

// Against a second, plain reckoning of the equation, on random charts: the
// levels follow the unrounded value, and what was given is left as it was.
func TestAgainstPlainSums(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(22, 2))
	level := func(rate float64) prompt.Level {
		return [...]prompt.Level{prompt.Flag, prompt.Note, prompt.Fine}[btoi(rate >= 30)+btoi(rate >= 45)]
	}
	for range 3000 {
		age, value, sex := 18+rng.IntN(80), 40+rng.IntN(400), []string{"male", "female", "other"}[rng.IntN(3)]
		c := chart.Chart{Sex: sex, Born: on(fmt.Sprintf("%d-02-20", 2026-age)), Labs: creatinine(value, "2026-02-20")}
		rate := math.Inf(1)
		for _, s := range []string{"male", "female"} {
			if sex == s || sex == "other" {
				rate = math.Min(rate, ckd(float64(value)/100, age, s))
			}
		}
		before := fmt.Sprintf("%+v", c)
		list := made(c)
		if p := find(list, prompt.Kidney, "Davenport"); p.Level != level(rate) {
			t.Fatalf("%d at %d %s is %.4f: %q", value, age, sex, rate, p.Level)
		}
		if fmt.Sprintf("%+v", c) != before || !reflect.DeepEqual(list, made(c)) {
			t.Fatal("the chart was changed, or the same chart gives other prompts")
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// ckd is the equation in its four cases, by logarithms.
func ckd(scr float64, age int, sex string) float64 {
	l := math.Log(142) + float64(age)*math.Log(.9938)
	switch {
	case sex == "female" && scr <= .7:
		l += math.Log(1.012) - .241*math.Log(scr/.7)
	case sex == "female":
		l += math.Log(1.012) - 1.2*math.Log(scr/.7)
	case scr <= .9:
		l -= .302 * math.Log(scr/.9)
	default:
		l -= 1.2 * math.Log(scr/.9)
	}
	return math.Exp(l)
}

// Every prompt says its source and how well that is known, whatever the chart;
// and one that is not about a missing fact names its records.
func TestEveryPromptHasASource(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(22, 3))
	for range 2000 {
		c := anyChart(rng)
		for _, p := range made(c, surveil.Implant{Class: "evar"}) {
			if p.Text == "" || p.Source == "" || p.Level == "" || p.Evidence == "" && p.Source != "as the laboratory sent it" {
				t.Fatalf("%+v", p)
			}
			if p.Level != prompt.Unknown && len(p.Facts) == 0 {
				t.Fatalf("rests on no record: %+v", p)
			}
		}
	}
}

func anyChart(rng *rand.Rand) chart.Chart {
	span := func() day.Span {
		first := day.Day(738000 + rng.IntN(2500))
		return []day.Span{{}, day.On(first), {First: first, Last: first.Plus(364)}}[rng.IntN(3)]
	}
	c := chart.Chart{Sex: []string{"", "male", "female", "other"}[rng.IntN(4)], Born: []day.Span{{}, on("1950"), on("2015-01-02")}[rng.IntN(3)]}
	for range rng.IntN(3) {
		c.Labs = append(c.Labs, chart.Lab{Source: ref("Observation/l"), What: []string{"creatinine", "egfr"}[rng.IntN(2)], Value: rng.Int64N(900000) - 1000, On: span()})
		c.Allergies = append(c.Allergies, chart.Allergy{Source: ref("AllergyIntolerance/a"), Severe: rng.IntN(2) == 0, On: span()})
		c.Medicines = append(c.Medicines, chart.Medicine{Source: ref("MedicationRequest/m"), What: "metformin", On: span(), To: span()})
		c.Studies = append(c.Studies, chart.Study{Source: ref("ImagingStudy/s"), Kind: chart.Kind(rng.IntN(12)), Covers: chart.Territory(rng.IntN(4096)), On: span()})
		c.Doses = append(c.Doses, chart.Dose{Source: ref("Observation/d"), Study: []string{"", "ImagingStudy/s"}[rng.IntN(2)], Tenths: rng.Int64N(20000), Total: rng.IntN(2) == 0})
		c.Devices = append(c.Devices, chart.Device{Source: ref("Device/d"), MR: []string{"", "safe", "unsafe", "conditional", "unstated"}[rng.IntN(5)]})
	}
	return c
}

// Prompts stand beside what is owed now or soon and may be a CT with contrast
// medium; not beside a duplex, what is done, or an implant whose surveillance
// ended.
func TestBeside(t *testing.T) {
	t.Parallel()
	visit := func(step string, s surveil.Standing, k chart.Kind, target string) surveil.Visit {
		return surveil.Visit{Step: step, Standing: s, Kinds: []chart.Kind{k}, Target: on(target)}
	}
	p := surveil.Plan{AsOf: on(today).First, Surveillance: surveil.StateActive, Implants: []surveil.Implant{
		{Visits: []surveil.Visit{visit("done", surveil.Done, chart.CTAngiogram, today), visit("overdue", surveil.Overdue, chart.CTAngiogram, "2025-03-03"), visit("open", surveil.Open, chart.CTContrast, today),
			visit("duplex", surveil.Open, chart.Duplex, today), visit("soon", surveil.Upcoming, chart.CTAngiogram, "2026-05-02"), visit("far", surveil.Upcoming, chart.CTAngiogram, "2026-05-03"), visit("booked", surveil.Booked, chart.CTAngiogram, today)}},
		{Ended: surveil.EndExplanted, Visits: []surveil.Visit{visit("taken out", surveil.Open, chart.CTAngiogram, today)}},
	}}
	told := func() string {
		var steps []string
		for _, v := range prompt.Beside(&p, 60) {
			steps = append(steps, v.Step)
		}
		return strings.Join(steps, " ")
	}
	if got := told(); got != "overdue open soon booked" {
		t.Errorf("beside %q", got)
	}
	if p.Surveillance = surveil.StateEnded; told() != "" {
		t.Errorf("surveillance has ended, and prompts stand beside %q", told())
	}
}
