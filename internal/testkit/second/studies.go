package second

import "sort"

// study is one imaging study after its statements have been put together.
type study struct {
	id          string
	ids         []string // every resource that spoke of it
	kind        string
	territories []string
	at          span
	onReport    bool
	refused     bool            // refused for everything
	accepted    bool            // accepted without naming a visit
	refusedFor  []VisitKey      // refused for these visits
	reports     []Report        // final family only
	stated      map[string]bool // ids as a set
}

// findStudies merges the statements about one study and drops what does not
// count. Studies come out by date, then id.
func (p *patient) findStudies() {
	for _, group := range sameStudies(p.chart.Studies) {
		one, ok := mergeStudies(group)
		switch {
		case !ok:
		case !one.at.known:
			p.ask("partial-date", one.id, one.at, true) // no date at all: counts nowhere
		case one.at.begun(p.asOf):
			p.studies = append(p.studies, one)
		}
	}
	p.toldTwice()
	sort.Slice(p.studies, func(i, j int) bool { return before(p.studies[i], p.studies[j]) })
	for i := range p.studies {
		p.ruleStudy(&p.studies[i])
		p.reportStudy(&p.studies[i])
	}
}

// unknownKinds asks about the studies that no rule recognised, from the first
// index day on: an earlier one can do nothing.
func (p *patient) unknownKinds() {
	first := forever
	for _, m := range p.implants {
		first = min(first, m.index.first)
	}
	for _, s := range p.studies {
		if s.kind == "" && !s.refused && s.at.last >= first {
			p.ask("study-kind", s.id, s.at, false)
		}
	}
}

// before orders studies: earlier, then the narrower date, then id.
func before(a, b study) bool {
	if a.at.first != b.at.first {
		return a.at.first < b.at.first
	}
	if a.at.last != b.at.last {
		return a.at.last < b.at.last
	}
	return a.id < b.id
}

// sameStudies groups statements with the same UID or (source, accession),
// directly or over a third one.
func sameStudies(all []Study) [][]Study {
	group := make([]int, len(all))
	for i := range all {
		group[i] = i
	}
	same := func(a, b Study) bool {
		return a.UID != "" && a.UID == b.UID ||
			a.Accession != "" && a.Accession == b.Accession && a.Source == b.Source
	}
	for changed := true; changed; {
		changed = false
		for i := range all {
			for j := range all {
				if same(all[i], all[j]) && group[i] != group[j] {
					low := min(group[i], group[j])
					group[i], group[j], changed = low, low, true
				}
			}
		}
	}
	var groups [][]Study
	for g := range all {
		var members []Study
		for i := range all {
			if group[i] == g {
				members = append(members, all[i])
			}
		}
		if members != nil {
			groups = append(groups, members)
		}
	}
	return groups
}

// retraction tells whether the statement takes the study back.
func retraction(s Study) bool { return s.Status == "cancelled" || s.Status == "entered-in-error" }

// mergeStudies makes one study of its statements; false where it does not count.
func mergeStudies(all []Study) (study, bool) {
	for _, r := range all {
		if !retraction(r) {
			continue
		}
		outdone := false
		for _, s := range all {
			if !retraction(s) && r.Updated != "" && s.Updated > r.Updated {
				outdone = true
			}
		}
		if !outdone {
			return study{}, false
		}
	}
	var newest *Study
	for i := range all {
		s := &all[i]
		if retraction(*s) {
			continue
		}
		if newest == nil || s.Updated > newest.Updated ||
			s.Updated == newest.Updated && tieBreak(*s, *newest) {
			newest = s
		}
	}
	if newest == nil || newest.Status != "available" {
		return study{}, false
	}
	made := study{kind: newest.Kind, territories: newest.Territories, onReport: true, stated: map[string]bool{}}
	first := true
	for _, s := range all {
		made.ids = append(made.ids, s.ID)
		made.stated[s.ID] = true
		if s.Status != "available" {
			continue
		}
		if !s.OnReport {
			made.onReport = false
		}
		this := study{id: s.ID, at: readSpan(s.Date)}
		if first || this.at.known && !made.at.known || this.at.known == made.at.known && before(this, made) {
			made.id, made.at, first = s.ID, this.at, false
		}
	}
	return made, true
}

// tieBreak: of two statements of the same moment the one that does not count
// wins, then the higher id.
func tieBreak(a, b Study) bool {
	if (a.Status == "available") != (b.Status == "available") {
		return a.Status != "available"
	}
	return a.ID > b.ID
}

// ruleStudy applies rulings that name no visit, the latest last.
func (p *patient) ruleStudy(s *study) {
	for _, r := range p.rulings {
		if !s.stated[r.About] {
			continue
		}
		general := r.Visit == VisitKey{}
		switch {
		case r.Kind == "accept" && general:
			s.accepted, s.refused = true, false
		case r.Kind == "accept":
			s.refused = false
			s.refusedFor = without(s.refusedFor, r.Visit)
		case r.Kind == "refuse" && general:
			s.refused, s.accepted = true, false
		case r.Kind == "refuse":
			s.refusedFor = append(s.refusedFor, r.Visit)
		}
	}
}

// without leaves one key out.
func without(keys []VisitKey, key VisitKey) []VisitKey {
	var left []VisitKey
	for _, k := range keys {
		if k != key {
			left = append(left, k)
		}
	}
	return left
}

// final tells whether a report closes the result loop.
func final(status string) bool {
	return has([]string{"final", "amended", "corrected", "appended"}, status)
}

// reportStudy collects the reports of the final family.
func (p *patient) reportStudy(s *study) {
	for _, r := range p.chart.Reports {
		if s.stated[r.Study] && final(r.Status) && begunText(r.Date, p.asOf) {
			s.reports = append(s.reports, r)
		}
	}
}

// reviewedOn is the latest day on which a person reviewed the study or one of
// its reports; false where nobody did.
func (p *patient) reviewedOn(s study) (day, bool) {
	latest, found := day(0), false
	for _, r := range p.rulings {
		if r.Kind != "reviewed" {
			continue
		}
		about := s.stated[r.About]
		for _, report := range s.reports {
			about = about || report.ID == r.About
		}
		if about && (!found || readSpan(r.Date).first > latest) {
			latest, found = readSpan(r.Date).first, true
		}
	}
	return latest, found
}

// unread lists the final reports that are newer than any review.
func (p *patient) unread(s study) []Report {
	reviewed, any := p.reviewedOn(s)
	var list []Report
	for _, r := range s.reports {
		if !any || readSpan(r.Date).first > reviewed {
			list = append(list, r)
		}
	}
	return list
}

// result is the state of the result loop of a study that did a visit.
func (p *patient) result(s study) string {
	if len(s.reports) == 0 {
		return "awaited"
	}
	if len(p.unread(s)) > 0 {
		return "reported"
	}
	return "reviewed"
}

// covers tells whether the territories cover the need, all of it or some.
func covers(territories, need []string, some bool) bool {
	if len(need) == 0 {
		return false
	}
	hits := 0
	for _, n := range need {
		if has(territories, n) {
			hits++
		}
	}
	return hits == len(need) || some && hits > 0
}

// meets tells whether one way of one kind is met by kind and territory.
func meets(kind string, territories []string, w Way, need []string) bool {
	return len(w.Kinds) == 1 && w.Kinds[0] == kind && covers(territories, need, w.Part)
}

// satisfies tells whether the study fits by kind and territory without a
// person (or a person has agreed already).
func (p *patient) satisfies(s study, ways []Way, need []string) bool {
	if s.refused || s.onReport && !p.o.AcceptReports && !s.accepted {
		return false
	}
	for _, w := range ways {
		if meets(s.kind, s.territories, w, need) && (!w.Accept || s.accepted) {
			return true
		}
	}
	return false
}

// wouldSatisfy tells whether it fits, or would once accepted, on its own or in
// a set with another study within 30 days.
func (p *patient) wouldSatisfy(s study, ways []Way, need []string) bool {
	if s.refused {
		return false
	}
	for _, w := range ways {
		if meets(s.kind, s.territories, w, need) {
			return true
		}
		if len(w.Kinds) == 2 && p.partner(s, w, need) != nil {
			return true
		}
	}
	return false
}

// partner finds the other half of a set: the nearest to it, both covering.
func (p *patient) partner(s study, w Way, need []string) *study {
	if !has(w.Kinds, s.kind) || !covers(s.territories, need, false) {
		return nil
	}
	other := w.Kinds[0]
	if s.kind == other {
		other = w.Kinds[1]
	}
	var best *study
	for i := range p.studies {
		t := &p.studies[i]
		if t.kind != other || t.refused || !covers(t.territories, need, false) || gap(s.at, t.at) > 30 {
			continue
		}
		if best == nil || gap(s.at, t.at) < gap(s.at, best.at) {
			best = t
		}
	}
	return best
}

// gap is the largest number of days that can lie between the two.
func gap(a, b span) day { return max(a.last-b.first, b.last-a.first) }

// sameDay makes the events of several studies: those of one kind and one full
// date, whose territories count together.
func (p *patient) sameDay() [][]study {
	var events [][]study
	for i, s := range p.studies {
		var members []study
		for j, t := range p.studies {
			if t.kind != s.kind || t.kind == "" || t.at != s.at || !s.at.exact() {
				continue
			}
			if j < i {
				members = nil // already made from its first member
				break
			}
			members = append(members, t)
		}
		if len(members) > 1 {
			events = append(events, members)
		}
	}
	return events
}
