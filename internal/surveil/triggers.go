package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// hit is one firing of a trigger: the fact that caused it and its date.
type hit struct {
	trigger *protocol.Trigger
	finding *chart.Finding // nil where an operation fired it
	cause   string         // reference of the study seen on, else of the finding or operation
	on      day.Span
	facts   []string
}

// findingsOf lists the findings of an implant by date: from its index day to
// its explant, seen on a study of its territory, or on none that is known.
func (e *engine) findingsOf(m *implant) []*chart.Finding {
	if m.unresolved() {
		return nil
	}
	var list []*chart.Finding
	for i := range e.findings {
		f := &e.findings[i]
		if !f.On.Known() || !e.reached(f.On.First) || f.On.Last < m.index.First {
			continue
		}
		if m.explanted != nil && f.On.First > m.explanted.On.First || e.elsewhere(f, m) {
			continue
		}
		list = append(list, f)
	}
	return list
}

// elsewhere says whether a finding was seen on a study of another territory.
func (e *engine) elsewhere(f *chart.Finding, m *implant) bool {
	return f.Covers != 0 && f.Covers&(m.needs()|vessels(m.now().class)) == 0
}

// vessels are the regions of the arteries that an implant of a class feeds: what
// is found there may be about the implant, though no visit asks for it.
func vessels(class string) chart.Territory {
	switch class {
	case "evar", "iliac-branch", "fenestrated-branched", "open-repair":
		return chart.Renal | chart.Visceral
	case "tevar":
		return chart.Visceral | chart.Arm
	case "arch-branch":
		return chart.Carotid | chart.Head | chart.Arm
	}
	return 0
}

// needs is every region that some step of the present protocol wants.
func (m *implant) needs() chart.Territory {
	need := m.now().need
	for _, s := range m.steps() {
		need |= s.need
	}
	return need
}

// wanted is what one step of a protocol asks for.
type wanted struct {
	ways []protocol.Way
	need chart.Territory
}

// steps are the steps of the implant's present protocol.
func (m *implant) steps() []wanted {
	p := m.now().care()
	if p == nil {
		return nil
	}
	var list []wanted
	put := func(ways []protocol.Way, need chart.Territory) {
		if need == 0 {
			need = m.now().need
		}
		if len(m.agreed) > 0 {
			ways = append(slices.Clip(ways), m.agreed...)
		}
		list = append(list, wanted{ways, need})
	}
	for i := range p.Series {
		s := &p.Series[i]
		if !s.For(m.now().class) {
			continue
		}
		for j := range s.Steps {
			put(s.Steps[j].Ways, s.Steps[j].Needs)
		}
		if s.Repeat != nil {
			put(s.Repeat.Ways, s.Repeat.Needs)
		}
	}
	return list
}

// seenIn says whether a finding was seen on a study, or on a part of it.
func (e *engine) seenIn(f *chart.Finding, scan *study) bool {
	s := e.seenOn(f)
	return s == scan || s != nil && slices.Contains(scan.parts, s) || f.Study == "" && f.On == scan.On && f.On.Exact()
}

// seenOn is the study that a finding was seen on; nil where none is known.
func (e *engine) seenOn(f *chart.Finding) *study {
	if f.Study == "" {
		return nil
	}
	for _, s := range e.studies {
		if s.names(f.Study) {
			return s
		}
	}
	return nil
}

// hits lists the firings of the triggers of a protocol on an implant, by date.
func (e *engine) hits(m *implant, p *protocol.Protocol, class string) []hit {
	if len(e.findings) == 0 && len(m.coils) == 0 && len(m.clocks) == 1 {
		return nil
	}
	findings := e.findingsOf(m)
	var list []hit
	for i := range p.Triggers {
		t := &p.Triggers[i]
		if !t.For(class) {
			continue
		}
		for _, f := range findings {
			if facts, ok := e.meets(m, findings, f, &t.When); ok {
				h := e.hitBy(t, f)
				h.facts = append(h.facts, facts...)
				list = append(list, h)
			}
		}
		list = append(list, operationHits(m, t)...)
	}
	slices.SortStableFunc(list, func(a, b hit) int {
		if a.on.First != b.on.First {
			return cmp.Compare(a.on.First, b.on.First)
		}
		return strings.Compare(a.cause, b.cause)
	})
	return list
}

func (e *engine) hitBy(t *protocol.Trigger, f *chart.Finding) hit {
	h := hit{trigger: t, finding: f, cause: f.Ref, on: f.On, facts: []string{f.Ref}}
	if f.Confirmed != "" {
		h.facts = append(h.facts, f.Confirmed)
	}
	if s := e.seenOn(f); s != nil {
		h.cause, h.on = s.Ref, s.On
		h.facts = append(h.facts, s.Ref)
		if f.Study != s.Ref {
			h.facts = append(h.facts, f.Study) // another resource about the same study
		}
	}
	return h
}

// noted is what a trigger says beside what it does; its word is empty where that
// is nothing.
func (h *hit) noted() Reason {
	return Reason{Rule: "trigger-note", Facts: h.facts, From: h.on, Word: h.trigger.Then.Note, Cite: h.trigger.Cite.Whole}
}

// operationHits are the firings of a trigger on operations.
func operationHits(m *implant, t *protocol.Trigger) []hit {
	var list []hit
	put := func(op string, on day.Span) {
		list = append(list, hit{trigger: t, cause: op, on: on, facts: []string{op}})
	}
	switch t.When.Event {
	case "occlusion":
		for _, op := range m.coils {
			put(op.Ref, op.On)
		}
	case "relining":
		for _, op := range m.ops {
			for _, c := range m.clocks[1:] {
				if op.On == c.from {
					put(op.Ref, op.On)
				}
			}
		}
	case "explant":
		if m.explanted != nil {
			put(m.explanted.Ref, m.explanted.On)
		}
	}
	return list
}

// shows lists the facts by which the first scan meets a condition.
func (e *engine) shows(m *implant, scan *study, c *protocol.Condition) []string {
	var facts []string
	all := e.findingsOf(m)
	for _, f := range all {
		on := e.seenIn(f, scan)
		if more, ok := e.meets(m, all, f, c); on && ok {
			facts = append(append(facts, f.Ref, scan.Ref), more...)
		}
	}
	return facts
}

// clockAt is the clock that ran on the day of a fact.
func (m *implant) clockAt(on day.Span) *clock {
	found := m.clocks[0]
	for _, c := range m.clocks {
		if c.from.First <= on.First {
			found = c
		}
	}
	return found
}
