package chart

import (
	"cmp"
	"slices"
	"strings"
)

// mergeStudies makes one study of all statements about it: the same study
// UID, or the same accession number of the same source.
func (a *assembly) mergeStudies() {
	all := a.c.Studies // by reference, as the statements are
	if len(a.gone) > 0 {
		all = append(all, a.gone...)
		slices.SortStableFunc(all, func(x, y Study) int { return strings.Compare(x.Ref, y.Ref) })
	}
	a.told = all
	if len(all) <= fewStudies && !anySame(all) {
		a.c.Studies = plainStudies(all)
		return
	}
	var images, others []Study
	for _, s := range all {
		if s.ReportOnly {
			others = append(others, s)
		} else {
			images = append(images, s)
		}
	}
	a.c.Studies = a.c.Studies[:0:0]
	for _, group := range sameStudies(images) {
		if s, ok := oneStudy(group); ok {
			a.c.Studies = append(a.c.Studies, s)
		}
	}
	for _, s := range others {
		if s.State == StudyAvailable {
			a.c.Studies = append(a.c.Studies, s)
		}
	}
}

// fewStudies is up to how many are compared with one another; more are looked
// up by their keys.
const fewStudies = 24

// anySame says whether two statements share a UID or an accession number.
func anySame(list []Study) bool {
	for i := range list {
		s := &list[i]
		for j := range list[:i] {
			t := &list[j]
			if s.UID != "" && s.UID == t.UID || s.Accession != "" && s.Accession == t.Accession {
				return true
			}
		}
	}
	return false
}

// plainStudies are the studies of statements that have nothing in common: those
// with images first.
func plainStudies(all []Study) []Study {
	reported, gone := false, false
	for i := range all {
		reported = reported || all[i].ReportOnly
		gone = gone || all[i].State == StudyRetracted
	}
	if !reported && !gone {
		return all
	}
	list := roomFor[Study](len(all))
	for i := range all {
		if s := &all[i]; !s.ReportOnly && s.State != StudyRetracted {
			list = append(list, *s)
		}
	}
	for i := range all {
		if s := &all[i]; s.ReportOnly && s.State == StudyAvailable {
			list = append(list, *s)
		}
	}
	return list
}

// sameStudies groups statements that share a UID or an accession number,
// directly or through one another.
func sameStudies(list []Study) [][]Study {
	if len(list) < 2 {
		if len(list) == 0 {
			return nil
		}
		return [][]Study{list}
	}
	group := make([]int, len(list))
	first := make(map[string]int, 2*len(list))
	find := func(i int) int {
		for group[i] != i {
			i = group[i]
		}
		return i
	}
	for i := range list {
		group[i] = i
		for _, key := range [2]string{"u" + list[i].UID, "a" + list[i].Accession} {
			if len(key) == 1 {
				continue
			}
			if j, ok := first[key]; ok {
				group[find(i)] = find(j)
			} else {
				first[key] = i
			}
		}
	}
	groups := make([][]Study, 0, len(list))
	at := make(map[int]int, len(list))
	for i := range list {
		root := find(i)
		k, ok := at[root]
		if !ok {
			k = len(groups)
			at[root] = k
			groups = append(groups, nil)
		}
		groups[k] = append(groups[k], list[i])
	}
	return groups
}

// oneStudy settles what several statements say of one study. A retraction
// without a date, or not older than all others, wins. Else the newest gives
// state, kind and territory (at equal age a mere order beats images), and the
// earliest available date is the study's, and names it.
func oneStudy(group []Study) (Study, bool) {
	if len(group) == 1 {
		return group[0], group[0].State != StudyRetracted
	}
	var newest, earliest *Study
	var retracted *Study
	for i := range group {
		s := &group[i]
		if s.State == StudyRetracted {
			if retracted == nil || s.Updated == 0 || retracted.Updated != 0 && s.Updated > retracted.Updated {
				retracted = s
			}
			continue
		}
		if newest == nil || s.Updated > newest.Updated || s.Updated == newest.Updated && s.State >= newest.State {
			newest = s
		}
		if s.State == StudyAvailable && (earliest == nil || s.On.Known() && (!earliest.On.Known() || s.On.Before(earliest.On))) {
			earliest = s
		}
	}
	if newest == nil || retracted != nil && (retracted.Updated == 0 || retracted.Updated >= newest.Updated) {
		return Study{}, false
	}
	out := *newest
	if earliest != nil {
		out.Source, out.On, out.Minute = earliest.Source, earliest.On, earliest.Minute
	}
	for i := range group {
		if out.Unrecognised && !group[i].Unrecognised && group[i].State == StudyAvailable {
			out.Kind, out.Covers, out.NeverCounts, out.Unrecognised, out.How = group[i].Kind, group[i].Covers, group[i].NeverCounts, false, group[i].How
		}
		if group[i].Ref != out.Ref {
			out.Also = append(out.Also, group[i].Ref)
		}
		out.Also = append(out.Also, group[i].Also...)
	}
	return out, true
}

// tieReports ties a report that names no study to the one study that it must
// be about: the same accession number or order, else the only imaging of its
// kind on its day.
func (a *assembly) tieReports() {
	for i := range a.c.Reports {
		r := &a.c.Reports[i]
		if slices.ContainsFunc(r.Studies, func(ref string) bool { return a.image(ref) != nil }) {
			continue
		}
		if s := a.onlyStudy(r); s != nil {
			r.Studies = append(slices.Clip(r.Studies), s.Ref)
		}
	}
}

// image is the study with images that a reference means.
func (a *assembly) image(ref string) *Study {
	for i := range a.c.Studies {
		s := &a.c.Studies[i]
		if !s.ReportOnly && (s.Ref == ref || slices.Contains(s.Also, ref)) {
			return s
		}
	}
	return nil
}

func (a *assembly) onlyStudy(r *Report) *Study {
	var found *Study
	n := 0
	for i := range a.c.Studies {
		s := &a.c.Studies[i]
		if s.ReportOnly || s.NonImage {
			continue
		}
		if r.Accession != "" && r.Accession == s.Accession || slices.ContainsFunc(r.Orders, func(o string) bool { return slices.Contains(s.Orders, o) }) {
			return s
		}
		if s.State == StudyAvailable && r.On.Exact() && r.On == s.On && r.Kind != KindUnknown && r.Kind == s.Kind && (r.Covers == 0 || r.Covers&s.Covers != 0) {
			found, n = s, n+1
		}
	}
	if n == 1 {
		return found
	}
	return nil
}

// dropReported leaves out studies known from a report where the images are
// known too: the same UID, accession number or order, or a report that is
// tied to images. What people ruled about such a study holds for the images.
func (a *assembly) dropReported() {
	if !slices.ContainsFunc(a.c.Studies, func(s Study) bool { return s.ReportOnly }) {
		return
	}
	a.c.Studies = slices.DeleteFunc(slices.Clone(a.c.Studies), func(s Study) bool {
		return s.ReportOnly && slices.ContainsFunc(a.c.Reports, func(r Report) bool { return r.Ref == s.Ref && r.State == ReportGone })
	})
	left := make([]Study, 0, len(a.c.Studies))
	stays := map[string]string{} // for a study that goes, the one that stays
	told := map[string][]string{}
	for i := range a.c.Studies { // images first, then by reference
		s := &a.c.Studies[i]
		t := a.known(s)
		if t == nil {
			left = append(left, *s)
			continue
		}
		stays[s.Ref] = cmp.Or(stays[t.Ref], t.Ref)
		told[stays[s.Ref]] = append(told[stays[s.Ref]], s.Ref)
	}
	for i := range left {
		left[i].Accepted = left[i].Accepted || a.o.Accept && left[i].ReportOnly
		left[i].Also = append(slices.Clip(left[i].Also), told[left[i].Ref]...)
	}
	a.c.Studies = left
}

// known is the study that a study on report only tells of once more: the
// images that its report is tied to, or a study that is plainly the same.
func (a *assembly) known(s *Study) *Study {
	if !s.ReportOnly {
		return nil
	}
	for i := range a.c.Reports {
		if r := &a.c.Reports[i]; r.Ref == s.Ref {
			for _, ref := range r.Studies {
				if t := a.image(ref); t != nil {
					return t
				}
			}
		}
	}
	for i := range a.c.Studies {
		if t := &a.c.Studies[i]; t.Ref != s.Ref && !t.NonImage && !(t.ReportOnly && t.Ref > s.Ref) && sameReported(s, t) {
			return t
		}
	}
	return nil
}

// sameReported says whether a study on report only is the same as another:
// the same UID, accession number or order, or the same kind and place on one
// day, where that study took place.
func sameReported(s, t *Study) bool {
	if s.UID != "" && s.UID == t.UID || s.Accession != "" && s.Accession == t.Accession {
		return true
	}
	if slices.ContainsFunc(s.Orders, func(o string) bool { return slices.Contains(t.Orders, o) }) {
		return true
	}
	return t.State == StudyAvailable && s.On.Exact() && s.On == t.On && s.Kind == t.Kind && s.Kind != KindUnknown && (s.Covers == t.Covers || s.Covers == 0)
}

// tieFindings ties a finding to the study of the report that carries it, and
// says by which modality and method it was measured.
func (a *assembly) tieFindings() {
	for i := range a.c.Findings {
		f := &a.c.Findings[i]
		if f.Study == "" {
			f.Study = a.studyOfFinding(f)
		}
		modality := ""
		for j := range a.told {
			if s := &a.told[j]; s.Ref == f.Study && s.Ref != "" {
				f.Covers = s.Covers
			}
		}
		for j := range a.c.Studies {
			if s := &a.c.Studies[j]; f.Study != "" && (s.Ref == f.Study || slices.Contains(s.Also, f.Study)) {
				modality = s.Kind.Modality()
				if !f.On.Known() {
					f.On = s.On
				}
			}
		}
		if !strings.Contains(f.Method, "/") {
			f.Method = modality + "/" + f.Method
		}
	}
}

func (a *assembly) studyOfFinding(f *Finding) string {
	for i := range a.c.Reports {
		r := &a.c.Reports[i]
		if r.Ref != f.Report && r.Ref != f.Ref && !slices.Contains(r.Results, f.Ref) {
			continue
		}
		f.Report = r.Ref
		for _, ref := range r.Studies {
			if s := a.image(ref); s != nil {
				return s.Ref
			}
		}
		return r.Ref // a study on report only carries the reference of its report
	}
	return ""
}
