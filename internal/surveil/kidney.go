package surveil

import (
	"math"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// EGFR is the estimated glomerular filtration rate in mL/min/1.73 m2 by the
// CKD-EPI 2021 creatinine equation without race (Inker LA, et al. N Engl J
// Med 2021;385:1737-49), for an adult, from creatinine in mg/dL, age in whole
// years and sex ("female", else male). It is not rounded: thresholds are
// compared on the value itself.
func EGFR(creatinine float64, age int, sex string) float64 {
	k, a, f := 0.9, -0.302, 1.0
	if sex == "female" {
		k, a, f = 0.7, -0.241, 1.012
	}
	r := creatinine / k
	return 142 * math.Pow(min(r, 1), a) * math.Pow(max(r, 1), -1.2) * math.Pow(0.9938, float64(age)) * f
}

// kidneyWork asks for a creatinine before an open visit that nothing but
// contrast imaging satisfies, where the latest is too old or too low.
func (e *engine) kidneyWork(m *implant) []Work {
	var list []Work
	for _, v := range m.visits {
		if v.standing != Open || !wantsContrast(v) {
			continue
		}
		why, fine := e.kidneys()
		if fine {
			continue
		}
		item := e.visitItem(v, WorkKidney)
		item.From, item.By, item.Why = v.opens.First, v.closes.Last, []Reason{why}
		list = append(list, item)
	}
	return list
}

// wantsContrast says whether nothing but a CT angiogram does the visit by
// itself.
func wantsContrast(v *visit) bool {
	for i := range v.ways {
		w := &v.ways[i]
		if !w.Acceptance && slices.ContainsFunc(w.Kinds, func(k chart.Kind) bool { return k != chart.CTAngiogram && k != chart.CTContrast }) {
			return false
		}
	}
	return true
}

// kidneys looks at the latest value: fine where it is young and high enough.
func (e *engine) kidneys() (Reason, bool) {
	var last *chart.Lab
	for i := range e.c.Labs {
		l := &e.c.Labs[i]
		if l.On.Known() && e.reached(l.On.First) && (last == nil || l.On.First >= last.On.First) {
			last = l
		}
	}
	if last == nil {
		return Reason{Rule: "creatinine-missing"}, false
	}
	rate, known := e.rate(last)
	limit := e.r.Settings.KidneyDays
	if known && rate >= 60 {
		limit = e.r.Settings.KidneyLongDays
	}
	why := Reason{Rule: "creatinine-old", Facts: []string{last.Ref}, From: last.On}
	if e.passed(last.On.First.Plus(limit)) {
		return why, false
	}
	why.Rule = "kidney-function-low"
	return why, known && rate >= float64(e.r.Settings.KidneyThreshold)
}

// rate is the eGFR that a value states or gives; false where it gives none.
func (e *engine) rate(l *chart.Lab) (float64, bool) {
	value := float64(l.Value) / 10000
	if l.What == "egfr" {
		return value, true
	}
	age := wholeYears(e.c.Born, l.On)
	if value <= 0 || age < 18 || e.c.Sex != "female" && e.c.Sex != "male" {
		return 0, false
	}
	return EGFR(value, age, e.c.Sex), true
}

// wholeYears is the age in whole years; the youngest that the dates allow.
func wholeYears(born, on day.Span) int {
	if !born.Known() {
		return -1
	}
	y1, m1, d1 := born.Last.Civil()
	y2, m2, d2 := on.First.Civil()
	age := y2 - y1
	if m2 < m1 || m2 == m1 && d2 < d1 {
		age--
	}
	return age
}
