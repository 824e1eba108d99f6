package sac_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/sac"
)

// within is the standard deviation of one measurement for a repeatability of
// 5 mm.
const within = 1.80387697622027

// The numbers were computed in R 4 (pnorm, integrate, lm) for sacs that are
// invented; repeatability 5 mm (Bland JM, Altman DG. Stat Methods Med Res
// 1999;8:135-60: 1.96·√2·s).
func TestErrorOfMeasuring(t *testing.T) {
	t.Parallel()
	e := sac.ErrorOf("ct")
	near(t, "one measurement", e.Within(), 1.80387697622, 1e-11)
	near(t, "a difference", e.OfDifference(), 2.55106728462, 1e-11)
	near(t, "the error bar", e.Margin(), 5/math.Sqrt2, 1e-12)
	for _, c := range []struct{ d, any, five float64 }{
		{2, .783476, .119802}, {3, .880198, .216524}, {5, .975000, .500000}, {6, .990663, .652468}, {8, .999143, .880198}, {10, .999956, .975000},
	} {
		near(t, "any growth", sac.Growth(c.d, 0, e.OfDifference()), c.any, 5e-7)
		near(t, "growth of 5 mm", sac.Growth(c.d, 5, e.OfDifference()), c.five, 5e-7)
	}
}

// R: 1-integrate(function(y) dnorm(y)*(1-pnorm(y-5/sw))^(k-1),-12,12)
func TestFalseAlarms(t *testing.T) {
	t.Parallel()
	for k, want := range map[int]float64{1: 0, 2: .0250, 3: .045378, 4: .062735, 5: .077926, 6: .091469, 8: .114894, 10: .134752} {
		near(t, "false alarm", sac.FalseAlarm(k, 5, within), want, 5e-7)
	}
}

// R: lm for the slope; its interval and probability from the known error.
func TestSlopes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name                  string
		days, mm              []float64
		slope, from, to, grow float64
	}{
		{"A", []float64{30, 180, 365, 730, 1096}, []float64{58, 57, 55, 52, 50}, -2.823298, -4.316736, -1.329860, .000106},
		{"B", []float64{28, 190, 371, 735, 1100}, []float64{61, 61, 63, 66, 70}, 3.196544, 1.705015, 4.688074, .999987},
		{"C, two scans", []float64{35, 400}, []float64{55, 57}, 2.001370, -3.002055, 7.004795, .783476},
		{"D", []float64{31, 185, 366, 731}, []float64{72, 70, 74, 71}, -.054618, -2.528354, 2.419119, .482741},
		{"F, three equal", []float64{30, 365, 730}, []float64{60, 60, 60}, 0, -2.608130, 2.608130, .5},
		{"G", []float64{29, 181, 362, 740, 1093, 1460}, []float64{57, 59, 60, 64, 65, 69}, 2.895667, 1.858022, 3.933312, 1},
	} {
		years := make([]float64, len(c.days))
		for i, d := range c.days {
			years[i] = d / 365.25
		}
		s, ok := sac.Fit(years, c.mm, within)
		if !ok {
			t.Errorf("%s: no line", c.name)
		}
		near(t, c.name+" slope", s.PerYear, c.slope, 6e-7)
		near(t, c.name+" from", s.From, c.from, 6e-7)
		near(t, c.name+" to", s.To, c.to, 6e-7)
		near(t, c.name+" growing", s.Growing, c.grow, 6e-7)
	}
	for _, years := range [][]float64{nil, {1}, {2, 2}} {
		if s, ok := sac.Fit(years, make([]float64, len(years)), within); ok {
			t.Errorf("one date gives a rate of %v", s)
		}
	}
}

// The same by the plainest means: the integral of the density as a sum of
// narrow bars, and the line that no other line lies closer to.
func TestAgainstPlainSums(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(22, 1))
	for range 200 {
		d, least, sd := 30*rng.Float64()-15, 10*rng.Float64(), .5+4*rng.Float64()
		near(t, "growth", sac.Growth(d, least, sd), bars(least, d, sd), 1e-5)
	}
	for range 200 {
		n := 2 + rng.IntN(6)
		x, y := make([]float64, n), make([]float64, n)
		for i := range n {
			x[i], y[i] = float64(i)+rng.Float64()/2, 40+30*rng.Float64()
		}
		s, ok := sac.Fit(x, y, within)
		best := misfit(x, y, s.PerYear)
		if !ok || misfit(x, y, s.PerYear+.01) <= best || misfit(x, y, s.PerYear-.01) <= best {
			t.Fatalf("%v over %v: another slope than %v fits better", y, x, s.PerYear)
		}
	}
}

// bars is the area of a normal density round d above least.
func bars(least, d, sd float64) float64 {
	const width = 1.0 / 512
	area := 0.0
	for at := d - 9*sd; at < d+9*sd; at += width {
		if mid := at + width/2; mid >= least {
			area += width * math.Exp(-(mid-d)*(mid-d)/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi))
		}
	}
	return math.Min(1, area+edge(least, d, sd, width))
}

// edge is what the bar across least lacks or has too much, taken from the
// plain bars so that these need not be narrower.
func edge(least, d, sd, width float64) float64 {
	if least <= d-9*sd || least >= d+9*sd {
		return 0
	}
	k := math.Floor((least - (d - 9*sd)) / width)
	from := d - 9*sd + k*width
	density := math.Exp(-(least-d)*(least-d)/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi))
	if from+width/2 >= least {
		return -(least - from) * density
	}
	return (from + width - least) * density
}

// misfit is the sum of squares about the best line of one slope.
func misfit(x, y []float64, slope float64) float64 {
	mean, sum := 0.0, 0.0
	for i := range x {
		mean += (y[i] - slope*x[i]) / float64(len(x))
	}
	for i := range x {
		r := y[i] - slope*x[i] - mean
		sum += r * r
	}
	return sum
}

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if math.Abs(got-want) > by || math.IsNaN(got) {
		t.Errorf("%s: %.9f, want %.9f", what, got, want)
	}
}

func size(ref string, on day.Day, tenths int, method string) chart.Finding {
	return chart.Finding{Source: chart.Source{Ref: ref}, What: "sac-diameter", On: day.On(on), Tenths: tenths, Has: true, Method: method}
}

// Only what may be compared stands in one series, and only what was measured
// after the operation, in the implant's territory, and is known by the day.
func TestSeries(t *testing.T) {
	t.Parallel()
	index := day.Of(2022, 1, 11)
	scope := sac.Scope{Covers: chart.Abdomen, After: day.On(index), Until: day.Of(2025, 1, 1), AsOf: day.Of(2024, 6, 1)}
	chest, sited := size("chest", day.Of(2023, 1, 1), 600, "ct/sac"), size("sited", day.Of(2023, 1, 1), 470, "ct/sac")
	chest.Covers, sited.Site = chart.Chest, "left iliac artery"
	month := size("month", day.Of(2023, 3, 1), 555, "ct/sac")
	month.On.Last = day.Of(2023, 3, 31)
	list := sac.Of([]chart.Finding{
		size("before", day.Of(2021, 12, 1), 620, "ct/sac"), size("on the day", index, 620, "ct/sac"), size("b", day.Of(2022, 2, 10), 600, "ct/sac"),
		size("last", day.Of(2024, 1, 10), 540, "ct/sac"), size("low", day.Of(2023, 1, 10), 480, "ct/sac"), size("duplex", day.Of(2023, 6, 1), 450, "ultrasound/sac"),
		chest, sited, month, size("later", day.Of(2024, 6, 2), 700, "ct/sac"), {What: "migration", Has: true, On: day.On(index.Plus(400))},
	}, scope)
	var told []string
	for i := range list {
		refs := []string{}
		for _, p := range list[i].Points {
			refs = append(refs, p.Ref)
		}
		told = append(told, list[i].Name()+": "+strings.Join(refs, " ")+", lowest "+list[i].Points[list[i].Lowest].Ref)
	}
	want := "CT, sac: b low month last, lowest low\nultrasound, sac: duplex, lowest duplex\nCT, sac, left iliac artery: sited, lowest sited"
	if got := strings.Join(told, "\n"); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if scope.Until = day.Of(2023, 2, 1); len(sac.Of([]chart.Finding{size("x", day.Of(2023, 2, 2), 500, "ct/sac")}, scope)) != 0 {
		t.Error("what was measured after the explant stands in the series of the graft")
	}
}

// Clinical checks: the reporting standards count from 5 mm on, 4.9 is not 5
// (Chaikof 2002); a regrown sac is told by its lowest value; a value of another
// modality only asks for the same one.
func TestSaid(t *testing.T) {
	t.Parallel()
	on := func(year int) day.Day { return day.Of(year, 1, 10) }
	one := func(method string, tenths ...int) []chart.Finding {
		var list []chart.Finding
		for i, v := range tenths {
			list = append(list, size(method, on(2022+i), v, method))
		}
		return list
	}
	for _, c := range []struct {
		name     string
		findings []chart.Finding
		has      []string
		not      []string
	}{
		{"grown", one("ct/sac", 520, 580), []string{"baseline of 10 Jan 2022 (52.0 mm): +6.0 mm, enlarged", "grown at all is 99.1 %, by 5 mm or more 65.2 %", "+6.0 mm a year (95 % interval +1.0 to +11.0)"}, []string{"lowest"}},
		{"4.9 is not 5", one("ct/sac", 520, 569), []string{"+4.9 mm, stable"}, []string{"enlarged"}},
		{"exactly 5", one("ct/sac", 520, 570), []string{"+5.0 mm, enlarged", "97.5 %", "50.0 %"}, nil},
		{"regrown", one("ct/sac", 600, 480, 540), []string{"-6.0 mm, smaller", "Since the lowest value of 10 Jan 2023 (48.0 mm): +6.0 mm", "4.5 % show 5 mm or more above the lowest of 2 values", "Confirm with a second scan", "shrunk by 5 mm or more: 65.2 %"}, nil},
		{"alone", one("ct/sac", 520), []string{"no change can be told"}, []string{"%"}},
		{"ultrasound has its own error", one("ultrasound/sac", 520, 570), []string{"within 4.8 mm", "97.9 %"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			list := sac.Of(c.findings, sac.Scope{After: day.On(on(2020)), AsOf: on(2026)})
			said := strings.Join(list[0].Said(), "\n")
			for _, w := range c.has {
				if !strings.Contains(said, w) {
					t.Errorf("%q is not in\n%s", w, said)
				}
			}
			for _, w := range c.not {
				if strings.Contains(said, w) {
					t.Errorf("%q is in\n%s", w, said)
				}
			}
		})
	}
}

func TestAcrossModalities(t *testing.T) {
	t.Parallel()
	scope := sac.Scope{After: day.On(day.Of(2023, 1, 9)), AsOf: day.Of(2026, 1, 1)}
	ct, duplex := size("ct", day.Of(2024, 2, 6), 520, "ct/sac"), size("us", day.Of(2025, 2, 3), 580, "ultrasound/sac")
	list := sac.Of([]chart.Finding{ct, duplex}, scope)
	if !sac.Confirm(list) || strings.Contains(strings.Join(list[0].Said(), ""), "grown") {
		t.Errorf("a duplex after a CT is compared: %q", list[0].Said())
	}
	earlier := size("us0", day.Of(2024, 2, 7), 575, "ultrasound/sac")
	if sac.Confirm(sac.Of([]chart.Finding{ct, duplex, earlier}, scope)) || sac.Confirm(list[:1]) {
		t.Error("a duplex with an earlier duplex needs no confirmation")
	}
}
