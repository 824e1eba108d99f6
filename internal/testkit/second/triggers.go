package second

import "sort"

// finding is a coded finding that exists on the day.
type finding struct {
	Finding
	at span
}

// on tells whether the finding was seen on one of the studies: it names one
// of their resources, or names none and has the same full date.
func (f finding) on(members []study) bool {
	for _, s := range members {
		if s.stated[f.Study] || f.Study == "" && f.at == s.at && f.at.exact() {
			return true
		}
	}
	return false
}

// findingsOf lists the findings of an implant, oldest first: from its index
// day to its explant, seen on a study of its territory or on none.
func (p *patient) findingsOf(m *implant) []finding {
	protocol := m.now().protocol
	var list []finding
	if protocol == nil || !m.index.known {
		return nil
	}
	for _, f := range p.chart.Findings {
		at := readSpan(f.Date)
		if f.Status == "entered-in-error" || !at.known || !at.begun(p.asOf) {
			continue
		}
		if at.last < m.index.first || m.explanted.known && at.first > m.explanted.first {
			continue
		}
		if p.elsewhere(f.Study, protocol.need()) {
			continue
		}
		list = append(list, finding{f, at})
	}
	sort.SliceStable(list, func(i, j int) bool {
		if list[i].at.first != list[j].at.first {
			return list[i].at.first < list[j].at.first
		}
		return list[i].ID < list[j].ID
	})
	return list
}

// elsewhere tells whether the study is known to show another territory.
func (p *patient) elsewhere(id string, need []string) bool {
	for _, s := range p.chart.Studies {
		if s.ID == id {
			return !covers(s.Territories, need, true)
		}
	}
	return false
}

// seenOn is what caused a finding: the study, or the finding itself.
func (p *patient) seenOn(f finding) happening {
	for _, s := range p.studies {
		if s.stated[f.Study] {
			return happening{s.id, s.at}
		}
	}
	return happening{f.ID, f.at}
}

// fired lists the findings of an implant that meet a trigger's condition.
func (p *patient) fired(m *implant, t Trigger) []finding {
	var list []finding
	all := p.findingsOf(m)
	for _, f := range all {
		if t.Modality != "" && f.Modality != t.Modality {
			continue
		}
		hit := false
		switch {
		case t.Endoleak != nil:
			hit = f.What == "endoleak" && has(t.Endoleak, f.Type)
		case t.Migration > 0:
			hit = f.What == "migration" && f.TenthsMM >= t.Migration
		case t.Growth > 0:
			hit = grew(m, all, f, true, t.Growth)
		case t.Confirm > 0:
			hit = grew(m, all, f, false, t.Confirm)
		}
		if hit {
			list = append(list, f)
		}
	}
	return list
}

// grew tells whether a sac diameter is larger by the threshold than the first
// or the smallest earlier one. same compares within the modality; otherwise
// only across, and only where the modality has no earlier value of its own.
func grew(m *implant, all []finding, f finding, same bool, threshold int) bool {
	if f.What != "sac-diameter" {
		return false
	}
	own, grown := false, false
	for _, e := range all {
		if e.What != "sac-diameter" || e.at.last >= f.at.first || e.at.first <= m.index.last {
			continue
		}
		if e.Modality == f.Modality {
			own = true
		}
		// Larger than any earlier value by the threshold is the same as
		// larger than the smallest of them.
		if (e.Modality == f.Modality) == same && f.TenthsMM-e.TenthsMM >= threshold {
			grown = true
		}
	}
	return grown && (same || !own)
}

// abnormal tells whether a finding wants to be looked at by itself. A
// diameter does so only by growing.
func abnormal(f finding) bool {
	return f.What != "sac-diameter" && f.Type != "none"
}
