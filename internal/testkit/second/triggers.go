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

// studyOf is the study that a finding was seen on; false where none is known.
func (p *patient) studyOf(f finding) (study, bool) {
	for _, s := range p.studies {
		if s.stated[f.Study] {
			return s, true
		}
	}
	return study{}, false
}

// seenOn is what caused a finding: the study, or the finding itself.
func (p *patient) seenOn(f finding) happening {
	if s, ok := p.studyOf(f); ok {
		return happening{s.id, s.at}
	}
	return happening{f.ID, f.at}
}

// abnormal tells whether a finding wants to be looked at by itself. A
// diameter does so only by growing.
func abnormal(f finding) bool { return f.What != "sac-diameter" && !saysNone(f) }

// saysNone tells whether a finding says that there is nothing.
func saysNone(f finding) bool { return has([]string{"none", "absent", "patent", "normal"}, f.Type) }
