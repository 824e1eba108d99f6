package prompt

import (
	"fmt"
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

const aapm96 = "effective dose = k × DLP, adults: AAPM Report 96 (2008)"

// Factor is k of AAPM Report 96 for an adult, in ten-thousandths of a mSv for
// each mGy·cm, by the region that a CT shows; zero where the report has none
// (legs, arms, the head together with the trunk).
func Factor(t chart.Territory) int64 {
	const (
		chest = chart.Arch | chart.Chest | chart.Heart
		belly = chart.Abdomen | chart.Pelvis | chart.Renal | chart.Visceral
		neck  = chart.Neck | chart.Carotid
	)
	switch {
	case t == 0 || t&(chart.Legs|chart.Arm) != 0:
		return 0
	case t&(chest|belly) != 0 && t&(chart.Head|neck) != 0:
		return 0
	case t&belly != 0: // with or without the chest: k of the trunk is the same
		return 150
	case t&chest != 0:
		return 140
	case t&chart.Head != 0 && t&neck != 0:
		return 31
	case t&neck != 0:
		return 59
	}
	return 21
}

// Effective is the effective dose of a dose-length product, given in tenths of
// a mGy·cm, in hundred-thousandths of a mSv.
func Effective(tenths, factor int64) int64 { return tenths * factor }

// radiated sums what CTs gave.
type radiated struct {
	dose        int64 // hundred-thousandths of a mSv
	counted     int   // studies in it
	without     int   // CTs of which no dose was sent
	noFactor    int   // doses of a region that the report has no factor for
	unplaced    int   // doses of no CT that is known here
	facts       []string
	first, last day.Span
}

// radiation says the dose so far, with its uncertainty, and never a risk.
func (m *maker) radiation() {
	r := m.radiated()
	if r.counted+r.without+r.noFactor+r.unplaced == 0 {
		return
	}
	p := Prompt{Kind: Radiation, Level: Note, Source: aapm96, Evidence: "FOUND", Facts: r.facts, On: r.last}
	if r.counted == 0 {
		p.Level, p.Text = Unknown, "No dose can be estimated."
	} else {
		p.Text = fmt.Sprintf("About %s mSv so far, from %s between %s and %s; with an uncertainty of 40 %%: %s to %s mSv. An estimate for an average adult, not this patient's dose.",
			millisieverts(r.dose), count(r.counted, "CT"), r.first.Text(), r.last.Text(), millisieverts(r.dose*6/10), millisieverts(r.dose*14/10))
		if r.first == r.last {
			p.Text = fmt.Sprintf("About %s mSv so far, from %s on %s; with an uncertainty of 40 %%: %s to %s mSv. An estimate for an average adult, not this patient's dose.",
				millisieverts(r.dose), count(r.counted, "CT"), r.last.Text(), millisieverts(r.dose*6/10), millisieverts(r.dose*14/10))
		}
	}
	p.Text += r.left()
	m.put(p)
}

// left says what is not in the sum.
func (r *radiated) left() string {
	text := ""
	for _, part := range []struct {
		n         int
		one, many string
	}{{r.without, "CT without a dose", "CTs without a dose"}, {r.noFactor, "CT of a region for which the report has no factor", "CTs of regions for which the report has no factor"},
		{r.unplaced, "dose of a CT that is not known here", "doses of CTs that are not known here"}} {
		if part.n == 1 {
			text += " Not in it: 1 " + part.one + "."
		} else if part.n > 1 {
			text += fmt.Sprintf(" Not in it: %d %s.", part.n, part.many)
		}
	}
	return text
}

// radiated adds up, study by study.
func (m *maker) radiated() radiated {
	r := radiated{}
	used := make([]bool, len(m.c.Doses))
	for i := range m.c.Studies {
		s := &m.c.Studies[i]
		if s.Kind.Modality() != "ct" && s.Modality != "ct" || s.State != chart.StudyAvailable || s.NonImage || !m.there(s.On) {
			continue
		}
		dlp, facts := m.dlp(s, used)
		k := Factor(s.Covers)
		switch {
		case dlp == 0:
			r.without++
		case k == 0:
			r.noFactor++
		default:
			r.take(s, Effective(dlp, k), facts)
		}
	}
	var lost []string
	for i := range m.c.Doses {
		if d := &m.c.Doses[i]; !used[i] && m.there(d.On) {
			lost = append(lost, cmpOr(d.Study, d.Ref))
		}
	}
	slices.Sort(lost)
	r.unplaced = len(slices.Compact(lost))
	return r
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (r *radiated) take(s *chart.Study, dose int64, facts []string) {
	r.dose += dose
	r.counted++
	r.facts = append(r.facts, facts...)
	if s.On.Known() && (!r.first.Known() || s.On.Before(r.first)) {
		r.first = s.On
	}
	if r.last.Before(s.On) {
		r.last = s.On
	}
}

// dlp is the dose-length product of a study: its largest total, which two
// records of one study may repeat; without one the sum over its acquisitions.
func (m *maker) dlp(s *chart.Study, used []bool) (int64, []string) {
	var total, parts int64
	var ofTotal, ofParts []string
	for i := range m.c.Doses {
		d := &m.c.Doses[i]
		if d.Study == "" || d.Study != s.Ref && !slices.Contains(s.Also, d.Study) {
			continue
		}
		used[i] = true
		if !d.Total {
			parts += d.Tenths
			ofParts = append(ofParts, d.Ref)
		} else if d.Tenths > total {
			total, ofTotal = d.Tenths, []string{d.Ref}
		}
	}
	if total > 0 {
		return total, ofTotal
	}
	return parts, slices.Compact(ofParts)
}

// millisieverts writes a dose to a tenth.
func millisieverts(dose int64) string {
	tenths := (dose + 5000) / 10000
	return fmt.Sprintf("%d.%d", tenths/10, tenths%10)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
