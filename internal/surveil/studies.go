package surveil

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// study is an imaging event that exists on the as-of date, with what people
// ruled about it.
type study struct {
	*chart.Study
	parts      []*study // of an event made of several studies
	accepted   bool
	refused    bool
	refusedFor []string // visit keys
	acceptedBy string   // id of the ruling
	reports    []*chart.Report
	reviewed   day.Day // latest review by a person; zero: none
}

// names says whether the reference means this study.
func (s *study) names(ref string) bool {
	return ref != "" && (s.Ref == ref || slices.Contains(s.Also, ref))
}

// refusedForVisit says whether a person refused the study, or a part of it,
// for a visit.
func (s *study) refusedForVisit(v *visit) bool {
	if len(s.refusedFor) > 0 && slices.Contains(s.refusedFor, v.key()) {
		return true
	}
	return slices.ContainsFunc(s.parts, func(p *study) bool { return p != s && p.refusedForVisit(v) })
}

// findStudies collects the studies that may count, and asks about those that
// nobody can place.
func (e *engine) findStudies() {
	room := make([]study, 0, len(e.c.Studies))
	e.studies = make([]*study, 0, len(e.c.Studies))
	for i := range e.c.Studies {
		s := &e.c.Studies[i]
		if s.State != chart.StudyAvailable || s.NonImage {
			continue
		}
		if !s.On.Known() {
			e.ask(Question{Kind: "partial-date", About: s.Ref, Hides: true, Why: Reason{Rule: "study-without-date", Facts: []string{s.Ref}}})
			continue
		}
		if e.exists(s.On) {
			room = append(room, study{Study: s, accepted: s.Accepted})
			e.studies = append(e.studies, &room[len(room)-1])
		}
	}
	if len(e.rulings) > 0 || len(e.c.Reports) > 0 {
		for _, s := range e.studies {
			e.ruleStudy(s)
			e.reportStudy(s)
		}
	}
}

// ruleStudy applies the rulings about a study, the latest last.
func (e *engine) ruleStudy(s *study) {
	for i := range e.rulings {
		r := &e.rulings[i]
		if !s.names(r.About) {
			continue
		}
		switch r.Kind {
		case chart.RuleAccept:
			s.refused = false
			if r.Visit == "" {
				s.accepted, s.acceptedBy = true, r.ID
			}
			s.refusedFor = slices.DeleteFunc(s.refusedFor, func(v string) bool { return v == r.Visit })
		case chart.RuleRefuse:
			if r.Visit == "" {
				s.refused, s.accepted = true, false
			} else {
				s.refusedFor = append(s.refusedFor, r.Visit)
			}
		case chart.RuleReviewed:
			s.reviewed = max(s.reviewed, r.From())
		}
	}
}

// reportStudy ties the final reports to a study, and finds its latest review.
func (e *engine) reportStudy(s *study) {
	for i := range e.c.Reports {
		p := &e.c.Reports[i]
		if p.State != chart.ReportFinal || !slices.ContainsFunc(p.Studies, s.names) && p.Ref != s.Ref {
			continue
		}
		if p.Issued.Known() && !e.reached(p.Issued.First) {
			continue
		}
		s.reports = append(s.reports, p)
		for j := range e.rulings {
			if r := &e.rulings[j]; r.Kind == chart.RuleReviewed && r.About == p.Ref {
				s.reviewed = max(s.reviewed, r.From())
			}
		}
	}
	for i := range e.c.WorkStates {
		w := &e.c.WorkStates[i]
		about := strings.HasSuffix(w.Key, "|"+WorkReview+"|"+s.Ref)
		if about && w.Person && w.Status == "completed" && e.exists(w.On) {
			s.reviewed = max(s.reviewed, w.On.First)
		}
	}
}

// unread are the final reports that are newer than any review.
func (s *study) unread() []*chart.Report {
	var list []*chart.Report
	for _, p := range s.reports {
		if s.reviewed == 0 || p.Issued.First > s.reviewed {
			list = append(list, p)
		}
	}
	return list
}

// result is where the result loop of a study stands; of several studies, of
// the one that is least far.
func (s *study) result() string {
	for _, state := range [2]string{"awaited", "reported"} {
		if slices.ContainsFunc(s.parts, func(p *study) bool { return p != s && p.result() == state }) {
			return state
		}
	}
	switch {
	case len(s.parts) > 0:
		return "reviewed"
	case len(s.reports) == 0:
		return "awaited"
	case len(s.unread()) > 0:
		return "reported"
	}
	return "reviewed"
}

// fit is how well a study fits a way to satisfy a visit.
type fit uint8

const (
	fitNot    fit = iota
	fitAccept     // once a person accepts it
	fitFull
)

// does says whether a study fits a visit without a person's word.
func (e *engine) does(s *study, v *visit) bool {
	return e.fits(s, v.ways, v.need) == fitFull && !s.refusedForVisit(v)
}

// fits says how a study fits the ways and the territory by itself.
func (e *engine) fits(s *study, ways []protocol.Way, need chart.Territory) fit {
	if s.refused || s.Unrecognised || s.NeverCounts {
		return fitNot
	}
	best := kindFits(s.Kind, s.Covers, ways, need)
	if best == fitNot {
		return fitNot
	}
	if s.accepted {
		return fitFull
	}
	if s.ReportOnly && !e.r.Settings.AcceptReports {
		return fitAccept
	}
	return best
}

// kindFits says how a kind of imaging of a territory fits. Imaging of part of
// the territory, or of a place not stated, fits once accepted where it is CT
// or where the way asks for acceptance anyway.
func kindFits(k chart.Kind, covers chart.Territory, ways []protocol.Way, need chart.Territory) fit {
	best := fitNot
	for i := range ways {
		w := &ways[i]
		if len(w.With) > 0 || !slices.Contains(w.Kinds, k) {
			continue
		}
		switch {
		case covers.Has(need) && !w.Acceptance:
			return fitFull
		case covers.Has(need):
			best = fitAccept
		case covers == 0 || covers&need != 0 && partCounts(k):
			best = fitAccept
		}
	}
	return best
}

// partCounts says whether imaging of part of the territory can be accepted.
func partCounts(k chart.Kind) bool { return k == chart.CTAngiogram || k == chart.CTPlain }

// partner finds a study that makes a set with s for one of the ways.
func (e *engine) partner(s *study, ways []protocol.Way, need chart.Territory, ok func(*study) bool) *study {
	if s.refused || !s.Covers.Has(need) {
		return nil
	}
	for i := range ways {
		w := &ways[i]
		if len(w.With) == 0 {
			continue
		}
		first, second := slices.Contains(w.Kinds, s.Kind), slices.Contains(w.With, s.Kind)
		for _, t := range e.studies {
			match := first && slices.Contains(w.With, t.Kind) || second && slices.Contains(w.Kinds, t.Kind)
			if match && t != s && !t.refused && t.Covers.Has(need) && farthest(s.On, t.On) <= w.Within && ok(t) {
				return t
			}
		}
	}
	return nil
}

// farthest is the largest number of days that may lie between two dates.
func farthest(a, b day.Span) int { return int(max(a.Last-b.First, b.Last-a.First)) }

// events makes the events of several studies of one kind within 24 hours
// (one date, where only dates are known), for a need that none covers alone.
func (e *engine) events(need chart.Territory) []*study {
	var made []*study
	for i, s := range e.studies {
		if !e.usablePart(s, need) {
			continue
		}
		event := &study{Study: s.Study, parts: []*study{s}, accepted: s.accepted}
		covers, last := s.Covers, s.On
		for _, t := range e.studies[i+1:] {
			if e.usablePart(t, need) && t.Kind == s.Kind && oneEvent(s.Study, t.Study) {
				event.parts = append(event.parts, t)
				covers, last = covers|t.Covers, t.On
				event.accepted = event.accepted && t.accepted
			}
		}
		if len(event.parts) < 2 || !covers.Has(need) {
			continue
		}
		copied := *s.Study
		copied.Covers, copied.On = covers, day.Span{First: s.On.First, Last: last.Last}
		event.Study = &copied
		made = append(made, event)
	}
	return made
}

// doneAlone says whether a single study of an event's hours does a visit: then
// the event does not, and one day of imaging never does two visits.
func (e *engine) doneAlone(event *study, v *visit) bool {
	return slices.ContainsFunc(e.studies, func(s *study) bool {
		within := slices.ContainsFunc(event.parts, func(p *study) bool { return p == s || oneEvent(p.Study, s.Study) || oneEvent(s.Study, p.Study) })
		return within && s.Kind == event.Kind && e.does(s, v)
	})
}

// usablePart says whether a study can be part of an event for a need.
func (e *engine) usablePart(s *study, need chart.Territory) bool {
	return !s.refused && (!s.ReportOnly || s.accepted || e.r.Settings.AcceptReports) && !s.Unrecognised && !s.NeverCounts && s.On.Exact() && s.Covers&need != 0 && !s.Covers.Has(need) && len(s.parts) == 0
}

// oneEvent says whether two studies lie within 24 hours; where only dates are
// known, on one date. The first is the earlier.
func oneEvent(a, b *chart.Study) bool {
	if a.Minute == day.NoMinute || b.Minute == day.NoMinute {
		return a.On == b.On
	}
	minutes := int(b.On.First-a.On.First)*24*60 + b.Minute - a.Minute
	return minutes >= 0 && minutes <= 24*60 || a.On == b.On
}
