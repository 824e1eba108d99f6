package surveil

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// work lists the items that should exist now, by key.
func (e *engine) work(p *Plan) []Work {
	var list []Work
	for _, m := range e.implants {
		if m.state() == StateActive {
			list = append(list, e.visitWork(m)...)
			list = append(list, e.outsideWork(m)...)
			list = append(list, e.kidneyWork(m)...)
		}
	}
	if p.FollowUp.rank() >= RungPresumedLost.rank() {
		list = append(list, Work{Key: e.key(WorkTrace, ""), Kind: WorkTrace, Urgency: "asap", From: p.RungSince, By: p.RungSince.Plus(e.r.Settings.TraceDays),
			Why: []Reason{{Rule: "rung-" + string(p.FollowUp), From: day.On(p.RungSince)}}})
	}
	list = append(list, e.reportWork()...)
	list = append(list, e.reviewWork()...)
	list = append(list, e.questionWork()...)
	e.snooze(list)
	slices.SortFunc(list, func(a, b Work) int { return strings.Compare(a.Key, b.Key) })
	return list
}

// key is the key of a work item that is not about a visit.
func (e *engine) key(kind, about string) string {
	k := e.c.Patient + "|" + kind
	if about != "" {
		k += "|" + about
	}
	return k
}

// visitItem starts the work item of a visit.
func (e *engine) visitItem(v *visit, kind string) Work {
	key := e.c.Patient + "|" + v.implant.id + "|" + strconv.Itoa(v.clock.number) + "|" + v.step + "|" + strconv.Itoa(v.n) + "|" + kind
	w := Work{Key: key, Kind: kind, Urgency: "routine", Implant: v.implant.id, Visit: v.key(), Why: e.whyWork(v, kind)}
	if v.asksForDecision() {
		w.Why = append(w.Why, Reason{Rule: "asks-for-decision"})
	}
	return w
}

// whyWork is why a visit is owed, and what else the same scan may serve. What
// decided stands last.
func (e *engine) whyWork(v *visit, kind string) []Reason {
	why := e.whyVisit(v)
	if v.aside == nil || len(v.aside.with) == 0 || kind != WorkArrange && kind != WorkChase {
		return why
	}
	var names, facts []string
	for _, o := range v.aside.with {
		names, facts = append(names, o.step+" ("+cmp.Or(o.clock.class, "class not stated")+")"), append(facts, o.implant.id)
	}
	slices.Sort(facts)
	one := Reason{Rule: "one-scan", Facts: slices.Compact(facts), Word: strings.Join(names, ", ")}
	return slices.Insert(why, len(why)-1, one)
}

// visitWork is arrange-imaging and chase-overdue.
func (e *engine) visitWork(m *implant) []Work {
	var list []Work
	withheld := e.withheld(m)
	for _, v := range m.visits {
		lead := v.target.First.Plus(-e.r.Settings.LeadDays)
		switch {
		case v.standing == Overdue:
			item := e.visitItem(v, WorkChase)
			item.Urgency, item.From = "asap", v.closes.Last+1
			if v.trigger {
				item.Urgency = "urgent"
			}
			if v.last < forever {
				item.By = v.last
			}
			list = append(list, item)
		case v.standing == Open || v.standing == Upcoming && e.reached(lead):
			item := e.visitItem(v, WorkArrange)
			if e.reached(v.closes.Last.Plus(-e.r.Settings.AsapDays)) {
				item.Urgency = "asap"
			}
			if withheld && !v.trigger && item.Urgency == "routine" {
				continue
			}
			item.From, item.By = max(v.opens.First, lead), v.closes.Last
			list = append(list, item)
		}
	}
	return list
}

// withheld says whether the open review of a trigger holds routine imaging
// back: until the review, a re-intervention, or so many days.
func (e *engine) withheld(m *implant) bool {
	for _, h := range m.now().hits {
		if h.trigger.Then.Withhold == 0 || h.finding == nil || e.reviewedHit(h) || e.reached(h.finding.On.First.Plus(h.trigger.Then.Withhold)) {
			continue
		}
		if !slices.ContainsFunc(m.ops, func(op *chart.Operation) bool { return op.On != m.index && op.On.First >= h.finding.On.First }) {
			return true
		}
	}
	return false
}

// reviewedHit says whether a person reviewed the study, its report or the
// finding on or after the finding's date. A report that was signed or amended
// since the review is to be read again, and so is what it says.
func (e *engine) reviewedHit(h hit) bool {
	if s := e.seenOn(h.finding); s != nil && s.reviewed > 0 && s.reviewed >= h.finding.On.First && len(s.unread()) == 0 {
		return true
	}
	return slices.ContainsFunc(e.rulings, func(r chart.Ruling) bool {
		return r.Kind == chart.RuleReviewed && r.About == h.finding.Ref && r.From() >= h.finding.On.First
	})
}

// outsideWork asks for the images of studies on report only that would do a
// visit that is owed.
func (e *engine) outsideWork(m *implant) []Work {
	var list []Work
	for _, v := range m.visits {
		if v.standing != Overdue && v.standing != Booked && v.standing != Open {
			continue
		}
		for _, s := range e.studies {
			if !s.ReportOnly || !e.waits(m, v, s) {
				continue
			}
			item := e.visitItem(v, WorkObtain)
			item.Key += "|" + s.Ref
			item.About, item.From, item.By = s.Ref, s.On.First, v.closes.Last
			for i, r := range s.reports {
				if r.Issued.Known() && (i == 0 || r.Issued.First < item.From) {
					item.From = r.Issued.First
				}
			}
			list = append(list, item)
		}
	}
	return list
}

// looked lists the studies of an implant's territory after its index day, and
// the day of the latest.
func (e *engine) looked(m *implant) (list []*study, latest day.Day) {
	if m.unresolved() {
		return nil, 0
	}
	need := m.needs()
	for _, s := range e.studies {
		if s.On.First > m.index.Last && s.Covers&need != 0 && len(s.parts) == 0 {
			list = append(list, s)
			latest = max(latest, s.On.First)
		}
	}
	return list, latest
}

// fromStart says whether a day is on or after the site's start.
func (e *engine) fromStart(on day.Day) bool { return on >= e.r.Settings.Start }

// reportWork chases the reports of studies, once for each study.
func (e *engine) reportWork() []Work {
	var list []Work
	done := map[string]bool{}
	s := &e.r.Settings
	for _, m := range e.implants {
		if m.state() == StateEnded {
			continue
		}
		studies, latest := e.looked(m)
		for _, st := range studies {
			if done[st.Ref] || len(st.reports) > 0 || !(st.On.First == latest || e.fromStart(st.On.Last)) || !e.reached(st.On.Last.Plus(s.ReportDays+1)) {
				continue
			}
			done[st.Ref] = true
			item := Work{Key: e.key(WorkReport, st.Ref), Kind: WorkReport, Urgency: "routine", Implant: m.id, About: st.Ref,
				From: st.On.Last.Plus(s.ReportDays + 1), By: st.On.Last.Plus(s.ReportAsapDays), Why: []Reason{{Rule: "report-awaited", Facts: []string{st.Ref}, From: st.On}}}
			if e.reached(st.On.Last.Plus(s.ReportAsapDays + 1)) {
				item.Urgency = "asap"
			}
			list = append(list, item)
		}
	}
	return list
}

// reviewWork is one item for each study, or finding, with something that a
// person must look at.
func (e *engine) reviewWork() []Work {
	var list []Work
	done := map[string]bool{}
	for _, m := range e.implants {
		if m.state() == StateEnded || m.unresolved() {
			continue
		}
		for _, w := range e.reviews(m) {
			if !done[w.About] {
				done[w.About] = true
				list = append(list, w)
			}
		}
	}
	return list
}

// reviews collects what must be looked at on one implant: unread reports,
// abnormal findings newer than any review, and what triggers ask for.
func (e *engine) reviews(m *implant) []Work {
	var list []Work
	add := func(about string, from day.Day, days int, urgency string, why Reason) {
		by := from.Plus(days)
		i := slices.IndexFunc(list, func(w Work) bool { return w.About == about })
		if i < 0 {
			list = append(list, Work{Key: e.key(WorkReview, about), Kind: WorkReview, Urgency: urgency, From: from, By: by, Implant: m.id, About: about, Why: []Reason{why}})
			return
		}
		w := &list[i]
		days = min(days, int(w.By-w.From))
		w.From = min(w.From, from)
		w.By = w.From.Plus(days)
		if urgencyRank(urgency) > urgencyRank(w.Urgency) {
			w.Urgency = urgency
		}
		w.Why = append(w.Why, why)
	}
	studies, latest := e.looked(m)
	for _, s := range studies {
		for _, r := range s.unread() {
			from := r.Issued.First
			if from == 0 {
				from = s.On.First
			}
			if s.On.First == latest || e.fromStart(from) {
				add(s.Ref, from, e.r.Settings.ReviewDays, "routine", Reason{Rule: "report-unread", Facts: []string{r.Ref, s.Ref}, From: day.On(from)})
			}
		}
	}
	e.findingReviews(m, latest, add)
	return list
}

// findingReviews adds the reviews that findings ask for.
func (e *engine) findingReviews(m *implant, latest day.Day, add func(string, day.Day, int, string, Reason)) {
	want := func(h hit, days int, urgency string, why ...Reason) {
		if e.reviewedHit(h) || !(e.newest(m, h, latest) || e.fromStart(h.finding.On.First)) {
			return
		}
		for _, one := range why {
			add(h.cause, e.reportedOn(h), days, urgency, one)
		}
	}
	for _, f := range e.findingsOf(m) {
		if abnormal(f) {
			h := e.hitBy(nil, f)
			want(h, e.r.Settings.ReviewDays, "routine", Reason{Rule: "finding-abnormal", Facts: h.facts, From: f.On, Word: said(f)})
		}
	}
	for _, h := range m.now().hits {
		if r := h.trigger.Then.Review; r != nil && h.finding != nil {
			why := []Reason{{Rule: "trigger-review", Facts: h.facts, From: h.finding.On, Word: said(h.finding) + " (rule " + h.trigger.ID + ")", Cite: h.trigger.Cite.Whole}}
			if note := h.noted(); note.Word != "" {
				why = append(why, note)
			}
			want(h, r.Within, r.Urgency, why...)
		}
	}
}

// newest says whether a finding belongs to the latest study of an implant, or,
// no older, to none that is known or to one of the vessels that it feeds.
func (e *engine) newest(m *implant, h hit, latest day.Day) bool {
	s := e.seenOn(h.finding)
	return h.on.First == latest || h.on.First > latest && (s == nil || s.Covers&m.needs() == 0)
}

// said is a finding in a few words, to begin a sentence with.
func said(f *chart.Finding) string {
	text := strings.ReplaceAll(f.What, "-", " ")
	if text != "" {
		text = strings.ToUpper(text[:1]) + text[1:] // findings have names in ASCII
	}
	switch {
	case f.Type == "unknown":
		text += " of unknown type"
	case f.Type != "":
		text += " " + f.Type
	}
	if f.Has {
		text += " " + strconv.Itoa(f.Tenths/10)
		if f.Tenths%10 != 0 {
			text += "." + strconv.Itoa(f.Tenths%10)
		}
		text += " mm"
	}
	return text
}

// reportedOn is the day of the first unread report of the study that a
// finding was seen on, else the finding's own.
func (e *engine) reportedOn(h hit) day.Day {
	found := forever
	if s := e.seenOn(h.finding); s != nil {
		for _, r := range s.unread() {
			if r.Issued.Known() {
				found = min(found, r.Issued.First)
			}
		}
	}
	if found < forever {
		return found
	}
	return h.finding.On.First
}

// urgencyRank orders urgencies as FHIR request priorities do.
func urgencyRank(word string) int {
	return slices.Index([]string{"routine", "urgent", "asap", "stat"}, word)
}

// questionWork is one item for each question.
func (e *engine) questionWork() []Work {
	var list []Work
	for _, q := range e.openQuestions() {
		item := Work{Key: e.key(WorkQuestion, q.Key), Kind: WorkQuestion, Urgency: "routine", From: q.Since, About: q.About, Visit: q.Visit, Why: []Reason{q.Why}}
		if q.Hides {
			item.Urgency = "asap"
		}
		if item.From == 0 {
			item.From = e.seen // nothing dates it: the day last seen
		}
		if item.From > 0 {
			item.By = item.From.Plus(e.r.Settings.QuestionDays)
		}
		list = append(list, item)
	}
	return list
}
