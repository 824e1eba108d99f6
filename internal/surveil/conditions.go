package surveil

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/protocol"
)

// meets says whether a finding meets a condition, and by which further facts.
func (e *engine) meets(m *implant, all []*chart.Finding, f *chart.Finding, c *protocol.Condition) (facts []string, ok bool) {
	for i := range c.Any {
		if facts, ok := e.meets(m, all, f, &c.Any[i]); ok {
			return facts, true
		}
	}
	if facts, ok = says(m, all, f, c); !ok || !e.inPlace(m, f, c) {
		return nil, false
	}
	if has := e.condition(c.If); has != nil {
		facts = append(facts, has.Ref)
	}
	if v := e.firstScan(m, f); c.Later && v != nil {
		facts = append(append(facts, v.got.Ref), v.evidence()...)
	}
	if c.With == nil {
		return facts, true
	}
	more := e.beside(m, all, f, c.With)
	return append(facts, more...), len(more) > 0
}

// says says whether a finding by itself is what a condition asks for; of growth
// the facts name the earlier diameter.
func says(m *implant, all []*chart.Finding, f *chart.Finding, c *protocol.Condition) (facts []string, ok bool) {
	switch {
	case len(c.Any) > 0, c.Event != "", c.Finding == "" && c.Growth == 0:
		return nil, false
	case len(c.Of) > 0 && !slices.Contains(c.Of, measure(f)):
		return nil, false
	case c.Growth > 0:
		from := grownFrom(m, all, f, c)
		if from == nil {
			return nil, false
		}
		return []string{from.Ref}, true
	case f.What != c.Finding:
		return nil, false
	case c.AtLeast > 0:
		return nil, f.Has && f.Tenths >= c.AtLeast && (c.Below == 0 || f.Tenths < c.Below)
	case len(c.Types) > 0:
		return nil, !f.Has && slices.Contains(c.Types, f.Type) // a length that was sent is judged as a length
	}
	return nil, abnormal(f)
}

// inPlace says whether the rest of a condition holds: what it was seen on, and
// in whom. Where the sex is not known the rule is for the patient: the safe
// reading.
func (e *engine) inPlace(m *implant, f *chart.Finding, c *protocol.Condition) bool {
	switch {
	case len(c.Seen) > 0 && !e.seenBy(f, c.Seen):
		return false
	case c.Sex != "" && c.Sex != e.c.Sex && (e.c.Sex == "female" || e.c.Sex == "male"):
		return false
	case c.If != "" && e.condition(c.If) == nil:
		return false
	}
	if c.Later {
		v := e.firstScan(m, f)
		return v == nil || !e.seenIn(f, v.got)
	}
	return true
}

// firstScan is the visit that the first scan did after the operation whose clock
// ran on the day of a finding; nil where none did.
func (e *engine) firstScan(m *implant, f *chart.Finding) *visit {
	c := m.clockAt(e.hitBy(nil, f).on)
	for _, v := range m.visits {
		if v.clock == c && v.baseline && v.got != nil {
			return v
		}
	}
	return nil
}

// beside names another finding of the same scan that is what a condition asks
// for, and what that rests on.
func (e *engine) beside(m *implant, all []*chart.Finding, f *chart.Finding, c *protocol.Condition) []string {
	for _, o := range all {
		if o == f || !e.sameScan(f, o) {
			continue
		}
		if facts, ok := says(m, all, o, c); ok {
			return append([]string{o.Ref}, facts...)
		}
	}
	return nil
}

// sameScan says whether two findings were seen on the same scan: on one study,
// or, where neither names one, on the same day.
func (e *engine) sameScan(a, b *chart.Finding) bool {
	if a.Study == "" && b.Study == "" {
		return a.On == b.On && a.On.Exact()
	}
	s := e.seenOn(a)
	return a.Study == b.Study || s != nil && s == e.seenOn(b)
}

// measure is what a diameter was taken of: the first word of its method after
// the modality; the sac where that is not told.
func measure(f *chart.Finding) string {
	_, method, _ := strings.Cut(f.Method, "/")
	if word, _, _ := strings.Cut(method, " "); word != "" {
		return word
	}
	return "sac"
}

// seenBy says whether a finding was seen on a study of one of the kinds.
func (e *engine) seenBy(f *chart.Finding, kinds []chart.Kind) bool {
	if s := e.seenOn(f); s != nil {
		return slices.Contains(kinds, s.Kind)
	}
	modality, _, _ := strings.Cut(f.Method, "/")
	return slices.ContainsFunc(kinds, func(k chart.Kind) bool { return modality != "" && k.Modality() == modality })
}

// abnormal says whether a finding by itself wants to be looked at. A diameter
// does so only by growing.
func abnormal(f *chart.Finding) bool {
	return !gone(f) && f.What != "sac-diameter"
}

// gone says whether a finding is that there is nothing.
func gone(f *chart.Finding) bool {
	switch f.Type {
	case "none", "absent", "patent", "normal":
		return true
	}
	return false
}

// grownFrom is the earlier sac diameter since the index than which one is larger
// by the threshold (larger than any is larger than the first or the lowest); nil
// where there is none. Only equal methods are compared; across them only
// diameters of one measure, and only where the method has no earlier value of
// its own.
func grownFrom(m *implant, all []*chart.Finding, f *chart.Finding, c *protocol.Condition) *chart.Finding {
	if f.What != "sac-diameter" || !f.Has {
		return nil
	}
	own := false
	var grown *chart.Finding
	for _, b := range all {
		if b.What != "sac-diameter" || !b.Has || b.On.Last >= f.On.First || b.On.First <= m.index.Last {
			continue
		}
		same := b.Method == f.Method
		own = own || same
		if same != c.Across && measure(b) == measure(f) && f.Tenths-b.Tenths >= c.Growth && (grown == nil || b.Tenths < grown.Tenths) {
			grown = b
		}
	}
	if c.Across && own {
		return nil
	}
	return grown
}
