package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// Study is a device study or a registry that the site reports to.
type Study struct {
	Key      string // as ResearchSubject.study names it: "ResearchStudy/x" or "system|value"
	Name     string // for people
	Protocol *protocol.Protocol
	Bins     *protocol.Profile // in which column a scan counts; nil: nothing is said of it
}

// StudyCare is a study that also makes the work of those who are on it.
type StudyCare struct {
	Key, Name   string
	Protocol    *protocol.Protocol
	From, Until day.Day // days on which it does; zero: no limit
}

// Label is a protocol that the labelling of a device asks for.
type Label struct {
	Device      string // device identifier in the form of chart.MarkForm
	Protocol    *protocol.Protocol
	From, Until day.Day // days on which it holds; zero: no limit
}

// means says whether a text means a study: its key, at whatever server, or its name.
func means(text, key, name string) bool {
	return text == key || text == name || strings.HasSuffix(text, "/"+key)
}

// part is the patient's part in one study.
type part struct {
	key, name string
	study     *Study // nil: the settings do not know it
	stays     []stay // by date; never empty
}

// stay is a time for which the patient is on a study.
type stay struct {
	from, until day.Day // both inside; zero: not known, and no end
	left        string  // how it ended: withdrawn, off-study, ended; empty: it did not
	vague       bool    // it ended, and nothing says on which day
	facts       []string
}

// move is the begin or the end of a stay.
type move struct {
	on    day.Day
	ends  bool
	left  string
	vague bool
	fact  string
}

// Statuses of a ResearchSubject (R4) by which a patient is on study, or was.
// The others (candidate, screening, pending, ineligible, not registered) never
// begin anything.
func onStudy() []string {
	return []string{"follow-up", "on-study", "on-study-intervention", "on-study-observation"}
}
func offStudy() []string { return []string{"off-study", "withdrawn"} }

// took says whether an enrolment shows that the patient is or was on the study.
func took(n *chart.Enrolment) bool {
	return slices.Contains(onStudy(), n.Status) || slices.Contains(offStudy(), n.Status)
}

// findParts finds in which studies the patient takes part or took part, by what
// was sent and by what people decided.
func (e *engine) findParts() {
	for i := range e.c.Enrolments {
		if n := &e.c.Enrolments[i]; took(n) && (!n.From.Known() || e.reached(n.From.First)) {
			e.partIn(n.Study)
		}
	}
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleStudy {
			e.partIn(r.Value)
		}
	}
	for _, p := range e.parts {
		p.stay(e.moves(p))
	}
	slices.SortFunc(e.parts, func(a, b *part) int { return strings.Compare(a.key, b.key) })
}

// studyOf is the study of the settings that a text names; nil where they know none.
func (e *engine) studyOf(text string) *Study {
	for i := range e.r.Studies {
		if s := &e.r.Studies[i]; means(text, s.Key, s.Name) {
			return s
		}
	}
	return nil
}

// partIn makes room for the part in a study.
func (e *engine) partIn(text string) {
	p := &part{key: text, name: cmp.Or(text, "a study without a name")}
	if p.study = e.studyOf(text); p.study != nil {
		p.key, p.name = p.study.Key, p.study.Name
	}
	if !slices.ContainsFunc(e.parts, func(o *part) bool { return o.key == p.key }) {
		e.parts = append(e.parts, p)
	}
}

// named says whether a text means the study of a part.
func (p *part) named(text string) bool {
	return means(text, p.key, p.name)
}

// moves lists what begins and ends the part in a study.
func (e *engine) moves(p *part) []move {
	var list []move
	for i := range e.c.Enrolments {
		n := &e.c.Enrolments[i]
		if !p.named(n.Study) || !took(n) || n.From.Known() && !e.reached(n.From.First) {
			continue
		}
		off := slices.Contains(offStudy(), n.Status)
		list = append(list, move{on: n.From.First, fact: n.Ref, left: n.Status, vague: off && !n.To.Known()})
		if !n.To.Known() || e.runsOn(p, n) {
			continue
		}
		end := move{on: max(n.To.Last, n.From.First), ends: true, left: "ended", fact: n.Ref}
		if off {
			end.left = n.Status
		}
		list = append(list, end)
	}
	for i := range e.rulings {
		switch r := &e.rulings[i]; {
		case r.Kind == chart.RuleStudy && p.named(r.Value):
			list = append(list, move{on: r.From(), fact: r.ID})
		case e.leaves(r, p):
			list = append(list, move{on: r.From(), ends: true, left: "withdrawn", fact: r.ID})
		}
	}
	slices.SortStableFunc(list, func(a, b move) int {
		if a.on != b.on || a.ends == b.ends {
			return cmp.Compare(a.on, b.on)
		}
		return map[bool]int{true: 1, false: -1}[a.ends]
	})
	return list
}

// runsOn says whether another enrolment in the study goes on after one ends: a
// patient can have one for each phase.
func (e *engine) runsOn(p *part, ended *chart.Enrolment) bool {
	return slices.ContainsFunc(e.c.Enrolments, func(n chart.Enrolment) bool {
		on := slices.Contains(onStudy(), n.Status) && (!n.To.Known() || n.To.Last > ended.To.Last)
		return on && n.Ref != ended.Ref && p.named(n.Study) && n.From.First <= ended.To.Last
	})
}

// leaves says whether a ruling is the withdrawal from a study, or from all.
func (e *engine) leaves(r *chart.Ruling, p *part) bool {
	if r.Kind != chart.RuleWithdraw || r.Value == chart.ScopeCare {
		return false
	}
	return r.About == "" || strings.HasPrefix(r.About, "Patient/") || p.named(r.About) ||
		slices.ContainsFunc(e.c.Enrolments, func(n chart.Enrolment) bool { return n.Ref == r.About && p.named(n.Study) })
}

// stay makes stays of moves.
func (p *part) stay(moves []move) {
	var now *stay
	for _, m := range moves {
		switch {
		case !m.ends && now == nil:
			p.stays = append(p.stays, stay{from: m.on, vague: m.vague, facts: []string{m.fact}})
			if now = &p.stays[len(p.stays)-1]; m.vague {
				now.left = m.left
			}
		case !m.ends:
			if now.facts = append(now.facts, m.fact); !m.vague {
				now.vague, now.left = false, ""
			}
		case now != nil:
			now.until, now.left, now.vague = max(m.on, day.Min), m.left, false
			if !slices.Contains(now.facts, m.fact) {
				now.facts = append(now.facts, m.fact)
			}
			now = nil
		}
	}
}

// last is the latest stay.
func (p *part) last() *stay { return &p.stays[len(p.stays)-1] }
