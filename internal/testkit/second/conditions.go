package second

import "strings"

// sight is what conditions are asked about: the findings of an implant, and
// its visits as far as they are known.
type sight struct {
	p        *patient
	implant  *implant
	findings []finding
	visits   []*visit
}

// sightOf collects the findings of an implant beside its visits.
func (p *patient) sightOf(m *implant, visits []*visit) sight {
	return sight{p, m, p.findingsOf(m), visits}
}

// fired lists the findings that meet a condition.
func (s sight) fired(c Condition) []finding {
	var list []finding
	for _, f := range s.findings {
		if s.meets(f, c) {
			list = append(list, f)
		}
	}
	return list
}

// meets tells whether every part of a condition holds of a finding.
func (s sight) meets(f finding, c Condition) bool {
	for _, one := range c.Any {
		if s.meets(f, one) {
			return true
		}
	}
	switch {
	case c.What == "" && c.Growth == 0: // asks for no finding
	case c.What != "" && f.What != c.What, !f.isOf(c):
	case c.Growth > 0 && !s.grew(f, c):
	case c.Of != nil && !has(c.Of, f.measure()):
	case c.Seen != nil && !s.seenAs(f, c.Seen):
	case !s.p.personIs(c):
	case c.NotFirst && s.onFirstScan(f):
	case c.With != nil && !s.beside(f, *c.With):
	default:
		return true
	}
	return false
}

// isOf tells whether type and length are as asked. Where neither is asked for
// (nor growth), the finding must be abnormal.
func (f finding) isOf(c Condition) bool {
	switch {
	case c.AtLeast > 0 && f.TenthsMM < c.AtLeast:
		return false
	case c.Below > 0 && (f.TenthsMM == 0 || f.TenthsMM >= c.Below):
		return false
	case c.Types != nil:
		return has(c.Types, f.Type)
	}
	return c.AtLeast > 0 || c.Below > 0 || c.Growth > 0 || abnormal(f)
}

// measure is which diameter it is; that of the sac where nobody says.
func (f finding) measure() string {
	word, _, _ := strings.Cut(f.Measure, " ")
	if word == "" {
		return "sac"
	}
	return word
}

// method is how a diameter was taken: by which modality, where and how.
func (f finding) method() string { return f.Modality + "/" + f.Measure }

// grew tells whether a diameter is larger by the threshold than an earlier
// one since the index: of its own method, or across methods, which is asked
// only where the own method has no earlier value.
func (s sight) grew(f finding, c Condition) bool {
	if f.What != "sac-diameter" || f.TenthsMM == 0 {
		return false
	}
	own, grown := false, false
	for _, e := range s.findings {
		if e.What != "sac-diameter" || e.TenthsMM == 0 || e.at.last >= f.at.first || e.at.first <= s.implant.index.last {
			continue
		}
		same := e.method() == f.method()
		own = own || same
		// Larger than any earlier value by the threshold is the same as
		// larger than the smallest of them.
		if same != c.Across && e.measure() == f.measure() && f.TenthsMM-e.TenthsMM >= c.Growth {
			grown = true
		}
	}
	return grown && !(c.Across && own)
}

// seenAs tells whether the finding was seen on a study of one of the kinds; of
// a finding that no known study shows its modality tells.
func (s sight) seenAs(f finding, kinds []string) bool {
	if study, ok := s.p.studyOf(f); ok {
		return has(kinds, study.kind)
	}
	for _, kind := range kinds {
		if f.Modality != "" && modalityOf(kind) == f.Modality {
			return true
		}
	}
	return false
}

// modalityOf is the modality of a kind of study, "" for other kinds.
func modalityOf(kind string) string {
	switch kind {
	case cta, ctContrast, ctPlain, ctUnknown:
		return "ct"
	case mra, "mr":
		return "mr"
	case duplex, duplexLimited:
		return "duplex"
	}
	return ""
}

// personIs tells whether the patient is as the condition asks. A sex that is
// not known to be the other one holds.
func (p *patient) personIs(c Condition) bool {
	if c.Sex == "female" && p.chart.Sex == "male" || c.Sex == "male" && p.chart.Sex == "female" {
		return false
	}
	return c.If == "" || p.diagnosed(c.If)
}

// diagnosed tells whether the patient has a condition, on the as-of date.
func (p *patient) diagnosed(what string) bool {
	for _, d := range p.chart.Diagnoses {
		if d.What == what && d.Status != "entered-in-error" && begunText(d.Date, p.asOf) {
			return true
		}
	}
	return false
}

// onFirstScan tells whether a finding was seen on what did the baseline visit
// of the clock on which it lies.
func (s sight) onFirstScan(f finding) bool {
	clock := s.implant.clockAt(s.p.seenOn(f).at)
	for _, v := range s.visits {
		if v.clock == clock && v.baseline && v.done && f.on(v.members) {
			return true
		}
	}
	return false
}

// beside tells whether another finding on the same scan meets a condition.
func (s sight) beside(f finding, c Condition) bool {
	for _, other := range s.findings {
		if other.ID != f.ID && s.p.sameScan(f, other) && s.meets(other, c) {
			return true
		}
	}
	return false
}

// sameScan tells whether two findings were seen on one study, known or not;
// where neither names a study, one full date must do.
func (p *patient) sameScan(a, b finding) bool {
	if a.Study == "" && b.Study == "" {
		return a.at == b.at && a.at.exact()
	}
	if a.Study == b.Study {
		return true
	}
	s, known := p.studyOf(a)
	t, too := p.studyOf(b)
	return known && too && s.id == t.id
}
