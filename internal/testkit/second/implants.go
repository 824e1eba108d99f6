package second

import "sort"

// implant is one implant of the patient with its clocks.
type implant struct {
	id         string
	class      string // the newest
	territory  string
	side       string
	index      span // not known for an implant without a date
	clocks     []*clock
	operations []span // the days of every operation on it, the first included
	coils      []happening
	explanted  span // the operation that removed it
	byExplant  bool // made by an explant of the one before
	lone       bool // side unknown: nothing later is tied to it
	relined    bool
}

// clock is one run of the schedule, from an operation on.
type clock struct {
	number   int
	anchor   span
	by       string // the operation
	class    string
	protocol *Protocol // nil where no protocol names the class
	until    span      // the operation that started the next clock
}

// happening is something dated that causes a visit or a review.
type happening struct {
	id string
	at span
}

// now is the present clock.
func (m *implant) now() *clock { return m.clocks[len(m.clocks)-1] }

// sided tells which territories have a left and a right.
func sided(territory string) bool {
	return has([]string{"carotid", "iliac", "leg", "renal"}, territory)
}

// near tells whether the operation can be within 3 days of the first.
func near(first, op span) bool { return op.first-first.last <= 3 && first.first-op.last <= 3 }

// findImplants turns the operations that exist on the day into implants.
func (p *patient) findImplants() {
	places := map[string][]Operation{}
	var names []string
	for _, op := range p.chart.Operations {
		if !has([]string{"implant", "relining", "coils", "explant", "history"}, op.Role) {
			continue
		}
		if op.Role == "history" {
			op.Date = "" // a record of history only has no date of the operation
		} else if op.Status != "completed" {
			continue
		}
		if !begunText(op.Date, p.asOf) {
			continue
		}
		place := op.Territory
		if sided(op.Territory) {
			place += "/" + op.Side
		}
		if places[place] == nil {
			names = append(names, place)
		}
		places[place] = append(places[place], op)
	}
	sort.Strings(names)
	for _, place := range names {
		p.placeImplants(places[place])
	}
	p.sortImplants()
}

// sortImplants orders by index date, of which the narrower comes first, then id; those without a date last.
func (p *patient) sortImplants() {
	sort.SliceStable(p.implants, func(i, j int) bool {
		a, b := p.implants[i], p.implants[j]
		if a.index.known != b.index.known {
			return a.index.known
		}
		if a.index.first != b.index.first {
			return a.index.first < b.index.first
		}
		if a.index.last != b.index.last {
			return a.index.last < b.index.last // the narrower date
		}
		return a.id < b.id
	})
}

// placeImplants works through the operations of one territory (and side).
func (p *patient) placeImplants(ops []Operation) {
	before := len(p.implants)
	var dated, undated []Operation
	for _, op := range ops {
		if readSpan(op.Date).known {
			dated = append(dated, op)
		} else {
			undated = append(undated, op)
		}
	}
	sort.Slice(dated, func(i, j int) bool {
		a, b := readSpan(dated[i].Date), readSpan(dated[j].Date)
		if a.first != b.first {
			return a.first < b.first
		}
		if a.last != b.last {
			return a.last < b.last
		}
		return dated[i].ID < dated[j].ID
	})
	var current *implant
	for _, op := range dated {
		if sided(op.Territory) && op.Side == "" && p.unknownSide(op) {
			continue
		}
		current = p.operate(current, op)
	}
	made := false // one without an index, by a relining of what nothing records
	for _, m := range p.implants[before:] {
		made = made || !m.index.known
	}
	p.placeUndated(undated, current != nil, made)
}

// unknownSide asks about an operation of unknown side, and tells whether that
// is all: of which side would a re-intervention be?
func (p *patient) unknownSide(op Operation) bool {
	p.ask("other", op.ID, readSpan(op.Date), false)
	return op.Role != "implant"
}

// operate applies one dated operation and returns the implant now in place.
func (p *patient) operate(current *implant, op Operation) *implant {
	switch op.Role {
	case "explant":
		return p.explant(current, op)
	case "coils":
		addCoils(current, op)
		return current
	}
	at := readSpan(op.Date)
	if current == nil {
		if op.Role == "relining" {
			// A re-intervention on an implant that nothing records.
			p.addUndated(op)
			return nil
		}
		return p.newImplant(op, op.Class)
	}
	if near(current.now().anchor, at) {
		if !at.exact() || !current.now().anchor.exact() {
			p.ask("partial-date", op.ID, at, false)
		}
		return current
	}
	if current.lone {
		return p.newImplant(op, op.Class)
	}
	if op.Class == "open-repair" && current.class != "open-repair" {
		return p.explant(current, op) // open conversion
	}
	p.reline(current, op, at)
	return current
}

// newImplant starts an implant at the operation.
func (p *patient) newImplant(op Operation, class string) *implant {
	at := readSpan(op.Date)
	made := &implant{id: op.ID, class: class, territory: op.Territory, side: op.Side, index: at,
		lone: sided(op.Territory) && op.Side == ""}
	made.clocks = []*clock{{number: 1, anchor: at, by: op.ID, class: class, protocol: p.pick(class)}}
	made.operations = []span{at}
	p.implants = append(p.implants, made)
	if !at.exact() {
		p.ask("index-date", op.ID, at, true)
	}
	if made.clocks[0].protocol == nil {
		p.ask("implant-class", op.ID, at, true)
	}
	return made
}

// reline starts a new clock, unless the protocol keeps the old one.
func (p *patient) reline(m *implant, op Operation, at span) {
	m.relined = true
	m.operations = append(m.operations, at)
	old := m.now()
	if old.protocol != nil && old.protocol.KeepClock {
		return
	}
	class := op.Class
	if class == "" || op.Role == "relining" {
		class = m.class
	}
	m.class = class
	old.until = at
	m.clocks = append(m.clocks, &clock{number: old.number + 1, anchor: at, by: op.ID, class: class, protocol: p.pick(class)})
	if !at.exact() {
		p.ask("index-date", op.ID, at, true)
	}
	if m.now().protocol == nil {
		p.ask("implant-class", op.ID, at, true)
	}
}

// explant ends the implant and makes one of class open-repair that day.
func (p *patient) explant(current *implant, op Operation) *implant {
	at := readSpan(op.Date)
	if current != nil && current.class == "open-repair" && !current.relined && near(current.index, at) {
		return current // the same operation, told twice
	}
	if current != nil {
		current.explanted = at
		current.operations = append(current.operations, at)
	}
	made := p.newImplant(op, "open-repair")
	made.byExplant = true
	return made
}

// addCoils notes one embolisation; what lies within 3 days of it is the same.
func addCoils(m *implant, op Operation) {
	at := readSpan(op.Date)
	if m == nil || m.lone || at.first <= m.index.last {
		return
	}
	for _, c := range m.coils {
		if near(c.at, at) {
			return
		}
	}
	m.coils = append(m.coils, happening{op.ID, at})
	m.operations = append(m.operations, at)
}

// placeUndated handles what has no date at all: a question, and an implant
// without a schedule unless one of the place is known. Records of history come
// last: any implant of the place explains them.
func (p *patient) placeUndated(ops []Operation, explained, made bool) {
	sort.Slice(ops, func(i, j int) bool {
		if a, b := ops[i].Role == "history", ops[j].Role == "history"; a != b {
			return b
		}
		return ops[i].ID < ops[j].ID
	})
	for _, op := range ops {
		lone := sided(op.Territory) && op.Side == ""
		switch {
		case op.Role == "history" && (explained || made), op.Role != "history" && lone && p.unknownSide(op):
		case explained && !lone, made, op.Role == "coils", op.Role == "explant":
			p.ask("index-date", op.ID, span{}, true)
		default:
			p.addUndated(op)
			made = true
		}
	}
}

// addUndated makes an implant without an index.
func (p *patient) addUndated(op Operation) {
	p.ask("index-date", op.ID, span{}, true)
	made := &implant{id: op.ID, class: op.Class, territory: op.Territory, side: op.Side}
	made.clocks = []*clock{{number: 1, by: op.ID, class: op.Class, protocol: p.pick(op.Class)}}
	p.implants = append(p.implants, made)
}

// unresolved tells whether the schedule cannot run.
func (m *implant) unresolved() bool { return !m.index.known || m.now().protocol == nil }

// lastOperation is the latest operation's first day.
func (m *implant) lastOperation() day {
	latest := m.index.first
	for _, at := range m.operations {
		if at.first > latest {
			latest = at.first
		}
	}
	return latest
}
