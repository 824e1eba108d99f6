package assess

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"
	"sync/atomic"

	"perennial/internal/chart"
	"perennial/internal/fhir"
	"perennial/internal/intake"
)

// Sums are what became of the resources received. Received is always the sum of
// the others.
type Sums struct {
	Received, Used, Superseded, NotRelevant, InError, Quarantined int
}

// readAll reads every input.
func (j *job) readAll(ctx context.Context, inputs []Input) error {
	var all, done int64
	for _, in := range inputs {
		all += in.Size
	}
	rd := &reading{job: j, ctx: ctx, mapper: intake.Mapper{Book: j.book, Zone: j.zone, Reuse: true}}
	rd.mapper.Series = rd.decoder.LoadSeries
	for _, in := range inputs {
		if err := rd.file(in, done, all); err != nil {
			return err
		}
		done += in.Size
	}
	j.groups = j.grouper.Groups()
	debug.SetGCPercent(percentFor(j.grouper.Size()))
	for _, p := range j.groups.Parked() {
		j.quarantine(p.File, p.Line, p.Ref, p.Why)
	}
	j.sums.Superseded += j.groups.Moved
	j.sums.InError += j.groups.Loose
	j.placeRulings()
	return nil
}

// quarantine counts a resource that cannot be used and says so.
func (j *job) quarantine(file string, line int, ref, what string) {
	j.sums.Quarantined++
	if ref != "" {
		what = oneLine(ref) + ": " + what
	}
	fmt.Fprintf(j.std.Err, "%s:%d: %s\n", oneLine(file), line, what)
}

// oneLine takes out of a text from outside what would break a line, a column or
// a terminal.
func oneLine(s string) string {
	odd := func(r rune) bool { return r < ' ' || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 }
	if strings.IndexFunc(s, odd) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if odd(r) {
			return '?'
		}
		return r
	}, s)
}

// reading reads the inputs one after the other.
type reading struct {
	*job
	ctx     context.Context
	decoder fhir.Decoder
	mapper  intake.Mapper
	n       int64 // resources so far
}

// file reads one input.
func (rd *reading) file(in Input, done, all int64) error {
	src := rd.std.In
	if in.Path != "-" {
		f, err := os.Open(in.Path)
		if err != nil {
			return notAssessed([]error{CannotRead(in.Path, err)})
		}
		defer f.Close()
		src = f
	}
	if rd.o.Progress != nil {
		src = &counted{r: src, tell: func(n int64) { rd.o.Progress(done+n, all) }}
	}
	err := fhir.Read(in.Name(), src, fhir.Handler{Each: rd.each, Issue: rd.issue, Limits: fhir.Limits{Buffer: 256 << 10}})
	if err != nil && rd.ctx.Err() == nil {
		return notAssessed([]error{CannotRead(in.Path, err)})
	}
	return err
}

// each takes one resource.
func (rd *reading) each(raw fhir.Raw) error {
	rd.n++
	if rd.n&0xff == 0 && rd.ctx.Err() != nil {
		return rd.ctx.Err()
	}
	if rd.n&0xffff == 0 {
		debug.SetGCPercent(percentFor(rd.grouper.Size()))
	}
	rd.sums.Received++
	r, err := rd.decoder.Decode(raw.Body)
	if err != nil {
		rd.refused(raw, err)
		return nil
	}
	intake.Identify(r.Head(), raw)
	s, use, err := rd.mapper.Map(r)
	switch {
	case err != nil:
		rd.refused(raw, err)
	case use == intake.NotRelevant:
		rd.sums.NotRelevant++
	default:
		rd.add(s, intake.Place{File: raw.File, Line: raw.Line, FullURL: raw.FullURL})
	}
	return nil
}

// add gives a statement to the grouper.
func (rd *reading) add(s *chart.Statement, at intake.Place) {
	s.Seq = rd.n
	rd.grouper.Add(s, at)
}

// refused takes a resource that cannot be trusted.
func (rd *reading) refused(raw fhir.Raw, err error) {
	known := fhir.Salvage(raw.Body)
	what := err.Error()
	if q, ok := err.(*fhir.Quarantine); ok {
		plain := fhir.Quarantine{Field: q.Field, What: q.What}
		what = plain.Error()
	}
	rd.unread(fhir.Issue{File: raw.File, Line: raw.Line, Ref: known.Ref(), What: what, Known: known}, raw.FullURL)
}

// issue takes what could not be taken apart into resources.
func (rd *reading) issue(i fhir.Issue) {
	rd.n++
	rd.sums.Received++
	rd.unread(i, "")
}

func (rd *reading) unread(i fhir.Issue, fullURL string) {
	what := i.What
	if i.Fix != "" {
		what += "; " + i.Fix
	}
	rd.quarantine(i.File, i.Line, i.Ref, what)
	if s, ok := rd.mapper.Unread(i.Known, i.What); ok {
		rd.add(&s, intake.Place{File: i.File, Line: i.Line, FullURL: fullURL})
	}
}

// counted tells how far a file has been read.
type counted struct {
	r    io.Reader
	n    atomic.Int64
	tell func(int64)
}

// Read reads on.
func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.tell(c.n.Add(int64(n)))
	return n, err
}
