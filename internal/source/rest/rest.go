// Package rest polls a FHIR R4 server for what changed, type by type or patient by patient.
//
// # The cursor
//
// For each type the cursor holds the moment from which to ask next: the server's own clock (the Date header of the
// first page), or ours where that is behind it, less an overlap, ten minutes by default. It is never the highest
// lastUpdated that was seen: a server may stamp a resource before it commits it, so that one with an older stamp
// appears later. What comes twice does no harm. A server that sends no Date is asked for everything each time. A type
// moves on only when all its pages were read and nothing is known to be missing; a type that fails keeps its place, and
// the others go on. A type that is new in the settings has no place yet and is read from the beginning; so is everything when
// the settings name another server.
//
// # What is missing
//
// Pages that repeat or drop rows look like any others. So the different ids that came are counted and compared with the
// server's own count (Bundle.total, then _summary=count). What came while the pages were read is caught up with; what is
// still missing then is an error. If it was missing from a reading of everything, another such reading is owed: at each of
// three polls, then at every third, with smaller pages, and no poll is a success until it was made. Since even so something
// may be missed (a resource stamped long before it was committed, a restored backup), everything is read again from
// time to time, weekly by default. If there are fewer then, that is told once, as an error: absence is never a deletion.
//
// # What is not believed
//
// A row with an id and nothing behind it, a part of a resource (SUBSETTED), one whose id differs from its address in case,
// and one that does not say when it was changed though others of its type do: it is asked for by its id, and the type does
// not move on while that does not help. If the server's self link, or a row older than asked for, shows that it did not
// heed the moment, what came is taken as everything and checked as such. If it did not heed the patient, it is refused.
//
// # Parts of resources
//
// Of studies and documents, which may be large, a server that can do so is asked for the members that are read alone
// (_elements). Whether it can is seen at each reading of everything: some resources are asked for both ways and must agree.
//
// # What the server has
//
// Few servers have every type. With Options.Discover the source first asks for the CapabilityStatement and passes over
// the types that the server says it cannot search, but for patients, procedures and imaging, without which there is no
// surveillance: those are asked for in any case, and fail aloud; and so are types that were read before. A statement that
// lists no search at all is not believed. A server of another release than R4 is refused. Once every type has a place, the
// statement is not asked for any more: a poll with nothing new costs one request for each type, or less.
package rest

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"net/url"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
)

// MinOverlap is the least overlap: two minutes for a transaction that is still open on the server, and some seconds
// for clocks that differ.
const MinOverlap = 130 * time.Second

// Options of a source.
type Options struct {
	Name     string
	Types    []string      // resource types, in the order in which they are asked for
	Overlap  time.Duration // 0: ten minutes; less than MinOverlap: MinOverlap
	Count    int           // resources a page, as a wish; 0: 200
	Discover bool          // pass over the types that the server says it cannot search
	Params   url.Values    // further parameters of every search: only what they find is read, and counted

	Reconcile      time.Duration    // how often everything is read again; 0: weekly; negative: never
	IgnoreCounts   bool             // do not believe the server's counts: holes are then not noticed
	Post           bool             // search by POST _search
	WholeResources bool             // never ask for parts of resources
	Patients       Cohort           // read patient by patient; nil: type by type
	Now            func() time.Time // nil: time.Now
}

// Types are the resource types of which the program makes use, in the order in which they are best read.
func Types() []string {
	return []string{"Patient", "Procedure", "Device", "DeviceUseStatement", "ImagingStudy", "DiagnosticReport", "Observation", "Encounter", "Appointment",
		"ServiceRequest", "Communication", "ResearchStudy", "ResearchSubject", "Condition", "AllergyIntolerance", "MedicationStatement", "MedicationRequest",
		"DocumentReference", "Task"}
}

// needed are the types without which there is no surveillance.
func needed(typ string) bool { return typ == "Patient" || typ == "Procedure" || typ == "ImagingStudy" }

// Source polls one server.
type Source struct {
	o      Options
	client *fhirhttp.Client
	whole  bool // everything is read, whether its time has come or not
}

var _ source.Source = (*Source)(nil)

// New makes a source that asks through the client.
func New(client *fhirhttp.Client, o Options) *Source {
	if o.Overlap == 0 {
		o.Overlap = 10 * time.Minute
	}
	o.Overlap = max(o.Overlap, MinOverlap)
	if o.Count <= 0 {
		o.Count = 200
	}
	if o.Reconcile == 0 {
		o.Reconcile = 7 * 24 * time.Hour
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Source{o: o, client: client}
}

// Name is the source's name.
func (s *Source) Name() string { return s.o.Name }

// Whole is the same source with a look at everything, whether the time for that has come or not.
func (s *Source) Whole() source.Source {
	all := *s
	all.whole = true
	return &all
}

// Fetch asks for what changed since the cursor. See source.Source; an error is about one type.
func (s *Source) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		all, err := parse(cursor)
		if err != nil {
			yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
			return
		}
		all = all.of(s.what())
		types, err := s.types(ctx, all)
		if err != nil {
			yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
			return
		}
		p := &poll{s: s, all: all, yield: yield}
		if s.o.Patients != nil {
			p.cohort(ctx, types)
			return
		}
		for _, typ := range types {
			if ctx.Err() != nil || !p.typ(ctx, typ) {
				return
			}
		}
	}
}

// types are those to ask for. Where the server does not say what it has, all are asked for: their errors tell enough.
func (s *Source) types(ctx context.Context, all places) ([]string, error) {
	if !s.o.Discover || all.cover(s.o.Types) {
		return s.o.Types, nil
	}
	can, err := s.client.Capability(ctx)
	if err != nil {
		return s.o.Types, nil
	}
	if v := can.FHIRVersion; v != "" && !strings.HasPrefix(v, "4.") {
		return nil, fault.New(fault.Invalid, "read capabilities", "Give the address of the server's FHIR R4 endpoint.", errors.New("the server speaks another release of FHIR than R4"))
	}
	var some []string
	any := false
	for _, typ := range s.o.Types {
		can := can.Can(typ, "search-type")
		if any = any || can; can || needed(typ) || all.has(typ) {
			some = append(some, typ)
		}
	}
	if !any {
		return s.o.Types, nil
	}
	return some, nil
}

// poll is one look at the server. One batch is held back, because only the last of a type moves the cursor.
type poll struct {
	s     *Source
	all   places
	yield func(source.Batch, error) bool
	held  source.Batch
}

// hold takes a batch and hands over the one before it.
func (p *poll) hold(b source.Batch) bool {
	before := p.held
	p.held = b
	if len(before.Resources) == 0 {
		return true
	}
	before.Cursor = p.all.write()
	return p.yield(before, nil)
}

// flush hands over what is held, with the cursor as it is now.
func (p *poll) flush() bool {
	p.held.Cursor = p.all.write()
	b := p.held
	p.held = source.Batch{}
	return p.yield(b, nil)
}

func (p *poll) fail(err error) bool {
	return p.yield(source.Batch{}, fault.Wrap("source "+p.s.o.Name, err))
}

// typ asks for one type and moves its place on; it says whether the caller wants more.
func (p *poll) typ(ctx context.Context, typ string) bool {
	at := p.all[typ]
	r := &reading{s: p.s, typ: typ, stamped: at.Stamped, emit: p.hold, count: smaller(p.s.o.Count, at.Tried)}
	if !p.s.whole && !at.full(p.s.o.Reconcile) {
		r.from, r.lenient = at.From, at.Lenient
	} else {
		at.Parts = p.s.offers(ctx, typ)
	}
	if at.Parts {
		r.parts = fhir.Elements(typ)
	}
	err := r.run(ctx)
	if r.stopped {
		return false
	}
	if err == nil {
		err = r.err()
		p.all[typ] = at.after(r, p.s.since(r.date), err == nil)
		if n := len(r.found.rows); err == nil && r.everything() && n < at.Count {
			err = fault.New(fault.Unavailable, "read "+typ, "If they were not deleted there on purpose, ask the server's administrator.",
				fmt.Errorf("the server has %d fewer than when everything was last read (%d); what they said stays", at.Count-n, at.Count))
		}
	} else if r.from.IsZero() {
		at.Tried++
		p.all[typ] = at
	}
	if err == nil && p.all[typ].owed() {
		err = fault.New(fault.Unavailable, "read "+typ, "It is tried again by itself.", errors.New("an earlier reading of everything was not whole, another is owed"))
	}
	if (r.pages > 0 || err == nil) && !p.flush() {
		return false
	}
	return err == nil || p.fail(err)
}

// after is the place after a reading whose pages were all read.
func (at place) after(r *reading, next time.Time, whole bool) place {
	began := at.Count > 0 && !at.Stamped
	at.Lenient = r.lenient
	stamped := r.bare < len(r.found.rows)
	switch {
	case whole && r.everything():
		at = place{From: at.From, Full: next, Parts: at.Parts, Count: len(r.found.rows), Stamped: stamped, Lenient: r.lenient}
	case r.everything():
		at.Full, at.Tried, at.Stamped = time.Time{}, at.Tried+1, at.Stamped || stamped
	case !whole:
		return at
	case began && stamped && len(r.found.rows) > 0:
		at.Full, at.Stamped = time.Time{}, true // what was stored without it cannot be put in order
	case at.owed():
		at.Tried++
	}
	if !next.IsZero() { // back too: a clock that was ahead and was put right stamps earlier than before
		at.From = next
	}
	return at
}

// owed says that changes are read, but everything is still to be read.
func (at place) owed() bool { return !at.From.IsZero() && at.Full.IsZero() }

// smaller is the size of a page after so many readings that failed.
func smaller(count, tried int) int { return max(min(count, 20), count>>min(tried, 3)) }
