// Package bulk reads a FHIR R4 server by exports (HL7 FHIR Bulk Data Access 2.0, $export): everything at the first time,
// then what changed since.
//
// # One export
//
// It is asked for (Prefer: respond-async), asked after at the address that the server gives, as often as the server
// wishes, and its files are read one by one while they come, never whole. When it is done, or of no use any more, the
// server is told so (DELETE). An export takes longer than a look at the other sources may: a look waits a minute, then
// notes in the cursor when to ask again, and ends with source.Waiting.
//
// # The cursor
//
// It holds the server's own moment (transactionTime) of the last export that was read whole, from which the next one is
// asked (_since), and the export under way: where to ask after it and which of its files were read. So a program that
// was killed goes on with the same export, and reads one file again at most. The moment moves only when every file was
// read to its end, has as many lines as the manifest says, and no error was reported in the export.
//
// # What may go wrong
//
// An export that the server lost, that failed, that is not done within the limit (a day), of which a file is gone or
// not what the manifest says, is given up: the next look begins another from the same moment. What came of it stays, as
// it may come any number of times. After three in a row that failed, the next waits an hour, then two, up to a day. A
// connection that breaks costs that file only.
//
// # What is missing
//
// Absence is never a deletion. Since an export of changes may lack what a server overlooked, or what patients have who
// joined a Group lately, everything is exported again from time to time, weekly by default; if there is less then, that
// is told once. What the server says it deleted is handed over as a record that cannot be read: what it said before
// stays in force, and a person is asked.
//
// # Where a login goes
//
// To the server alone: see fhirhttp.Client.File.
package bulk

import (
	"context"
	"iter"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
)

// Options of a source.
type Options struct {
	Name   string
	Path   string   // "$export", "Patient/$export" or "Group/id/$export"
	Types  []string // resource types, in the order in which they are read
	Filter []string // _typeFilter: searches such as "Procedure?status=completed", in which a comma is written %2C
	Format string   // _outputFormat; empty: the server's own choice, which is NDJSON

	Every        time.Duration // from the beginning of one export to that of the next; 0: a day
	Limit        time.Duration // how long an export may take until its files can be read; 0: a day
	Reconcile    time.Duration // how often everything is exported again; 0: weekly; negative: never
	IgnoreCounts bool          // do not believe the numbers in the manifest
	Patience     time.Duration // how long one look waits for an export; 0: a minute

	Now   func() time.Time                           // nil: time.Now
	Sleep func(context.Context, time.Duration) error // nil: waits
}

// Source reads one server.
type Source struct {
	o      Options
	client *fhirhttp.Client
}

var _ source.Source = (*Source)(nil)

// New makes a source that asks through the client.
func New(client *fhirhttp.Client, o Options) *Source {
	const day = 24 * time.Hour
	o.Every, o.Limit, o.Reconcile, o.Patience = or(o.Every, day), or(o.Limit, day), or(o.Reconcile, 7*day), or(o.Patience, time.Minute)
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Sleep == nil {
		o.Sleep = fhirhttp.Sleep
	}
	return &Source{o: o, client: client}
}

func or(d, otherwise time.Duration) time.Duration {
	if d == 0 {
		return otherwise
	}
	return d
}

// Name is the source's name.
func (s *Source) Name() string { return s.o.Name }

// Fetch begins an export, or goes on with the one under way. See source.Source; source.Waiting among the errors says
// that there is nothing yet.
func (s *Source) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		at, err := parse(cursor)
		if err != nil {
			yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
			return
		}
		p := &pass{ctx: ctx, s: s, at: at, yield: yield, written: cursor}
		p.run()
	}
}
