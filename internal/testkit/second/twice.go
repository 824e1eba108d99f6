package second

import "sort"

// toldTwice makes one study of images and of the reports that tell of the same
// imaging without naming it (README 43). What people ruled about either holds
// for both. Those with images come first, then the order of ids.
func (p *patient) toldTwice() {
	var left []study
	for _, s := range imagesFirst(p.studies) {
		t := p.sameImaging(s, left)
		if t == nil {
			left = append(left, s)
			continue
		}
		t.ids = append(t.ids, s.ids...)
		for _, id := range s.ids {
			t.stated[id] = true
		}
	}
	p.studies = left
}

// imagesFirst puts the studies with images before those on report only, each
// in order of date and id.
func imagesFirst(all []study) []study {
	sort.Slice(all, func(i, j int) bool {
		if all[i].onReport != all[j].onReport {
			return all[j].onReport
		}
		return before(all[i], all[j])
	})
	return all
}

// sameImaging finds the study that a study on report only tells of again: the
// only one with images of its kind and date that shares a territory, where a
// report says so; else the first of its kind, date and territories.
func (p *patient) sameImaging(s study, all []study) *study {
	if !s.onReport || !s.at.exact() || s.kind == "" {
		return nil
	}
	var equal, sharing []*study
	for i := range all {
		t := &all[i]
		if t.kind != s.kind || t.at != s.at {
			continue
		}
		if covers(t.territories, s.territories, false) && covers(s.territories, t.territories, false) {
			equal = append(equal, t)
		}
		if !t.onReport && covers(t.territories, s.territories, true) {
			sharing = append(sharing, t)
		}
	}
	switch {
	case len(sharing) == 1 && p.reported(s):
		return sharing[0]
	case len(equal) > 0:
		return equal[0]
	}
	return nil
}

// reported tells whether a report tells of the study.
func (p *patient) reported(s study) bool {
	for _, r := range p.chart.Reports {
		if s.stated[r.Study] {
			return true
		}
	}
	return false
}
