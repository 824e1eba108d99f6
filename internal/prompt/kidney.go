package prompt

import (
	"fmt"
	"math"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// Sources of the kidney prompts.
const (
	ckdEPI = "CKD-EPI 2021, creatinine, without race: Inker LA, et al. N Engl J Med 2021;385:1737-49"
	acrNKF = "ACR and NKF: Davenport MS, et al. Radiology 2020;294:660-8"
	esur10 = "ESUR Guidelines on Contrast Agents, version 10 (2018)"
	ours   = "set here; the site's kidney-days and kidney-long-days"
)

// filtration is an eGFR as far as it is known.
type filtration struct {
	rate  float64 // not rounded; the lower where the sex leaves two
	known bool
	old   bool
	lab   *chart.Lab
	facts []string
}

// kidneys says what the latest value means, by each source.
func (m *maker) kidneys() filtration {
	lab := m.latestLab()
	if lab == nil {
		m.put(Prompt{Kind: Kidney, Level: Unknown, Text: "No creatinine and no eGFR is on record.", Source: ours, Evidence: "DESIGN"})
		return filtration{}
	}
	f, text := m.filtration(lab)
	value := Prompt{Kind: Kidney, Level: levelOf(f.rate), Text: text, Source: ckdEPI, Evidence: "FOUND", Facts: f.facts, On: lab.On}
	days, limit := m.age(&f)
	f.old = days > limit
	if !f.known || f.old && value.Level == Fine {
		value.Level = Unknown
	}
	if lab.What == "egfr" {
		value.Source, value.Evidence = "as the laboratory sent it", ""
	}
	m.put(value)
	if f.old {
		m.put(Prompt{Kind: Kidney, Level: Unknown, Facts: f.facts, On: f.lab.On, Source: ours + ". " + esur10 + ": at most 3 months in stable disease, 7 days in acute illness", Evidence: "DESIGN",
			Text: fmt.Sprintf("The value is %d days old; the site's limit here is %d: a new one is wanted.", days, limit)})
	}
	if f.known && !(f.old && f.rate >= 45) { // that an old good value still holds, nobody knows
		m.siteLimit(&f)
		m.acr(&f)
		m.esur(&f)
	}
	return f
}

// levelOf is the level by the limits that both sources share.
func levelOf(rate float64) Level {
	switch {
	case rate < 30:
		return Flag
	case rate < 45:
		return Note
	}
	return Fine
}

// latestLab is the newest value; of one day a creatinine goes before an eGFR,
// whose formula may be an older one.
func (m *maker) latestLab() *chart.Lab {
	var best *chart.Lab
	for i := range m.c.Labs {
		l := &m.c.Labs[i]
		if !l.On.Known() || !m.there(l.On) || l.What != "creatinine" && l.What != "egfr" || l.Value <= 0 {
			continue
		}
		if best == nil || l.On.First > best.On.First || l.On.First == best.On.First && (l.What == best.What || l.What == "creatinine") {
			best = l
		}
	}
	return best
}

// filtration works an eGFR out and says so. The age is the greatest that a
// partial date of birth allows: the careful side.
func (m *maker) filtration(l *chart.Lab) (filtration, string) {
	f := filtration{lab: l, facts: []string{l.Ref}}
	value := float64(l.Value) / 10000
	if l.What == "egfr" {
		f.rate, f.known = value, true
		return f, fmt.Sprintf("eGFR %.0f, %s.%s", math.Floor(value+.5), formula(l.Equation), fine(value))
	}
	sent := fmt.Sprintf("Creatinine %.2f mg/dL (%.0f µmol/L)", value, value*88.4)
	youngest, oldest := years(m.c.Born.Last, l.On.First), years(m.c.Born.First, l.On.Last)
	if !m.c.Born.Known() || youngest < 18 {
		return f, sent + ": no eGFR can be worked out, since the formula is for adults and the age is not known or below 18."
	}
	woman, man := surveil.EGFR(value, oldest, "female"), surveil.EGFR(value, oldest, "male")
	f.known = true
	switch m.c.Sex {
	case "female":
		f.rate = woman
	case "male":
		f.rate = man
	default:
		f.rate = math.Min(woman, man)
		return f, fmt.Sprintf("%s: eGFR %.0f by the formula for women, %.0f by that for men (%d years); the record tells no sex that the formula knows, and the lower counts below.%s", sent, woman, man, oldest, fine(f.rate))
	}
	return f, fmt.Sprintf("%s: eGFR %.0f (%s, %d years).%s", sent, math.Floor(f.rate+.5), m.c.Sex, oldest, fine(f.rate))
}

func formula(equation string) string {
	switch equation {
	case "ckd-epi-2021":
		return "by CKD-EPI 2021"
	case "ckd-epi-2009":
		return "by the older formula CKD-EPI 2009"
	case "mdrd":
		return "by the old formula MDRD"
	}
	return "by a formula that was not sent"
}

// fine warns where rounding hides on which side of a limit a value lies.
func fine(rate float64) string {
	for _, limit := range [...]float64{30, 45, 60} {
		if rate < limit && math.Floor(rate+.5) >= limit {
			return fmt.Sprintf(" Before rounding it is %.3f: below %.0f, though a laboratory prints %.0f.", rate, limit, limit)
		}
	}
	return ""
}

// years is the age in whole years.
func years(born, on day.Day) int {
	y1, m1, d1 := born.Civil()
	y2, m2, d2 := on.Civil()
	age := y2 - y1
	if m2 < m1 || m2 == m1 && d2 < d1 {
		age--
	}
	return age
}

// age is how old the value is, and how old the site lets it be.
func (m *maker) age(f *filtration) (days, limit int) {
	limit = m.set.KidneyDays
	if f.known && f.rate >= 60 {
		limit = m.set.KidneyLongDays
	}
	return int(m.asOf - f.lab.On.First), limit
}

// siteLimit speaks where the site has a limit of its own.
func (m *maker) siteLimit(f *filtration) {
	if own := m.set.KidneyThreshold; own != 30 && f.rate < float64(own) {
		m.put(Prompt{Kind: Kidney, Level: Flag, Text: fmt.Sprintf("Below the site's own limit of %d.", own), Source: "the site's kidney-threshold", Evidence: "DESIGN", Facts: f.facts, On: f.lab.On})
	}
}

// acr says what the consensus of the ACR and the NKF advises.
func (m *maker) acr(f *filtration) {
	p := Prompt{Kind: Kidney, Level: levelOf(f.rate), Source: acrNKF, Evidence: "FOUND", Facts: f.facts, On: f.lab.On}
	switch p.Level {
	case Flag:
		p.Text = "eGFR below 30: prophylaxis with saline is indicated, unless on dialysis. A scan that is needed is not withheld for the kidneys alone."
	case Note:
		p.Text = "eGFR 30 to 44: prophylaxis only by the clinician's choice, in a patient at high risk."
	default:
		p.Text = "eGFR 45 or more and stable: nothing to do."
	}
	m.put(p)
}

// esur says what the European society advises for contrast medium by vein.
func (m *maker) esur(f *filtration) {
	p := Prompt{Kind: Kidney, Level: levelOf(f.rate), Source: esur10, Evidence: "MEM-H", Facts: f.facts, On: f.lab.On}
	switch p.Level {
	case Flag:
		p.Text = "eGFR below 30: at risk when contrast medium is given by vein; hydration."
	case Note:
		p.Text = "eGFR 30 to 44: at risk only when it is given into an artery that leads to the kidneys, or in intensive care."
	default:
		p.Text = "eGFR 45 or more: not at risk."
	}
	m.put(p)
}
