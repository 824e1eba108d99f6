package assess

import (
	"fmt"
	"slices"
	"strconv"

	"perennial/internal/day"
	"perennial/internal/surveil"
)

// row is what the tsv says of a patient; the package comment says what is
// counted.
type row struct {
	done, missed int
	next         day.Day
	lapsed       bool
}

func rowOf(p *surveil.Plan) row {
	var r row
	for i := range p.Implants {
		m := &p.Implants[i]
		for k := range m.Visits {
			r.count(p, &m.Visits[k])
		}
		if p.Surveillance == surveil.StateActive && m.Ended == "" {
			r.lapsed = r.lapsed || lapsed(m)
		}
	}
	if p.Surveillance == surveil.StateEnded {
		r.next = 0
	}
	return r
}

// count counts one visit.
func (r *row) count(p *surveil.Plan, v *surveil.Visit) {
	within := p.Surveillance != surveil.StateEnded || v.Target.First <= p.EndedOn
	switch v.Standing {
	case surveil.Done:
		if within {
			r.done++
		}
	case surveil.Missed:
		if within {
			r.missed++
		}
	case surveil.Excused, surveil.Undecided:
	default:
		if r.next == 0 || v.Target.First < r.next {
			r.next = v.Target.First
		}
	}
}

// lapsed says whether in some series the last two settled visits of the present
// clock are missed.
func lapsed(m *surveil.Implant) bool {
	type run struct {
		series string
		missed int // in a row
	}
	var runs []run
	for i := range m.Visits {
		v := &m.Visits[i]
		if v.Clock != m.Clocks || v.Standing != surveil.Missed && v.Standing != surveil.Done {
			continue
		}
		k := slices.IndexFunc(runs, func(r run) bool { return r.series == v.Series })
		if k < 0 {
			k = len(runs)
			runs = append(runs, run{series: v.Series})
		}
		if runs[k].missed++; v.Standing == surveil.Done {
			runs[k].missed = 0
		}
	}
	return slices.ContainsFunc(runs, func(r run) bool { return r.missed >= 2 })
}

// appendRow writes the row of a patient.
func appendRow(b []byte, p *surveil.Plan) []byte {
	r := rowOf(p)
	b = append(append(b, oneLine(p.Patient)...), '\t')
	b = append(strconv.AppendInt(b, int64(r.done), 10), '\t')
	b = append(strconv.AppendInt(b, int64(r.missed), 10), '\t')
	if r.next > 0 {
		b = r.next.Append(b)
	}
	if r.lapsed {
		return append(b, "\t1\n"...)
	}
	return append(b, "\t0\n"...)
}

// tableHead names the columns of the table.
const tableHead = "PATIENT\tIMPLANT\tINDEX\tSURVEILLANCE\tFOLLOW-UP\tNEXT\tDUE\tWINDOW\tSTANDING\tQUESTIONS\n"

// appendTable writes a line for each implant.
func appendTable(b []byte, p *surveil.Plan) []byte {
	state := string(p.Surveillance)
	if p.Ended != "" {
		state += " (" + string(p.Ended) + ")"
	}
	for i := range p.Implants {
		m := &p.Implants[i]
		class, index := m.Class, m.Index.Text()
		if class == "" {
			class = "not known"
		}
		if index == "" {
			index = "not known"
		}
		b = fmt.Appendf(b, "%s\t%s\t%s\t%s\t%s\t", oneLine(p.Patient), class, index, state, p.FollowUp)
		if m.Next >= 0 && m.Next < len(m.Visits) && m.Ended == "" {
			v := &m.Visits[m.Next]
			b = fmt.Appendf(b, "%s\t%s\t%s to %s\t%s\t", v.Step, v.Target.First.Text(), v.Opens.First.Text(), v.Closes.Last.Text(), v.Standing)
		} else {
			b = append(b, "\t\t\t\t"...)
		}
		b = fmt.Appendf(b, "%d\n", len(p.Questions))
	}
	return b
}
