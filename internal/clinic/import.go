package clinic

import (
	"context"
	"errors"
	"io"
	"iter"
	"slices"

	"perennial/internal/audit"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/kv"
	"perennial/internal/source"
	"perennial/internal/store"
)

// Counts say what an import did.
type Counts struct {
	Resources   int     `json:"resources"`             // that the source gave, those that were known included
	New         int     `json:"new"`                   // that were not known
	NotRelevant int     `json:"notRelevant,omitempty"` // of the new ones
	Quarantined int     `json:"quarantined,omitempty"` // of the new ones, when they came
	Changes     Changes `json:"changes"`
	Waits       string  `json:"waits,omitempty"` // what the source waits for before it has more to say
}

func (c *Counts) add(d Counts) {
	c.Resources += d.Resources
	c.New += d.New
	c.NotRelevant += d.NotRelevant
	c.Quarantined += d.Quarantined
	c.Changes.add(d.Changes)
}

// Pull imports what is new in a source since its stored cursor.
func (c *Clinic) Pull(ctx context.Context, s source.Source) (Counts, error) {
	var was store.Source
	err := c.view(ctx, func(r kv.Reader) (err error) {
		was, err = store.ReadSource(r, s.Name())
		return err
	})
	if err != nil {
		return Counts{}, err
	}
	return c.Import(ctx, s.Name(), s.Fetch(ctx, was.Cursor))
}

// Import takes batches of resources, each in one transaction with all that
// follows from it. An error of a part of the source does not stop it: all are
// returned together at the end, when the rest is stored. An error of the store
// does: the batches before it are stored, and the source goes on from there. A
// source that waits was neither read to its end nor did it fail.
func (c *Clinic) Import(ctx context.Context, name string, batches iter.Seq2[source.Batch, error]) (Counts, error) {
	return c.ImportTelling(ctx, name, batches, func(Refusal) {})
}

// ImportTelling is Import that tells of each resource that cannot be used, when
// its batch is stored.
func (c *Clinic) ImportTelling(ctx context.Context, name string, batches iter.Seq2[source.Batch, error], refused func(Refusal)) (Counts, error) {
	var all Counts
	var parts []error
	for batch, err := range batches {
		if w, ok := errors.AsType[*source.Waiting](err); ok {
			all.Waits = w.What
			continue
		}
		if err != nil {
			parts = append(parts, err)
			continue
		}
		counts, err := c.batch(ctx, name, batch, refused)
		if err != nil {
			return all, errors.Join(append(parts, err)...)
		}
		all.add(counts)
	}
	if err := ctx.Err(); err != nil {
		return all, errors.Join(append(parts, err)...)
	}
	changes, err := c.rebuild(ctx)
	all.Changes.add(changes)
	parts = append(parts, err, c.noteRead(ctx, name, all.Waits, errors.Join(parts...)))
	return all, errors.Join(parts...)
}

// noteRead notes when a source was read to its end, or what it waits for, or why
// it failed.
func (c *Clinic) noteRead(ctx context.Context, name, waits string, failed error) error {
	return c.update(ctx, audit.Entry{}, func(w *store.Writer) (any, error) {
		s, err := store.ReadSource(w.Tx, name)
		if err != nil {
			return nil, err
		}
		s.Tried, s.Error, s.Waits = w.Now, "", waits
		switch {
		case failed != nil:
			s.Error = failed.Error()
		case waits == "":
			s.Success = w.Now
		}
		return nil, w.PutSource(s)
	})
}

// batch takes one batch in one transaction.
func (c *Clinic) batch(ctx context.Context, name string, b source.Batch, refused func(Refusal)) (Counts, error) {
	list := c.read(name, b)
	var counts Counts
	err := c.update(ctx, audit.Entry{Actor: self, Action: "import", About: name}, func(w *store.Writer) (any, error) {
		counts = Counts{Resources: len(list)}
		touched, err := c.keep(w, list, &counts)
		if err != nil {
			return nil, err
		}
		if counts.Changes, err = c.settle(w, touched); err != nil {
			return nil, err
		}
		return &counts, noteCursor(w, name, b.Cursor, counts)
	})
	if err == nil {
		tellRefused(list, refused)
	}
	return counts, err
}

// Refusal is a resource, or a part of an input, that cannot be used.
type Refusal struct {
	File string
	Line int
	Ref  string // "Type/id" where known
	Why  string // what is wrong and, where it helps, what to do about it
}

// tellRefused tells of what was quarantined, whether it is new or not.
func tellRefused(list []taken, refused func(Refusal)) {
	for i := range list {
		if r := &list[i].rec; list[i].use == intake.Quarantined {
			refused(Refusal{File: r.File, Line: r.Line, Ref: r.Ref, Why: r.Why})
		}
	}
}

// noteCursor stores how far a source was read, together with what was read.
func noteCursor(w *store.Writer, name, cursor string, counts Counts) error {
	s, err := store.ReadSource(w.Tx, name)
	if err != nil || counts.New == 0 && s.Cursor == cursor {
		return err
	}
	s.Cursor = cursor
	s.Seen += int64(counts.Resources)
	s.New += int64(counts.New)
	return w.PutSource(s)
}

// read reads the resources of a batch, before any transaction.
func (c *Clinic) read(name string, b source.Batch) []taken {
	rd := c.reading(name)
	at := c.o.Now().UnixMilli()
	list := make([]taken, 0, len(b.Resources)+len(b.Issues))
	for _, raw := range b.Resources {
		list = append(list, rd.take(raw, at))
	}
	for _, i := range b.Issues {
		list = append(list, rd.issue(i, at))
	}
	for i := range list {
		list[i].rec.Source = name
	}
	return list
}

// keep stores the resources, and lists the patients that are to be looked at.
func (c *Clinic) keep(w *store.Writer, list []taken, counts *Counts) ([]string, error) {
	var touched []string
	first := w.Meta.Seq == 0
	for i := range list {
		t := &list[i]
		isNew, err := c.keepOne(w, t, first)
		if err != nil {
			return nil, err
		}
		if isNew {
			counts.New++
			switch t.use {
			case intake.NotRelevant:
				counts.NotRelevant++
			case intake.Quarantined:
				counts.Quarantined++
			}
		}
		if t.rec.Patient != "" && isNew {
			touched = append(touched, t.rec.Patient)
		}
	}
	slices.Sort(touched)
	return slices.Compact(touched), nil
}

// keepOne stores one resource. First says that nothing was there before its
// batch.
func (c *Clinic) keepOne(w *store.Writer, t *taken, first bool) (bool, error) {
	if t.item != "" && c.o.TasksFrom != "" && t.rec.Source == c.o.TasksFrom {
		if err := t.placeByItem(w); err != nil {
			return false, err
		}
	}
	for _, base := range t.bases {
		isNew, err := w.AddBase(base)
		if err != nil {
			return false, err
		}
		if isNew && !first {
			w.Meta.Rebuild, w.Meta.RebuildAt = c.basis(), "" // whose an address is may be told otherwise now
		}
	}
	switch t.use {
	case intake.Quarantined:
		return w.Quarantine(t.rec, t.raw)
	case intake.NotRelevant:
		return w.Skip(t.rec)
	}
	return w.Take(t.rec, t.words)
}

// placeByItem gives a Task to the patient of its work item.
func (t *taken) placeByItem(w *store.Writer) error {
	it, found, err := store.ReadItem(w.Tx, t.item)
	if err == nil && found {
		t.rec.Patient, t.words, t.bases = it.Patient, nil, nil
	}
	return err
}

// batchSize is how many resources are taken in one transaction, and batchBytes
// how many bytes of them at most, unless one alone has more: a batch is in memory
// as a whole, and a resource may have 16 MB.
const (
	batchSize  = 500
	batchBytes = 8 << 20
)

// Batches takes an input apart into batches, for Import. The error is that of
// the reader; what is wrong with the content is among the issues.
func Batches(file string, r io.Reader) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		var b source.Batch
		var stopped errStopped
		size := 0
		flush := func() error {
			full := b
			b, size = source.Batch{}, 0
			if len(full.Resources)+len(full.Issues) > 0 && !yield(full, nil) {
				return stopped
			}
			return nil
		}
		err := fhir.Read(file, r, fhir.Handler{
			Each: func(raw fhir.Raw) error {
				if size > 0 && size+len(raw.Body) > batchBytes {
					if err := flush(); err != nil {
						return err
					}
				}
				raw.Body = slices.Clone(raw.Body)
				b.Resources, size = append(b.Resources, raw), size+len(raw.Body)
				if len(b.Resources)+len(b.Issues) >= batchSize {
					return flush()
				}
				return nil
			},
			Issue: func(i fhir.Issue) { b.Issues = append(b.Issues, i) },
		})
		if err == nil {
			err = flush()
		}
		if err != nil && !errors.Is(err, stopped) {
			yield(source.Batch{}, err)
		}
	}
}

// errStopped says that nobody wants more.
type errStopped struct{}

// Error is never seen.
func (errStopped) Error() string { return "stopped" }
