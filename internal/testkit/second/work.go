package second

import "sort"

// work lists the items that should exist on the day.
func (p *patient) work(results []*result, followUp string) []WorkItem {
	var list []WorkItem
	for _, r := range results {
		if r.state == "active" {
			list = append(list, p.visitWork(r)...)
			list = append(list, p.outsideWork(r)...)
			list = append(list, p.kidneyWork(r)...)
		}
	}
	if rungOf(followUp) >= rungOf("presumed-lost") {
		list = append(list, p.traceWork(results))
	}
	list = append(list, p.reportWork(results)...)
	list = append(list, p.reviewWork(results)...)
	list = append(list, p.questionWork()...)
	sort.SliceStable(list, func(i, j int) bool { return workBefore(list[i], list[j]) })
	return list
}

// workBefore orders by the parts of the key.
func workBefore(a, b WorkItem) bool {
	for _, pair := range [][2]string{{a.Kind, b.Kind}, {a.Implant, b.Implant}} {
		if pair[0] != pair[1] {
			return pair[0] < pair[1]
		}
	}
	if a.Clock != b.Clock {
		return a.Clock < b.Clock
	}
	if a.Step != b.Step {
		return a.Step < b.Step
	}
	if a.N != b.N {
		return a.N < b.N
	}
	return a.About < b.About
}

// visitWork is arrange-imaging and chase-overdue.
func (p *patient) visitWork(r *result) []WorkItem {
	var list []WorkItem
	withheld := p.withheld(r)
	for _, v := range r.visits {
		item := WorkItem{Implant: r.implant.id, Clock: v.clock.number, Step: v.step, N: v.n}
		lead := v.target.first - day(p.o.LeadDays)
		switch {
		case v.standing == "overdue":
			item.Kind, item.Urgency = "chase-overdue", "asap"
			if v.trigger {
				item.Urgency = "urgent"
			}
			item.From, item.By = (v.closes.last + 1).String(), v.last.String()
			list = append(list, item)
		case v.standing == "open", v.standing == "upcoming" && p.asOf >= lead:
			item.Kind, item.Urgency = "arrange-imaging", "routine"
			if p.asOf >= v.closes.last-30 {
				item.Urgency = "asap"
			}
			if withheld && !v.trigger && item.Urgency == "routine" {
				continue
			}
			item.From, item.By = max(v.opens.first, lead).String(), v.closes.last.String()
			list = append(list, item)
		}
	}
	return list
}

// withheld tells whether a trigger's open review holds routine imaging back:
// until the review, a re-intervention, or 30 days.
func (p *patient) withheld(r *result) bool {
	for _, t := range r.implant.now().protocol.Triggers {
		if !t.Withhold {
			continue
		}
		for _, f := range p.sightOf(r.implant, r.visits).fired(t.When) {
			open := !p.reviewedFinding(f) && p.asOf < f.at.first+30
			for _, op := range r.implant.operations {
				if op.first >= f.at.first && op != r.implant.index {
					open = false
				}
			}
			if open {
				return true
			}
		}
	}
	return false
}

// reviewedFinding tells whether a person reviewed the study, its report or the
// finding on or after the finding's date.
func (p *patient) reviewedFinding(f finding) bool {
	for _, s := range p.studies {
		if s.stated[f.Study] {
			if on, any := p.reviewedOn(s); any && on >= f.at.first && len(p.unread(s)) == 0 {
				return true
			}
		}
	}
	for _, r := range p.rulings {
		if r.Kind == "reviewed" && r.About == f.ID && readSpan(r.Date).first >= f.at.first {
			return true
		}
	}
	return false
}

// outsideWork asks for the images of studies on report only.
func (p *patient) outsideWork(r *result) []WorkItem {
	var list []WorkItem
	for _, v := range r.visits {
		if !has([]string{"overdue", "booked", "open"}, v.standing) {
			continue
		}
		for _, s := range p.waitingFor(r, v) {
			if !s.onReport {
				continue
			}
			from := s.at.first
			for i, report := range s.reports {
				if at := readSpan(report.Date); at.known && (i == 0 || at.first < from) {
					from = at.first
				}
			}
			list = append(list, WorkItem{Kind: "obtain-outside-study", Implant: r.implant.id, Clock: v.clock.number,
				Step: v.step, N: v.n, About: s.id, Urgency: "routine", From: from.String(), By: v.closes.last.String()})
		}
	}
	return list
}

// kidneyWork asks for a creatinine before an open contrast visit. It is off
// unless an age limit is set.
func (p *patient) kidneyWork(r *result) []WorkItem {
	var list []WorkItem
	for _, v := range r.visits {
		if p.o.KidneyDays == 0 || v.standing != "open" || !wantsContrast(v.ways) || p.kidneysFine() {
			continue
		}
		list = append(list, WorkItem{Kind: "check-kidney", Implant: r.implant.id, Clock: v.clock.number,
			Step: v.step, N: v.n, Urgency: "routine", From: v.opens.first.String(), By: v.closes.last.String()})
	}
	return list
}

// wantsContrast tells whether nothing but a CTA does the visit by itself.
func wantsContrast(ways []Way) bool {
	for _, w := range ways {
		if !w.Accept && !has(w.Kinds, "ct-angiogram") {
			return false
		}
	}
	return true
}

// kidneysFine tells whether the latest value is young and high enough.
func (p *patient) kidneysFine() bool {
	var latest *Kidney
	for i, k := range p.chart.Kidney {
		at, ok := readDay(k.Date)
		if ok && at <= p.asOf && (latest == nil || k.Date > latest.Date) {
			latest = &p.chart.Kidney[i]
		}
	}
	return latest != nil && int(p.asOf-readSpan(latest.Date).first) <= p.o.KidneyDays && latest.Tenths >= p.o.KidneyTenths
}

// traceWork is one item for the patient, from the first day of the rung.
func (p *patient) traceWork(results []*result) WorkItem {
	from := forever
	for _, r := range results {
		if r.state == "active" && rungOf(p.rung(r, p.ladderDay())) >= rungOf("presumed-lost") {
			from = min(from, p.lostSince(r))
		}
	}
	return WorkItem{Kind: "trace-patient", Urgency: "asap", From: from.String(), By: (from + 30).String()}
}

// looked lists the studies of an implant's territory after its index day, and
// tells of each whether its result is to be looked after: from the site's
// start on, or the latest.
func (p *patient) looked(m *implant) (list []study, latest map[string]bool, last span) {
	latest = map[string]bool{}
	if m.unresolved() {
		return nil, latest, last
	}
	for _, s := range p.studies {
		if s.at.first > m.index.last && covers(s.territories, m.now().protocol.need(), true) {
			list = append(list, s)
			if !last.known || s.at.first > last.first {
				last = s.at
			}
		}
	}
	for _, s := range list {
		latest[s.id] = s.at.first == last.first
	}
	return list, latest, last
}

// fromStart tells whether the day is on or after the site's start.
func (p *patient) fromStart(on day) bool {
	start := readSpan(p.o.SiteStart)
	return !start.known || on >= start.first
}

// reportWork chases reports, once for each study.
func (p *patient) reportWork(results []*result) []WorkItem {
	var list []WorkItem
	seen := map[string]bool{}
	for _, r := range results {
		if r.state == "ended" {
			continue
		}
		studies, latest, _ := p.looked(r.implant)
		for _, s := range studies {
			waited := int(p.asOf - s.at.last)
			if seen[s.id] || len(s.reports) > 0 || waited <= p.o.ReportDays || !(latest[s.id] || p.fromStart(s.at.last)) {
				continue
			}
			seen[s.id] = true
			item := WorkItem{Kind: "chase-report", Implant: r.implant.id, About: s.id, Urgency: "routine",
				From: s.at.last.plus(p.o.ReportDays + 1), By: s.at.last.plus(p.o.ReportAsap)}
			if waited > p.o.ReportAsap {
				item.Urgency = "asap"
			}
			list = append(list, item)
		}
	}
	return list
}

// plus is the text of a later day.
func (d day) plus(days int) string { return (d + day(days)).String() }

// review is what asks for one study (or finding) to be reviewed.
type review struct {
	about   string
	from    day
	days    int
	urgency string
}

// reviewWork is one item for each study with something to review.
func (p *patient) reviewWork(results []*result) []WorkItem {
	var list []WorkItem
	seen := map[string]bool{}
	for _, r := range results {
		if r.state == "ended" || r.implant.unresolved() {
			continue
		}
		for _, need := range p.reviews(r) {
			if seen[need.about] {
				continue
			}
			seen[need.about] = true
			list = append(list, WorkItem{Kind: "review-finding", Implant: r.implant.id, About: need.about,
				Urgency: need.urgency, From: need.from.String(), By: need.from.plus(need.days)})
		}
	}
	return list
}

// reviews collects unread reports, abnormal findings and triggers of an
// implant, one entry for each study.
func (p *patient) reviews(r *result) []review {
	var list []review
	add := func(n review) {
		for i, old := range list {
			if old.about == n.about {
				list[i].from, list[i].days = min(old.from, n.from), min(old.days, n.days)
				if urgencyOf(n.urgency) > urgencyOf(old.urgency) {
					list[i].urgency = n.urgency
				}
				return
			}
		}
		list = append(list, n)
	}
	studies, latest, last := p.looked(r.implant)
	for _, s := range studies {
		for _, report := range p.unread(s) {
			at := readSpan(report.Date)
			if !at.known {
				at = s.at
			}
			if latest[s.id] || p.fromStart(at.first) {
				add(review{s.id, at.first, p.o.ReviewDays, "routine"})
			}
		}
	}
	p.findingReviews(r, func(f finding) bool {
		h := p.seenOn(f)
		return h.at.first == last.first || h.id == f.ID && h.at.first > last.first
	}, add)
	return list
}

// findingReviews adds the abnormal findings newer than any review, with the
// trigger's urgency and days where one fired. newest tells whether it was seen
// on the day of the latest study, or on no known study and later.
func (p *patient) findingReviews(r *result, newest func(finding) bool, add func(review)) {
	want := func(f finding, days int, urgency string) {
		h := p.seenOn(f)
		if p.reviewedFinding(f) || !(newest(f) || p.fromStart(f.at.first)) {
			return
		}
		add(review{h.id, p.reportedOn(f), days, urgency})
	}
	for _, f := range p.findingsOf(r.implant) {
		if abnormal(f) {
			want(f, p.o.ReviewDays, "routine")
		}
	}
	for _, t := range r.implant.now().protocol.Triggers {
		if t.Review == nil {
			continue
		}
		for _, f := range p.sightOf(r.implant, r.visits).fired(t.When) {
			want(f, t.Review.Days, t.Review.Urgency)
		}
	}
}

// reportedOn is the day of the first unread report of the finding's study,
// else the finding's own.
func (p *patient) reportedOn(f finding) day {
	for _, s := range p.studies {
		if !s.stated[f.Study] {
			continue
		}
		first := forever
		for _, report := range p.unread(s) {
			if at := readSpan(report.Date); at.known {
				first = min(first, at.first)
			}
		}
		if first < forever {
			return first
		}
	}
	return f.at.first
}

// urgencyOf orders urgencies as FHIR request priorities do.
func urgencyOf(word string) int {
	for i, each := range []string{"routine", "urgent", "asap", "stat"} {
		if each == word {
			return i
		}
	}
	return 0
}

// questionWork is one item for each question.
func (p *patient) questionWork() []WorkItem {
	var list []WorkItem
	for _, q := range p.standing() {
		item := WorkItem{Kind: "answer-question", Step: q.kind, About: q.about, Urgency: "routine"}
		if q.hides {
			item.Urgency = "asap"
		}
		if q.at.known {
			item.From, item.By = q.at.first.String(), q.at.first.plus(14)
		} else if p.seen.known {
			item.From, item.By = p.seen.first.String(), p.seen.first.plus(14)
		}
		list = append(list, item)
	}
	return list
}
