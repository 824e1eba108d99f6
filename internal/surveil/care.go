package surveil

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// layer is a protocol that goes before the site's for one patient, for a time.
type layer struct {
	InForce
	until day.Day // the last day; zero: no end
	whose string  // whose it is, for those that it loses against
	after *Reason // of what follows it
}

// holds says whether it is in force on a day.
func (l *layer) holds(on day.Day) bool { return l.From <= on && (l.until == 0 || on <= l.until) }

// chooseCare finds the care protocols of a clock: a device study goes before a
// ruling for this patient, that before the labelling of the device, that before
// the site's protocol, and that before the society's, which is the default.
func (e *engine) chooseCare(m *implant, c *clock) {
	c.eras = e.r.Care[c.class]
	c.over = e.studyLayers(m, c, e.ruledLayer(m, c, e.labelLayers(m, c)))
	for i := range c.over {
		c.eras = over(c.eras, &c.over[i])
	}
	c.eras = e.begun(c.eras)
	if p := c.care(); p != nil {
		c.need = p.Need(c.class, e.hasCondition)
	}
}

// over lays a protocol over others: those before it end when it begins, and what
// was in force under it goes on when it ends. Where nothing was, it stays.
func over(eras []InForce, l *layer) []InForce {
	var out []InForce
	for i, era := range eras {
		if l.From > 0 && (i == 0 || era.From < l.From) {
			out = append(out, era)
		}
	}
	out = append(out, l.InForce)
	if l.until == 0 || len(eras) == 0 {
		return out
	}
	next := l.until + 1
	under := eras[0]
	for _, era := range eras[1:] {
		if era.From <= next {
			under = era
		}
	}
	under.From, under.why = next, l.after
	out = append(out, under)
	for _, era := range eras[1:] {
		if era.From > next {
			out = append(out, era)
		}
	}
	return out
}

// labelLayers are the protocols of the labelling of an implant's devices; where
// devices have several, that which the settings name first is the strongest.
func (e *engine) labelLayers(m *implant, c *clock) []layer {
	if len(e.r.Labels) == 0 || len(e.c.Devices) == 0 {
		return nil
	}
	var list []layer
	devices := e.deviceList(m)
	for i := len(e.r.Labels) - 1; i >= 0; i-- {
		l := &e.r.Labels[i]
		at := slices.IndexFunc(devices, func(d chart.Device) bool {
			return d.UDI != "" && chart.MarkForm(chart.MarkModel, d.UDI) == l.Device
		})
		if at < 0 {
			continue
		}
		why := &Reason{Rule: "care-by-labelling", Facts: []string{devices[at].Ref}, Word: l.Protocol.Ref()}
		if !l.Protocol.For(c.class) {
			why.Rule = "labelling-other-class"
			m.noteOnce(*why)
			continue
		}
		list = append(list, layer{InForce: InForce{Protocol: l.Protocol, From: l.From, Chosen: "device labelling", why: why}, until: l.Until,
			whose: "the device's labelling " + l.Protocol.ID})
	}
	return list
}

// noteOnce adds a reason to what made the implant.
func (m *implant) noteOnce(r Reason) {
	if !slices.ContainsFunc(m.why, func(o Reason) bool { return o.Rule == r.Rule && o.Word == r.Word }) {
		m.why = append(m.why, r)
	}
}

// ruledLayer adds the protocol that a person chose for this patient.
func (e *engine) ruledLayer(m *implant, c *clock, below []layer) []layer {
	for i := len(e.rulings) - 1; i >= 0; i-- {
		r := &e.rulings[i]
		if r.Kind != chart.RuleProtocol || !m.concerns(r) || e.r.All[r.Value] == nil || !e.r.All[r.Value].For(c.class) {
			continue
		}
		p := e.r.All[r.Value]
		why := &Reason{Rule: "care-by-ruling", Facts: []string{r.ID}, From: day.On(r.From()), Word: p.Ref()}
		return append(below, layer{InForce: InForce{Protocol: p, From: r.From(), Chosen: "ruling", why: why}, whose: "the protocol " + p.ID + " that a person chose"})
	}
	return below
}

// studyLayers add the protocols of the studies that make the work, for the time
// for which the patient is on them. A study whose schedule is over makes none
// any more: it must not end the care.
func (e *engine) studyLayers(m *implant, c *clock, below []layer) []layer {
	if len(e.parts) == 0 {
		return below
	}
	for i := len(e.r.StudyCare) - 1; i >= 0; i-- {
		s := &e.r.StudyCare[i]
		at := slices.IndexFunc(e.parts, func(p *part) bool { return means(p.key, s.Key, s.Name) })
		if at < 0 || !s.Protocol.For(c.class) {
			continue
		}
		for j := range e.parts[at].stays {
			t := &e.parts[at].stays[j]
			if t.vague {
				e.ask(Question{Kind: "other", About: t.facts[0], Since: t.from, Why: Reason{Rule: "study-left-without-day", Facts: t.facts, Word: s.Name}})
				continue
			}
			if l := studyLayer(m, c, s, t); l.until == 0 || l.From <= l.until {
				below = append(below, l)
			}
		}
	}
	return below
}

// studyLayer is the protocol of a study for one stay on it.
func studyLayer(m *implant, c *clock, s *StudyCare, t *stay) layer {
	since := day.On(t.from)
	if t.from == 0 {
		since = m.index
	}
	why := &Reason{Rule: "care-by-study", Facts: t.facts, From: since, Word: s.Protocol.Ref() + " of " + s.Name}
	l := layer{InForce: InForce{Protocol: s.Protocol, From: max(t.from, s.From), Chosen: "device study", why: why}, whose: "the protocol " + s.Protocol.ID + " of " + s.Name}
	after := Reason{Rule: "care-after-study", Facts: t.facts, Word: s.Name}
	for _, end := range []struct {
		on   day.Day
		rule string
	}{{t.until, "care-after-study"}, {lastClose(s.Protocol, c), "care-after-schedule"}, {s.Until, "care-after-settings"}} {
		if end.on > 0 && (l.until == 0 || end.on < l.until) {
			l.until, after.Rule, after.From = end.on, end.rule, day.On(end.on)
		}
	}
	l.after = &after
	return l
}

// lastClose is the last day of a schedule on which its visits move the ladder;
// zero where it is for life, or where nothing is known to count from.
func lastClose(p *protocol.Protocol, c *clock) day.Day {
	var last day.Day
	for i := range p.Series {
		s := &p.Series[i]
		if !s.Ladder || !s.For(c.class) || !c.from.Known() {
			continue
		}
		for _, step := range s.Steps {
			last = max(last, c.from.Last.Add(step.At).Plus(step.After))
		}
		switch r := s.Repeat; {
		case r == nil:
		case r.Until.Zero():
			return 0
		default:
			last = max(last, c.from.Last.Add(r.Until).Plus(r.After))
		}
	}
	return last
}

// begun leaves out protocols that are not in force yet.
func (e *engine) begun(eras []InForce) []InForce {
	n := len(eras)
	for n > 0 && eras[n-1].From > 0 && !e.reached(eras[n-1].From) {
		n--
	}
	return eras[:n]
}

// explain tells visits by whose word they are asked for, where that is neither
// the site nor a person.
func (f *InForce) explain(list []*visit) {
	if f.why == nil || f.why.Rule == "care-by-ruling" {
		return
	}
	for _, v := range list {
		v.note().ruled = append(v.note().ruled, *f.why)
	}
}

// whyCare says why an implant is followed by its protocol, where the patient has
// one of his own, and what that goes before.
func (e *engine) whyCare(m *implant) []Reason {
	c := m.now()
	now := &c.eras[len(c.eras)-1]
	if now.why == nil {
		return nil
	}
	why := *now.why
	top := slices.IndexFunc(c.over, func(l layer) bool { return l.why == now.why })
	if top < 0 {
		return []Reason{why}
	}
	var beaten []string
	for i := top - 1; i >= 0; i-- {
		if c.over[i].holds(e.asOf) {
			beaten = append(beaten, c.over[i].whose)
		}
	}
	if base := e.begun(e.r.Care[c.class]); len(base) > 0 {
		beaten = append(beaten, whoseBase(&base[len(base)-1]))
	}
	if len(beaten) > 0 {
		why.Word += ", before " + strings.Join(beaten, " and ")
	}
	return []Reason{why}
}

// whoseBase says whose a protocol is that holds for everybody.
func whoseBase(f *InForce) string {
	switch f.Chosen {
	case "site":
		return "the site's protocol " + f.Protocol.ID
	case "default":
		return "the society's protocol " + f.Protocol.ID
	}
	return "the protocol " + f.Protocol.ID
}

// Choice is why the implant is followed by its protocol and what that goes before,
// where it is not followed as everybody is.
func (m *Implant) Choice() []Reason {
	var list []Reason
	for _, r := range m.Why {
		if strings.HasPrefix(r.Rule, "care-") || r.Rule == "labelling-other-class" {
			list = append(list, r)
		}
	}
	return list
}
