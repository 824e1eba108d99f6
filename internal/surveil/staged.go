package surveil

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// stage is a ruling by which operations from first to last are one plan.
type stage struct {
	ruling      *chart.Ruling
	first, last *chart.Operation
}

// stagedDays is how far apart the first and the last stage of one plan may be.
const stagedDays = 366

// findStages reads the rulings on staged operations. One that names an
// operation that is not on record, or stages too far apart or in the wrong
// order, changes nothing and is asked about.
func (e *engine) findStages(ops []*chart.Operation) {
	find := func(ref string) *chart.Operation {
		if i := slices.IndexFunc(ops, func(op *chart.Operation) bool { return op.Ref == ref && op.On.Exact() }); i >= 0 {
			return ops[i]
		}
		return nil
	}
	for i := range e.rulings {
		r := &e.rulings[i]
		if r.Kind != chart.RuleStaged || r.Problem() != "" {
			continue
		}
		s := stage{r, find(r.About), find(r.Value)}
		if s.first == nil || s.last == nil || s.last.On.First < s.first.On.First || s.last.On.Apart(s.first.On) > stagedDays {
			e.ask(Question{Kind: "other", About: r.About, Since: r.From(), Hides: true, Why: Reason{Rule: "staged-not-usable", Facts: []string{r.ID}, Word: r.Value}})
			continue
		}
		e.stages = append(e.stages, s)
	}
}

// staged says whether an operation is a later stage of what started the
// implant's clock, and moves the clock to it where it is: the index is then
// the last stage.
func (e *engine) staged(op *chart.Operation, m *implant) bool {
	if op.Role == chart.RoleOcclusion || op.Role == chart.RoleExplant || !op.On.Exact() {
		return false
	}
	i := slices.IndexFunc(e.stages, func(s stage) bool { return m.startedBy(s.first) && op.On.Last <= s.last.On.Last })
	if i < 0 {
		return false
	}
	if op.Role == chart.RoleImplant && op.Class != "" {
		m.class, m.now().class = op.Class, op.Class
	}
	m.ops, m.devices = append(m.ops, op), append(m.devices, op.Devices...)
	m.restart(op, e.stages[i].ruling)
	return true
}

// startedBy says whether an operation is among those that started the present
// clock.
func (m *implant) startedBy(op *chart.Operation) bool {
	return slices.Contains(m.ops, op) && op.On.First >= m.now().stagedFrom()
}

// stagedFrom is the first day of the operations that started a clock.
func (c *clock) stagedFrom() day.Day {
	if c.stage > 0 {
		return c.stage
	}
	return c.from.First
}

// restart moves the present clock to a later stage.
func (m *implant) restart(op *chart.Operation, r *chart.Ruling) {
	c := m.now()
	c.stage = c.stagedFrom()
	if c.from = op.On; c.number == 1 {
		m.index = op.On
	}
	why := Reason{Rule: "staged", Facts: []string{op.Ref, r.ID}, From: op.On}
	if last := &m.why[len(m.why)-1]; last.Rule == "staged" {
		*last = why
		return
	}
	m.why = append(m.why, why)
}

// stagesElsewhere moves the clock of an implant whose plan ended with an
// operation in another place.
func (e *engine) stagesElsewhere() {
	for _, s := range e.stages {
		for _, m := range e.implants {
			if !slices.Contains(m.ops, s.last) && m.startedBy(s.first) && s.last.On.First > m.now().from.First {
				m.restart(s.last, s.ruling)
			}
		}
	}
}
