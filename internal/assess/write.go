package assess

import (
	"bufio"
	"context"
	"slices"
	"strings"
	"sync"

	"perennial/internal/chart"
	"perennial/internal/intake"
	"perennial/internal/surveil"
)

// placeRulings finds whose the rulings are: a ruling about a record that was
// merged into another is about the surviving one. Patients whom no resource
// mentions may still have an implant entered by hand.
func (j *job) placeRulings() {
	j.owner = map[int][]chart.Ruling{}
	for patient, list := range j.rulings {
		if i, ok := j.groups.Find(patient); ok {
			j.owner[i] = append(j.owner[i], list...)
			continue
		}
		j.extra = append(j.extra, patient)
	}
	slices.Sort(j.extra)
	for _, list := range j.owner {
		slices.SortFunc(list, func(a, b chart.Ruling) int { return strings.Compare(a.ID, b.ID) })
	}
}

// items are the patients to look at in the order of their ids: places of
// groups, and extra patients as -1, -2, …. Where only plans are wanted, those
// that cannot have an implant are left out.
func (j *job) items() []int32 {
	var list []int32
	next := 0
	for i := range j.groups.Len() {
		for next < len(j.extra) && j.extra[next] < j.groups.Name(i) {
			next++
			list = append(list, int32(-next))
		}
		if j.o.Format == FormatSummary || j.groups.MayImplant(i) || len(j.owner[i]) > 0 {
			list = append(list, int32(i))
		}
	}
	for ; next < len(j.extra); next++ {
		list = append(list, int32(-next-1))
	}
	return list
}

// batch is how many patients a worker takes at once.
const batch = 64

// part is what a worker makes of a batch.
type part struct {
	text   []byte
	counts Counts
	tally  chart.Tally
}

// write evaluates all patients and writes them in order.
func (j *job) write(ctx context.Context) error {
	items := j.items()
	queue := make(chan task, workers())
	parts := make(chan chan part, 2*workers())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var team sync.WaitGroup
	for range workers() {
		team.Go(func() {
			w := worker{job: j}
			for t := range queue {
				t.to <- w.batch(t.items)
			}
		})
	}
	team.Go(func() {
		defer close(parts)
		defer close(queue)
		for chunk := range slices.Chunk(items, batch) {
			t := task{chunk, make(chan part, 1)}
			select {
			case parts <- t.to:
				queue <- t
			case <-ctx.Done():
				return
			}
		}
	})
	err := j.collect(ctx, parts)
	cancel()
	for range parts { // let the others end
	}
	team.Wait()
	return err
}

// task is a batch and where its result goes.
type task struct {
	items []int32
	to    chan part
}

// collect writes the parts as they come, in order.
func (j *job) collect(ctx context.Context, parts <-chan chan part) error {
	out := bufio.NewWriterSize(j.std.Out, 64<<10)
	f := newFinish(j, out)
	for to := range parts {
		p := <-to
		if ctx.Err() != nil {
			return ctx.Err()
		}
		f.add(p)
		if f.err != nil {
			return cannotWrite(f.err)
		}
	}
	f.end()
	if err := out.Flush(); err != nil {
		return cannotWrite(err)
	}
	if f.err != nil {
		return cannotWrite(f.err)
	}
	return ctx.Err()
}

// worker evaluates patients one after the other.
type worker struct {
	*job
	group intake.Group
}

func (w *worker) batch(items []int32) part {
	var p part
	for _, i := range items {
		w.one(i, &p)
	}
	return p
}

// one evaluates one patient.
func (w *worker) one(i int32, p *part) {
	o := chart.Options{KnownAt: w.knownAt, Accept: w.rules.Settings.AcceptReports}
	var statements []chart.Statement
	added := 0
	if i < 0 {
		o.Patient = w.extra[-i-1]
		o.Rulings = w.rulings[o.Patient]
	} else {
		w.groups.At(int(i), &w.group)
		o.Patient, o.Rulings = w.group.Patient, w.owner[int(i)]
		statements, added = w.group.Statements, w.group.Added
	}
	c, tally := chart.Assemble(statements, o)
	tally.Used -= added
	p.tally = sumTally(p.tally, tally)
	var plan surveil.Plan
	switch w.o.Format {
	case FormatJSON:
		plan = surveil.Evaluate(c, w.rules, w.asOf)
	case FormatTSV, FormatSummary:
		plan = surveil.Outline(c, w.rules, w.asOf)
	default:
		plan = surveil.Decide(c, w.rules, w.asOf)
	}
	if len(plan.Implants) == 0 {
		return
	}
	p.counts.add(&plan)
	p.text = w.render(p.text, &plan)
}

func sumTally(a, b chart.Tally) chart.Tally {
	return chart.Tally{Used: a.Used + b.Used, Superseded: a.Superseded + b.Superseded, InError: a.InError + b.InError, Unreadable: a.Unreadable + b.Unreadable, Later: a.Later + b.Later}
}

// render appends a plan in the format asked for.
func (w *worker) render(b []byte, p *surveil.Plan) []byte {
	switch w.o.Format {
	case FormatJSON:
		return appendPlan(b, p)
	case FormatTSV:
		return appendRow(b, p)
	case FormatTable:
		return appendTable(b, p)
	}
	return b
}
