package assess

import (
	"bufio"
	"fmt"
	"io"
	"text/tabwriter"

	"perennial/internal/chart"
	"perennial/internal/fault"
	"perennial/internal/surveil"
)

// Counts are the patients with an implant; WithImplant is always the sum of
// the others.
type Counts struct {
	WithImplant, Active, Paused, Ended, Unresolved int
}

func (c *Counts) add(p *surveil.Plan) {
	c.WithImplant++
	switch p.Surveillance {
	case surveil.StateActive:
		c.Active++
	case surveil.StatePaused:
		c.Paused++
	case surveil.StateEnded:
		c.Ended++
	default:
		c.Unresolved++
	}
}

func (c *Counts) join(d Counts) {
	c.WithImplant += d.WithImplant
	c.Active += d.Active
	c.Paused += d.Paused
	c.Ended += d.Ended
	c.Unresolved += d.Unresolved
}

// finish writes the output as its parts come.
type finish struct {
	job    *job
	out    *bufio.Writer
	table  *tabwriter.Writer
	rows   [][]byte // texts of the items, kept until all are there; nil: each is written at once
	counts Counts
	tally  chart.Tally
	err    error
}

func newFinish(j *job, out *bufio.Writer, items int) *finish {
	f := &finish{job: j, out: out}
	if j.o.Format != FormatJSON {
		f.rows = make([][]byte, items)
	}
	if j.o.Format == FormatTable {
		f.table = tabwriter.NewWriter(out, 0, 8, 2, ' ', 0)
		io.WriteString(f.table, tableHead)
	}
	return f
}

func (f *finish) add(p part) {
	f.counts.join(p.counts)
	f.tally = sumTally(f.tally, p.tally)
	if f.rows == nil {
		_, f.err = f.out.Write(p.text)
		return
	}
	from := int32(0)
	for i, turn := range p.turns {
		f.rows[turn], from = p.text[from:p.ends[i]], p.ends[i]
	}
}

// writeRows writes what was kept, in order.
func (f *finish) writeRows() {
	var to io.Writer = f.out
	if f.table != nil {
		to = f.table
	}
	for _, row := range f.rows {
		if _, f.err = to.Write(row); f.err != nil {
			return
		}
	}
}

// end writes what comes after the last patient.
func (f *finish) end() {
	s := &f.job.sums
	s.Used += f.tally.Used
	s.Superseded += f.tally.Superseded
	s.InError += f.tally.InError
	s.Received -= f.tally.Later // they do not exist yet
	if f.writeRows(); f.err != nil {
		return
	}
	switch f.job.o.Format {
	case FormatTable:
		f.err = f.table.Flush()
		c := f.counts
		fmt.Fprintf(f.out, "\nAs of %s: %d with an implant = %d under surveillance + %d paused + %d ended + %d unresolved. "+
			"These are proposals: check before acting.\n", f.job.asOf.Text(), c.WithImplant, c.Active, c.Paused, c.Ended, c.Unresolved)
	case FormatSummary:
		c := f.counts
		fmt.Fprintf(f.out, `{"resources":{"received":%d,"used":%d,"superseded":%d,"notRelevant":%d,"inError":%d,"quarantined":%d},`+
			`"patients":{"withImplant":%d,"active":%d,"paused":%d,"ended":%d,"unresolved":%d}}`+"\n",
			s.Received, s.Used, s.Superseded, s.NotRelevant, s.InError, s.Quarantined, c.WithImplant, c.Active, c.Paused, c.Ended, c.Unresolved)
	}
}

func cannotWrite(err error) error {
	return fault.New(fault.KindOf(err), "writing the output", "Free some room, or check where the output goes; it is not complete.", err)
}
