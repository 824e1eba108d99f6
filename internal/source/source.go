// Package source says what a source of FHIR resources is: something that can be asked again and again for what is new
// since a cursor.
//
// A source only fetches. It decides nothing about what it fetched and keeps no memory of it: its cursor is stored by
// whoever stores the resources, in the same transaction, so that after a crash the same resources come again and none
// is passed over. The same resource may come any number of times. Sources are in the packages below this one.
package source

import (
	"context"
	"iter"

	"perennial/internal/fhir"
)

// Source can be asked for what is new.
type Source interface {
	// Name is the source's name in settings, records and messages.
	Name() string
	// Fetch gives what is new since the cursor, which is "" for everything. An error is about a part (a file, a type):
	// the batch beside it is empty, and the rest follows if the caller goes on.
	Fetch(ctx context.Context, cursor string) iter.Seq2[Batch, error]
}

// Batch is what a source hands over at once.
type Batch struct {
	// Resources are safe to keep. File is the name of the source and of the part within it.
	Resources []fhir.Raw
	// Issues are what could not be read.
	Issues []fhir.Issue
	// Cursor stands for all that was handed over up to and including this batch: store it together with the batch. A
	// part that is not yet whole does not count: after a crash it comes again from its beginning.
	Cursor string
}

// Waiting is what Fetch gives, as an error, when a source has nothing to say now and will have something later: an
// export that its server is still at, or one whose time has not come. It is no failure, and no success either: that
// nothing came does not say that nothing is new.
type Waiting struct {
	What string // what is waited for, without patient data
}

// Error says what is waited for.
func (w *Waiting) Error() string { return w.What }
