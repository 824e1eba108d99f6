package assess

import (
	"bufio"
	"cmp"
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

// turns are the places of items in the order in which they are evaluated: that
// in which the input brought them, since statements that lie together are read
// back twice as fast. Whole plans are too large to be kept until the one is
// done that is to be written first, so that these are made in order.
func (j *job) turns(items []int32) []int32 {
	turns := make([]int32, len(items))
	for i := range turns {
		turns[i] = int32(i)
	}
	if j.o.Format == FormatJSON {
		return turns
	}
	met := func(turn int32) int32 {
		if i := items[turn]; i >= 0 {
			return j.groups.Met(int(i))
		}
		return -1 // known from rulings only: nothing is read
	}
	slices.SortFunc(turns, func(a, b int32) int { return cmp.Compare(met(a), met(b)) })
	return turns
}

// batch is how many patients a worker takes at once.
const batch = 64

// part is what a worker makes of a batch.
type part struct {
	turns  []int32
	text   []byte
	ends   []int32 // where the text of each item ends
	counts Counts
	tally  chart.Tally
}

// write evaluates all patients and writes them in order.
func (j *job) write(ctx context.Context) error {
	items := j.items()
	turns := j.turns(items)
	queue := make(chan task, workers())
	parts := make(chan chan part, 2*workers())
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var team sync.WaitGroup
	for range workers() {
		team.Go(func() {
			w := worker{job: j}
			for t := range queue {
				t.to <- w.batch(items, t.turns)
			}
		})
	}
	team.Go(func() {
		defer close(parts)
		defer close(queue)
		for chunk := range slices.Chunk(turns, batch) {
			t := task{chunk, make(chan part, 1)}
			select {
			case parts <- t.to:
				queue <- t
			case <-ctx.Done():
				return
			}
		}
	})
	err := j.collect(ctx, parts, len(items))
	cancel()
	for range parts { // let the others end
	}
	team.Wait()
	return err
}

// task is a batch and where its result goes.
type task struct {
	turns []int32
	to    chan part
}

// collect takes the parts as they come, and has them written in order.
func (j *job) collect(ctx context.Context, parts <-chan chan part, items int) error {
	out := bufio.NewWriterSize(j.std.Out, 64<<10)
	f := newFinish(j, out, items)
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
	group    intake.Group
	outliner surveil.Outliner
}

func (w *worker) batch(items, turns []int32) part {
	p := part{turns: turns, ends: make([]int32, 0, len(turns))}
	for _, turn := range turns {
		w.one(items[turn], &p)
		p.ends = append(p.ends, int32(len(p.text)))
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
		plan = w.outliner.Outline(c, w.rules, w.asOf)
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
