package sac

import "math"

// z95 is the 97.5 % point of the normal distribution.
const z95 = 1.959963984540054

// Error is how far two measurements of the same thing lie apart.
type Error struct {
	RC     float64 // repeatability coefficient, mm: 95 % of differences between two measurements are smaller (Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-60)
	Source string
}

// ErrorOf is the error of a modality. The numbers assume one standardised
// method: reports by different readers differ more.
func ErrorOf(modality string) Error {
	switch modality {
	case "ultrasound":
		return Error{4.8, "ultrasound: 4.8 mm between observers (Ultrasound J 2021: 4.5 to 4.8; the same observer twice 2.2 to 2.6)"}
	case "ct":
		return Error{5, "CT: 5 mm, where one standardised method is used throughout (standardised readers differed by 2.8 mm, SD 4.4, others by 4.0, SD 5.1: Cayne NS, et al. J Vasc Surg 2004;39:811-5)"}
	}
	return Error{5, "no figure for this modality; 5 mm is taken, as for CT"}
}

// Within is the standard deviation of one measurement: RC = z·√2·s.
func (e Error) Within() float64 { return e.RC / (z95 * math.Sqrt2) }

// OfDifference is the standard deviation of a difference of two.
func (e Error) OfDifference() float64 { return math.Sqrt2 * e.Within() }

// Margin is half the 95 % interval of one measurement, for its error bar.
func (e Error) Margin() float64 { return z95 * e.Within() }

// Growth is the probability that the true growth is at least so many mm, where
// a growth of d was measured and the difference has the standard deviation sd:
// Φ((d - least)/sd). Before the measurement every growth counts as equally
// likely (a flat prior).
func Growth(d, least, sd float64) float64 { return phi((d - least) / sd) }

// phi is the normal distribution function.
func phi(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// Slope is a straight line through the values of a series.
type Slope struct {
	PerYear  float64 // mm
	From, To float64 // 95 % interval
	Growing  float64 // probability that it rises
}

// Fit lays a line through values by least squares. Its error is that of the
// known error of measuring, s/√Sxx, and not of how well the values happen to
// lie on the line: three equal rounded values have no error by that. false
// where there are not two dates.
func Fit(years, mm []float64, s float64) (Slope, bool) {
	n := float64(len(years))
	var mx, my, sxx, sxy float64
	for i := range years {
		mx, my = mx+years[i]/n, my+mm[i]/n
	}
	for i := range years {
		sxx += (years[i] - mx) * (years[i] - mx)
		sxy += (years[i] - mx) * (mm[i] - my)
	}
	if sxx < 1e-9 {
		return Slope{}, false
	}
	b, se := sxy/sxx, s/math.Sqrt(sxx)
	return Slope{PerYear: b, From: b - z95*se, To: b + z95*se, Growing: phi(b / se)}, true
}

// FalseAlarm is the probability that the newest of k values lies least mm or
// more above the lowest of the earlier ones though nothing ever changed:
// 1 - ∫φ(y)·(1-Φ(y-least/s))^(k-1) dy, by Simpson's rule.
func FalseAlarm(k int, least, s float64) float64 {
	if k < 2 {
		return 0
	}
	const steps, end = 2000, 12.0
	f := func(y float64) float64 {
		return math.Exp(-y*y/2) / math.Sqrt(2*math.Pi) * math.Pow(phi(least/s-y), float64(k-1))
	}
	h, sum := 2*end/steps, f(-end)+f(end)
	for i := 1; i < steps; i++ {
		sum += f(-end+float64(i)*h) * float64(2+2*(i%2))
	}
	return 1 - sum*h/3
}
