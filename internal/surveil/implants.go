package surveil

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// implant is one implant while its schedule is being worked out.
type implant struct {
	id        string
	class     string
	zone      string
	side      string
	sided     bool
	index     day.Span
	performer string
	clocks    []*clock
	coils     []*chart.Operation
	ops       []*chart.Operation // all operations on it, by date
	explanted *chart.Operation
	devices   []string // references named by its operations
	why       []Reason

	visits  []*visit
	end     *ending
	paused  *chart.Ruling
	agreed  []protocol.Way  // ways that a person agreed for all visits
	waiting bool            // a study waits for acceptance
	used    map[*study]bool // studies that a visit took
}

// clock is a stretch of schedule, from the index or from a re-intervention.
type clock struct {
	number int
	class  string
	from   day.Span // the operation that started it
	by     string   // its reference
	until  day.Span // the operation that started the next; unknown: it runs
	stage  day.Day  // the first of the staged operations that started it; zero: not staged
	eras   []InForce
	over   []layer // what goes before the site's protocol, the strongest last; nil for most
	need   chart.Territory
	hits   []hit // of the triggers of its protocol; known once its visits are
}

// now is the clock that runs.
func (m *implant) now() *clock { return m.clocks[len(m.clocks)-1] }

// care is the protocol that the implant is under now; nil where none is.
func (c *clock) care() *protocol.Protocol {
	if len(c.eras) == 0 {
		return nil
	}
	return c.eras[len(c.eras)-1].Protocol
}

// unresolved says whether a question stops the schedule.
func (m *implant) unresolved() bool { return !m.index.Known() || m.now().care() == nil }

// findImplants turns the operations into implants, clocks and ends.
func (e *engine) findImplants() {
	ops := e.operations()
	e.findStages(ops)
	for _, op := range ops {
		e.operate(op)
	}
	e.stagesElsewhere()
	e.histories()
	e.byHand()
	e.implants = slices.DeleteFunc(e.implants, func(m *implant) bool { return e.ruledOut(m) })
	slices.SortFunc(e.implants, func(a, b *implant) int {
		if a.index != b.index && a.index.Known() && b.index.Known() {
			if a.index.Before(b.index) {
				return -1
			}
			return 1
		}
		if a.index.Known() != b.index.Known() {
			return cmp.Compare(b.index.First, a.index.First)
		}
		return strings.Compare(a.id, b.id)
	})
	for _, m := range e.implants {
		e.settleClocks(m)
	}
}

// operations are those that exist, dated ones first and by date.
func (e *engine) operations() []*chart.Operation {
	var ops []*chart.Operation
	for i := range e.c.Operations {
		op := &e.c.Operations[i]
		if op.Role == chart.RoleOther || op.On.Known() && !e.exists(op.On) {
			continue
		}
		if on, ok := e.ruledIndex(op.Ref); ok {
			copied := *op
			copied.On, op = on, &copied
		}
		ops = append(ops, op)
	}
	slices.SortStableFunc(ops, func(a, b *chart.Operation) int {
		switch {
		case a.On.Known() != b.On.Known():
			return cmp.Compare(b.On.First, a.On.First)
		case a.On != b.On && a.On.Before(b.On):
			return -1
		case a.On != b.On:
			return 1
		case a.Minute != b.Minute:
			return cmp.Compare(a.Minute, b.Minute)
		}
		return strings.Compare(a.Ref, b.Ref)
	})
	return ops
}

// ruledIndex is the date that a person gave for an operation.
func (e *engine) ruledIndex(ref string) (day.Span, bool) {
	for i := len(e.rulings) - 1; i >= 0; i-- {
		if r := &e.rulings[i]; r.Kind == chart.RuleIndex && r.About == ref {
			if on, err := day.ParseDate(r.Value); err == nil {
				return on, true
			}
		}
	}
	return day.Span{}, false
}

// ruledOut says whether a person said that this is no implant of ours.
func (e *engine) ruledOut(m *implant) bool {
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleNoImplant && r.About == m.id {
			return true
		}
	}
	return false
}

// operate applies one operation, in the order of their dates.
func (e *engine) operate(op *chart.Operation) {
	if op.Sided && op.Side == "" {
		e.operateUnknownSide(op)
		return
	}
	m := e.live(op.Zone, op.Side)
	switch {
	case !op.On.Known():
		e.operateUndated(op, m)
	case op.Role == chart.RoleOcclusion:
		e.occlude(op, m)
	case op.Role == chart.RoleExplant:
		e.explant(op, m)
	case m == nil && op.Role == chart.RoleRelining:
		e.implants = append(e.implants, &implant{id: op.Ref, class: op.Class, zone: op.Zone, side: op.Side, sided: op.Sided,
			clocks: []*clock{{number: 1, class: op.Class}}, why: []Reason{{Rule: "relined-without-index", Facts: []string{op.Ref}}}})
		e.ask(Question{Kind: "index-date", About: op.Ref, Hides: true, Why: Reason{Rule: "relined-without-index", Facts: []string{op.Ref}}})
	case m == nil:
		e.implants = append(e.implants, e.newImplant(op))
	case e.staged(op, m), e.joins(op, m):
	case op.Class == "open-repair" && m.class != "open-repair" && op.Role == chart.RoleImplant:
		e.explant(op, m)
	default:
		m.reline(op)
		if !op.On.Exact() {
			e.ask(Question{Kind: "index-date", About: op.Ref, Since: op.On.First, Hides: true, Why: Reason{Rule: "index-partial", Facts: []string{op.Ref}, From: op.On}})
		}
	}
}

// occlude notes coils or an embolisation; what lies within a few days of it
// is the same.
func (e *engine) occlude(op *chart.Operation, m *implant) {
	if m == nil || op.On.First <= m.index.Last {
		return
	}
	if !slices.ContainsFunc(m.coils, func(c *chart.Operation) bool { return c.On.Apart(op.On) <= e.r.Settings.ClusterDays }) {
		m.coils, m.ops = append(m.coils, op), append(m.ops, op)
	}
}

// live is the implant of a place that has not been explanted.
func (e *engine) live(zone, side string) *implant {
	for i := len(e.implants) - 1; i >= 0; i-- {
		m := e.implants[i]
		if m.zone == zone && m.side == side && m.explanted == nil && m.index.Known() && !(m.sided && m.side == "") {
			return m
		}
	}
	return nil
}

// newImplant starts an implant with its first operation.
func (e *engine) newImplant(op *chart.Operation) *implant {
	m := &implant{id: op.Ref, class: op.Class, zone: op.Zone, side: op.Side, sided: op.Sided, index: op.On, performer: op.Performer,
		ops: []*chart.Operation{op}, devices: op.Devices, clocks: []*clock{{number: 1, class: op.Class, from: op.On, by: op.Ref}}}
	m.why = []Reason{{Rule: "implanted", Facts: []string{op.Ref}, From: op.On, Word: op.How}}
	if !op.On.Exact() {
		e.ask(Question{Kind: "index-date", About: op.Ref, Since: op.On.First, Hides: true, Why: Reason{Rule: "index-partial", Facts: []string{op.Ref}, From: op.On}})
	}
	if op.Doubtful != "" {
		e.ask(Question{Kind: "other", About: op.Ref, Since: op.On.First, Hides: true, Why: Reason{Rule: "operation-doubtful", Facts: []string{op.Ref}, Word: op.Doubtful}})
	}
	return m
}

// joins says whether an operation belongs to the cluster of the latest event
// of the implant, and ties it to it where it does.
func (e *engine) joins(op *chart.Operation, m *implant) bool {
	last := m.now().from
	if op.On.Apart(last) > e.r.Settings.ClusterDays {
		return false
	}
	if !op.On.Exact() || !last.Exact() {
		e.ask(Question{Kind: "partial-date", About: op.Ref, Since: op.On.First, Why: Reason{Rule: "operation-may-be-same", Facts: []string{op.Ref, m.id}}})
	}
	m.ops, m.devices = append(m.ops, op), append(m.devices, op.Devices...)
	m.why[len(m.why)-1].Facts = append(m.why[len(m.why)-1].Facts, op.Ref)
	return true
}

// reline starts a new clock; an index-class operation brings its class.
func (m *implant) reline(op *chart.Operation) {
	class := m.class
	if op.Role == chart.RoleImplant && op.Class != "" {
		class = op.Class
	}
	m.now().until = op.On
	m.class = class
	m.clocks = append(m.clocks, &clock{number: len(m.clocks) + 1, class: class, from: op.On, by: op.Ref})
	m.ops, m.devices = append(m.ops, op), append(m.devices, op.Devices...)
	m.why = append(m.why, Reason{Rule: "relined", Facts: []string{op.Ref}, From: op.On, Word: op.How})
}

// zoneCava is the place of a filter.
const zoneCava = "vena-cava"

// explant ends an implant and makes a new one of class open-repair.
func (e *engine) explant(op *chart.Operation, m *implant) {
	if m != nil && m.class == "open-repair" && m.index == m.now().from && op.On.Apart(m.index) <= e.r.Settings.ClusterDays {
		m.ops = append(m.ops, op) // billed again
		return
	}
	if m != nil {
		m.explanted = op
		m.ops = append(m.ops, op)
		m.why = append(m.why, Reason{Rule: "explanted", Facts: []string{op.Ref}, From: op.On})
	}
	if op.Zone == zoneCava { // a filter that was taken out leaves nothing in its place
		if m != nil {
			m.why[len(m.why)-1].Rule = "filter-out"
		}
		return
	}
	opened := *op
	opened.Class, opened.Role = "open-repair", chart.RoleImplant
	e.implants = append(e.implants, e.newImplant(&opened))
}

// operateUndated asks about an operation without a date: it belongs to the
// implant of its place, or makes one without an index.
func (e *engine) operateUndated(op *chart.Operation, m *implant) {
	e.ask(Question{Kind: "index-date", About: op.Ref, Hides: true, Why: Reason{Rule: "operation-without-date", Facts: []string{op.Ref}}})
	undated := slices.ContainsFunc(e.implants, func(o *implant) bool { return o.zone == op.Zone && o.side == op.Side && !o.index.Known() })
	if m != nil || undated || op.Role == chart.RoleExplant || op.Role == chart.RoleOcclusion {
		return
	}
	e.implants = append(e.implants, &implant{id: op.Ref, class: op.Class, zone: op.Zone, side: op.Side, sided: op.Sided,
		clocks: []*clock{{number: 1, class: op.Class}}, devices: op.Devices, why: []Reason{{Rule: "operation-without-date", Facts: []string{op.Ref}}}})
}

// operateUnknownSide makes a separate implant where the side is not known;
// re-interventions of unknown side change nothing and are asked about.
func (e *engine) operateUnknownSide(op *chart.Operation) {
	e.ask(Question{Kind: "other", About: op.Ref, Since: op.On.First, Why: Reason{Rule: "side-unknown", Facts: []string{op.Ref}}})
	if op.Role != chart.RoleImplant {
		return
	}
	for _, m := range e.implants {
		if m.zone == op.Zone && m.sided && m.side == "" && m.index.Known() && op.On.Known() && e.joins(op, m) {
			return
		}
	}
	if !op.On.Known() {
		e.operateUndated(op, nil)
		return
	}
	e.implants = append(e.implants, e.newImplant(op))
}

// histories makes implants without an index of records of history only, and
// of devices that no operation explains.
func (e *engine) histories() {
	for i := range e.c.Histories {
		h := &e.c.Histories[i]
		if !e.explained(h.Zone, h.Side, h.Class) {
			e.addUndated(&implant{id: h.Ref, class: h.Class, zone: h.Zone, side: h.Side}, "known-from-history")
		}
	}
	for i := range e.c.Devices {
		d := &e.c.Devices[i]
		named := slices.ContainsFunc(e.implants, func(m *implant) bool { return slices.Contains(m.devices, d.Ref) })
		if d.IsImplant && !named && !e.explained(d.Zone, "", d.Class) {
			e.addUndated(&implant{id: d.Ref, class: d.Class, zone: d.Zone}, "known-from-device")
		}
	}
}

// explained says whether an implant of the place is known; where the record
// names no place any implant explains it, and an implant of no known place
// explains a record of its class.
func (e *engine) explained(zone, side, class string) bool {
	return slices.ContainsFunc(e.implants, func(m *implant) bool {
		placeless := m.zone == "" || strings.HasPrefix(m.zone, byHandZone)
		return zone == "" || m.zone == zone && m.side == side || placeless && m.class == class && class != ""
	})
}

// addUndated adds an implant without an index date and asks for it.
func (e *engine) addUndated(m *implant, rule string) {
	why := Reason{Rule: rule, Facts: []string{m.id}}
	m.clocks, m.why = []*clock{{number: 1, class: m.class}}, []Reason{why}
	if on, ok := e.ruledIndex(m.id); ok {
		m.index, m.clocks[0].from = on, on
	} else {
		e.ask(Question{Kind: "index-date", About: m.id, Hides: true, Why: why})
	}
	e.implants = append(e.implants, m)
}

// byHandZone begins the place of an implant that a person entered: where it
// lies is not known.
const byHandZone = "by-hand/"

// byHand adds the implants that people entered: operated elsewhere.
func (e *engine) byHand() {
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind != chart.RuleImplant {
			continue
		}
		ref := "Ruling/" + r.ID
		m := &implant{id: ref, class: r.Class, zone: byHandZone + r.ID, clocks: []*clock{{number: 1, class: r.Class}},
			why: []Reason{{Rule: "entered-by-hand", Facts: []string{r.ID}, Word: r.Who}}}
		on, err := day.ParseDate(r.Value)
		if err == nil && e.exists(on) {
			m.index, m.clocks[0].from = on, on
			m.ops = []*chart.Operation{{Source: chart.Source{Ref: ref}, On: on, Role: chart.RoleImplant, Class: r.Class, Minute: day.NoMinute}}
		}
		if !on.Exact() {
			e.ask(Question{Kind: "index-date", About: ref, Hides: true, Why: Reason{Rule: "index-partial", Facts: []string{r.ID}, From: on}})
		}
		e.implants = append(e.implants, m)
	}
}

// settleClocks chooses the protocol of each clock, and folds the clocks of a
// protocol that keeps its clock into one.
func (e *engine) settleClocks(m *implant) {
	for i := len(e.rulings) - 1; i >= 0; i-- {
		if r := &e.rulings[i]; r.Kind == chart.RuleClass && r.About == m.id {
			m.class, m.now().class = r.Value, r.Value
			break
		}
	}
	m.agreed = e.agreedWays(m)
	for _, c := range m.clocks {
		e.chooseCare(m, c)
		if c.care() == nil && m.index.Known() {
			about := cmp.Or(c.by, m.id)
			e.ask(Question{Kind: "implant-class", About: about, Since: c.from.First, Hides: true, Why: Reason{Rule: "class-without-protocol", Facts: []string{about}, Word: cmp.Or(c.class, "not stated")}})
		}
	}
	if p := m.now().care(); p != nil && p.KeepClock && len(m.clocks) > 1 {
		first, last := m.clocks[0], m.now()
		first.class, first.eras, first.over, first.need, first.until = last.class, last.eras, last.over, last.need, day.Span{}
		m.clocks = m.clocks[:1]
	}
}

// hasCondition says whether the patient has a condition that widens what must
// be imaged.
func (e *engine) hasCondition(what string) bool { return e.condition(what) != nil }

// condition is a condition that the patient has; nil where there is none.
func (e *engine) condition(what string) *chart.Condition {
	for i := range e.c.Conditions {
		if c := &e.c.Conditions[i]; c.What == what && (!c.On.Known() || e.exists(c.On)) {
			return c
		}
	}
	return nil
}

// deviceList are the devices of an implant: those that its operations name,
// or all that belong to its place where there is no other implant for them.
func (e *engine) deviceList(m *implant) []chart.Device {
	var list []chart.Device
	for _, d := range e.c.Devices {
		named := slices.Contains(m.devices, d.Ref) || d.Ref == m.id
		elsewhere := slices.ContainsFunc(e.implants, func(o *implant) bool { return o != m && slices.Contains(o.devices, d.Ref) })
		if named || !elsewhere && d.IsImplant && (d.Zone == m.zone || d.Zone == "" && len(e.implants) == 1) {
			list = append(list, d)
		}
	}
	return e.withParts(m, list)
}

// withParts adds the devices that are parts of those of an implant, or of which
// those are parts: limbs that only their main body ties to the operation.
func (e *engine) withParts(m *implant, list []chart.Device) []chart.Device {
	grown := slices.ContainsFunc(e.c.Devices, func(d chart.Device) bool { return d.Parent != "" })
	for grown {
		grown = false
		for _, d := range e.c.Devices {
			there := slices.ContainsFunc(list, func(o chart.Device) bool { return o.Ref == d.Ref })
			tied := slices.ContainsFunc(list, func(o chart.Device) bool {
				return o.Parent != "" && o.Parent == d.Ref || d.Parent != "" && d.Parent == o.Ref
			})
			elsewhere := slices.ContainsFunc(e.implants, func(o *implant) bool { return o != m && slices.Contains(o.devices, d.Ref) })
			if tied && !there && !elsewhere {
				list, grown = append(list, d), true
			}
		}
	}
	slices.SortStableFunc(list, func(a, b chart.Device) int { return strings.Compare(a.Ref, b.Ref) })
	return list
}
