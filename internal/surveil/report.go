package surveil

import (
	"cmp"
	"slices"

	"perennial/internal/day"
	"perennial/internal/protocol"
)

// Report is what one study is told of one implant. It makes no work and changes
// no care. It is counted from the index, whatever clock the care is on.
type Report struct {
	Study    string // its key
	Name     string
	Protocol string // "id@version"; empty: the settings name none
	Draft    bool   // the protocol is a draft
	Care     bool   // the study also makes the work
	Implant  string // empty: no protocol, or no implant of its classes
	Class    string
	From     day.Day // since when the patient is on the study; zero: not known
	Until    day.Day // the last day; zero: still on it, or not known
	Left     string  // withdrawn, off-study, ended, or the end of the implant: died, …; empty: on study
	Facts    []string
	Visits   []ReportVisit // by target
}

// Said is the part in the study in words.
func (r *Report) Said() string {
	since := "since a day that is not on record"
	if r.From > 0 {
		since = "since " + r.From.Text()
	}
	said := "On the study " + since
	switch {
	case r.Left != "" && r.Until > 0:
		said += ", until " + r.Until.Text() + " (" + r.Left + "). "
	case r.Left != "":
		said += "; left on a day that is not on record (" + r.Left + "). "
	case r.Until > 0:
		said += ", planned until " + r.Until.Text() + ". "
	default:
		said += ". "
	}
	switch {
	case r.Protocol == "":
		said += "No protocol is set for it: nothing is reported. "
	case r.Implant == "":
		said += "The patient has no implant of the classes of its protocol. "
	}
	if slices.Contains([]string{"withdrawn", "off-study", "ended"}, r.Left) {
		return said + "Leaving a study ends its reports, not the care: that goes on."
	}
	return said + "What is reported to a study changes nothing about the care."
}

// ReportState is where a visit stands for a study.
type ReportState string

// States of a visit for a study.
const (
	InWindow    ReportState = "in-window"
	OutOfWindow ReportState = "out-of-window" // imaging outside the window, nearer to this visit than to its neighbours
	NotDone     ReportState = "missed"        // the window is over, and no imaging is nearest to it
	InTime      ReportState = "open"
	ToCome      ReportState = "upcoming"
	NotExpected ReportState = "not-expected" // before the patient took part, or after it
)

// ReportVisit is one visit as a study asks for it.
type ReportVisit struct {
	Step      string
	Target    day.Span
	Opens     day.Span
	Closes    day.Span
	State     ReportState
	Study     string // reference of the imaging
	StudyDate day.Span
	Bin       *Bin // nil: the profile has none for it, or the visit is not expected
}

// Bin is where an analysis counts imaging for a visit.
type Bin struct {
	From, To day.Day
	Imaging  bool // qualifying imaging lies in it
}

// reports are the report columns of all studies that the patient is or was on.
func (e *engine) reports() []Report {
	var list []Report
	for _, p := range e.parts {
		if len(p.stays) == 0 {
			continue
		}
		n := len(list)
		for _, m := range e.implants {
			if class := p.classOf(m); class != "" {
				list = append(list, e.report(p, m, class))
			}
		}
		if len(list) == n {
			list = append(list, e.reportHead(p))
		}
	}
	return list
}

// classOf is the class by which a study follows an implant: that of its first
// operation, else the newest; empty where its protocol is for neither.
func (p *part) classOf(m *implant) string {
	for _, class := range []string{m.clocks[0].class, m.class} {
		if p.study != nil && p.study.Protocol.For(class) {
			return class
		}
	}
	return ""
}

// reportHead is a report without an implant.
func (e *engine) reportHead(p *part) Report {
	last := p.last()
	r := Report{Study: p.key, Name: p.name, From: p.stays[0].from, Until: last.until}
	for i := range p.stays {
		r.Facts = append(r.Facts, p.stays[i].facts...)
	}
	if last.vague || last.until > 0 && e.reached(last.until) {
		r.Left = last.left
	}
	if p.study != nil {
		r.Protocol, r.Draft, r.Care = p.study.Protocol.Ref(), p.study.Protocol.Status == "draft", slices.ContainsFunc(e.r.StudyCare, func(s StudyCare) bool { return s.Until == 0 && s.Key == p.key })
	}
	return r
}

// report is what a study is told of an implant.
func (e *engine) report(p *part, m *implant, class string) Report {
	r := e.reportHead(p)
	r.Implant, r.Class = m.id, class
	w := reporting{e: e, part: p, study: p.study, m: m}
	if on, why := e.overOn(m); on > 0 {
		if w.over = on; r.Until == 0 || on < r.Until {
			r.Until, r.Left = on, string(why)
		}
	}
	if !m.index.Known() {
		return r
	}
	// The schedule of the study is not that of the care: rulings about visits, and
	// re-interventions that start a new clock, do not touch it.
	c := &clock{number: 1, class: class, from: m.index, need: p.study.Protocol.Need(class, e.hasCondition)}
	w.shade = &implant{id: m.id + "|" + p.key, class: class, index: m.index, explanted: m.explanted, coils: m.ops, clocks: []*clock{c}}
	for i := range p.study.Protocol.Series {
		if s := &p.study.Protocol.Series[i]; s.For(class) {
			r.Visits = append(r.Visits, w.series(s)...)
		}
	}
	slices.SortStableFunc(r.Visits, func(a, b ReportVisit) int { return cmp.Compare(a.Target.First, b.Target.First) })
	return r
}

// overOn is the day on which an implant, or the life of the patient, ended. A
// schedule of care that is completed ends no report.
func (e *engine) overOn(m *implant) (day.Day, End) {
	switch {
	case m.end != nil && m.end.why != EndCompleted:
		return m.end.on, m.end.why
	case e.deathOn(m) > 0:
		return e.deathOn(m), EndDied
	case m.explanted != nil:
		return m.explanted.On.Last, EndExplanted
	}
	return 0, ""
}

// reporting works out the visits of one implant for one study.
type reporting struct {
	e     *engine
	part  *part
	study *Study
	m     *implant
	shade *implant // the implant as the study counts it
	over  day.Day  // the implant, or the patient, was no more from then on; zero: they are
}

// slot is a visit of the study, and its place on the calendar.
type slot struct {
	*visit
	at, every day.Offset
	stay      *stay // in which the visit is expected; nil: in none
	got       *study
	state     ReportState
}

// series works out the visits of one series.
func (w *reporting) series(s *protocol.Series) []ReportVisit {
	slots := w.slots(s)
	if len(slots) == 0 {
		return nil
	}
	list := make([]*visit, len(slots))
	for i := range slots {
		list[i] = slots[i].visit
	}
	found := w.e.candidates(w.shade, w.shade.now(), list)
	w.match(slots, found)
	out := make([]ReportVisit, len(slots))
	for i := range slots {
		out[i] = w.show(&slots[i], found)
	}
	return out
}

// slots makes the visits of a series: all of one that ends, and of one for life
// those up to the first that has not opened, or that is expected no more.
func (w *reporting) slots(s *protocol.Series) []slot {
	var list []slot
	put := func(id string, at, every day.Offset, days [2]int) *slot {
		c := w.shade.now()
		target := c.from.Add(at)
		v := &visit{implant: w.shade, clock: c, step: id, need: c.need, target: target, opens: target.Plus(-days[0]), closes: target.Plus(days[1])}
		if stratum, _ := w.e.stratumAt(w.m, target.First); len(s.Strata) == 0 || slices.Contains(s.Strata, stratum) {
			list = append(list, slot{visit: v, at: at, every: every, stay: w.stayOf(v)})
			return &list[len(list)-1]
		}
		return &slot{visit: v}
	}
	for i := range s.Steps {
		if step := &s.Steps[i]; step.OnlyIf == nil {
			put(step.ID, step.At, day.Offset{}, [2]int{step.Before, step.After}).wants(step.Ways, step.Needs, step.Cite)
		}
	}
	r := s.Repeat
	if r == nil || r.Every.Zero() {
		return list
	}
	at := r.From
	if at.Zero() {
		at = r.Every // of a series that the care counts from the last imaging
	}
	for r.Until.Zero() || at.Months <= r.Until.Months {
		one := put(s.RepeatID(at), at, r.Every, [2]int{r.Before, r.After})
		one.wants(r.Ways, r.Needs, r.Cite)
		if r.Until.Zero() && (!w.e.reached(one.opens.First) || w.gone(one.visit)) {
			break
		}
		at.Months, at.Days = at.Months+r.Every.Months, at.Days+r.Every.Days
	}
	return list
}

// stayOf is the stay in which a visit is expected: its window closes after the
// stay began, and its target comes before the end.
func (w *reporting) stayOf(v *visit) *stay {
	if w.over > 0 && v.target.First > w.over {
		return nil
	}
	for i := range w.part.stays {
		if t := &w.part.stays[i]; t.from <= v.closes.Last && (t.until == 0 || v.target.First <= t.until) {
			return t
		}
	}
	return nil
}

// gone says whether a visit falls due after the end.
func (w *reporting) gone(v *visit) bool {
	last := w.part.last()
	return w.over > 0 && v.target.First > w.over || last.until > 0 && v.target.First > last.until
}

// counts says whether imaging is of the time for which a visit is expected, and
// of a kind that does it.
func (w *reporting) counts(s *study, v *slot) bool {
	if v.stay == nil || v.stay.until > 0 && s.On.Last > v.stay.until || w.over > 0 && s.On.Last > w.over {
		return false
	}
	return w.e.does(s, v.visit) && !(len(s.parts) > 0 && w.e.doneAlone(s, v.visit))
}

// match gives each visit the earliest imaging in its window; then those that are
// left the imaging that lies in no window and is nearest.
func (w *reporting) match(slots []slot, found []*study) {
	used := map[*study]bool{}
	take := func(v *slot, s *study, state ReportState) {
		v.got, v.state, used[s] = s, state, true
		for _, part := range s.parts {
			used[part] = true
		}
	}
	for i := range slots {
		v := &slots[i]
		at := slices.IndexFunc(found, func(s *study) bool {
			return !used[s] && s.On.Within(v.opens.Last, v.closes.First) && w.counts(s, v)
		})
		if at >= 0 {
			take(v, found[at], InWindow)
		}
	}
	stray := slices.DeleteFunc(slices.Clone(found), func(s *study) bool {
		return slices.ContainsFunc(slots, func(v slot) bool { return s.On.Within(v.opens.Last, v.closes.First) })
	})
	for i := range slots {
		v := &slots[i]
		if v.got != nil || v.stay == nil || !w.e.passed(v.closes.Last) {
			continue
		}
		if s := w.nearest(slots, i, stray, used); s != nil {
			take(v, s, OutOfWindow)
		}
	}
}

// nearest is the imaging nearest to the target of a visit, of that which is nearer
// to it than to its neighbours; nil where there is none.
func (w *reporting) nearest(slots []slot, i int, stray []*study, used map[*study]bool) *study {
	v := &slots[i]
	from, to := w.shade.index.Last, v.target.First+(v.target.First-w.shade.index.Last)/2
	if i > 0 {
		from = w.border(&slots[i-1], v)
		to = v.target.First + (v.target.First-slots[i-1].target.First)/2
	}
	if i+1 < len(slots) {
		to = w.border(v, &slots[i+1])
	}
	var best *study
	for _, s := range stray {
		if used[s] || s.On.First <= from || s.On.Last > to || !w.counts(s, v) {
			continue
		}
		if best == nil || apart(s.On.First, v.target.First) < apart(best.On.First, v.target.First) {
			best = s
		}
	}
	return best
}

// border is the last day that is nearer to the former of two visits, or as near.
// Where the protocol lets late imaging count, it is the day before the next opens.
func (w *reporting) border(a, b *slot) day.Day {
	if w.study.Protocol.Late {
		return b.opens.First - 1
	}
	return a.target.First + (b.target.First-a.target.First)/2
}

func apart(a, b day.Day) day.Day { return max(a-b, b-a) }

// show is a visit as the report has it.
func (w *reporting) show(v *slot, found []*study) ReportVisit {
	out := ReportVisit{Step: v.step, Target: v.target, Opens: v.opens, Closes: v.closes, State: v.state}
	switch {
	case v.got != nil:
		out.Study, out.StudyDate = v.got.Ref, v.got.On
		if len(v.got.parts) > 0 {
			out.StudyDate = v.got.parts[0].On
		}
	case v.stay == nil, v.stay.vague:
		out.State = NotExpected
	case w.e.passed(v.closes.Last):
		out.State = NotDone
	case w.e.reached(v.opens.First):
		out.State = InTime
	default:
		out.State = ToCome
	}
	if w.study.Bins != nil && out.State != NotExpected && w.shade.index.Exact() {
		if from, to, ok := w.study.Bins.On(w.shade.index.First, v.at, v.every); ok {
			in := slices.ContainsFunc(found, func(s *study) bool { return s.On.Within(from, to) && w.counts(s, v) })
			out.Bin = &Bin{from, to, in}
		}
	}
	return out
}
