// Package clinic is what the program does: the verbs that commands, pages and
// the daemon call.
//
// # Design
//
// One sentence carries it. A batch of resources becomes slim records; the
// patients that it touches are put together again from all their records, each
// is evaluated to a plan; the difference between the old and the new plan
// becomes work items and Tasks to send; and records, plans, work, outbox, audit
// and the cursor of the source are committed in one transaction. Sending is a
// separate, repeatable step (Drain).
//
// A touched patient is never looked at alone. Records that may be one person's,
// or that one resource or study ties together, are loaded together (store.Tied),
// and package intake works out whose is what, exactly as it does for files. So
// the plans do not depend on the batches in which resources come.
//
// All that is decided is decided for the civil day of the site on which it
// happens. Between two imports a plan changes only on its wake day: Tick looks
// at those who wake. When the code book or the numbers change, everybody is looked
// at again; when the protocols do, once a person has adopted them (Adopt).
//
// # People win
//
// What a person did with a Task is kept on the work item, and the status of the
// Task is theirs from then on: the item completes here, the Task keeps its status
// and gets a note. A person who closes a Task does not end the need: the item
// stays open for as long as the plan asks for it, marked with what the person did.
//
// # Repeating
//
// Every function given to Update can be run again: it sets afresh what it
// counts. Doing the same import twice writes nothing the second time, except
// when the source was last read.
package clinic

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"perennial/internal/audit"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Options are what a clinic works with.
type Options struct {
	DB    kv.DB
	Book  *codes.Book
	Rules *surveil.Rules
	Zone  *time.Location   // of the site; nil: UTC
	Now   func() time.Time // the clock
	// Own says whether an address is the base of the server that resources come
	// from; nil: only what the input itself shows.
	Own func(base string) bool
	// Mode is how far things are sent; empty: files.
	Mode outbox.Mode
	// Routes carry what is sent.
	Routes []outbox.Route
	// Site is the id of the store, for the identifiers of Tasks.
	Site string
	// Feeds are the names of the sources that are read again and again. While one
	// of them is silent nobody is taken for lost because of that.
	Feeds []string
	// TasksFrom is the name of the source by which our own Tasks come back from a
	// server that is none of the others: its addresses of patients mean nothing here.
	TasksFrom string
	// Records are the resources that are kept elsewhere beside Tasks.
	Records Records
}

// Clinic does the work. It is safe for use by several goroutines.
type Clinic struct {
	o     Options
	given *surveil.Rules // as they came
	force atomic.Pointer[force]
	quiet sync.RWMutex // held by whoever tells what changed, so that nothing changes meanwhile
}

// The actor of what the program does by itself, in the audit trail.
const self = "perennial"

// Init makes an empty store ready; fault.Conflict where it is ready already.
func Init(ctx context.Context, db kv.DB, now time.Time) error {
	return db.Update(ctx, func(tx kv.Tx) error {
		if err := store.Init(tx, now); err != nil {
			return err
		}
		_, err := audit.Append(tx, audit.Entry{At: now, Actor: self, Action: "store.init"})
		return err
	})
}

// New takes up work with a store that Init made ready: it brings the store to
// the present layout. fault.Empty where the store was never initialised.
func New(ctx context.Context, o Options) (*Clinic, error) {
	if o.DB == nil || o.Book == nil || o.Rules == nil || o.Now == nil {
		return nil, fault.New(fault.Internal, "start the clinic", "", errors.New("a store, a code book, rules and a clock are needed"))
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	c := &Clinic{o: o, given: o.Rules}
	return c, o.DB.Update(ctx, c.start)
}

// start brings the store to the present layout. One that holds nothing yet rests
// on the present basis.
func (c *Clinic) start(tx kv.Tx) error {
	if err := store.Migrate(tx); err != nil {
		return err
	}
	w, err := store.Begin(tx, c.o.Now())
	if err != nil {
		return err
	}
	f, err := c.takeUp(w, c.begin(w.Meta.Made))
	if err != nil {
		return err
	}
	c.force.Store(f)
	if w.Meta.Seq == 0 && w.Meta.Commits == 0 {
		w.Meta.Basis = f.basis
	}
	return w.Finish()
}

// Today is the civil day of the site.
func (c *Clinic) Today() day.Day { return c.civil(c.o.Now()) }

// Zone is the zone of the site.
func (c *Clinic) Zone() *time.Location { return c.o.Zone }

// Site is the id of the store, for the identifiers of Tasks.
func (c *Clinic) Site() string { return c.o.Site }

// Mode is how far things are sent.
func (c *Clinic) Mode() outbox.Mode {
	if c.o.Mode == "" {
		return outbox.Files
	}
	return c.o.Mode
}

// update runs a transaction with a Writer and an entry in the audit trail, if
// anything was changed. fn may run more than once.
func (c *Clinic) update(ctx context.Context, e audit.Entry, fn func(w *store.Writer) (detail any, err error)) error {
	c.quiet.RLock()
	defer c.quiet.RUnlock()
	return c.commit(ctx, e, fn)
}

// commit is update for one who holds everybody else back.
func (c *Clinic) commit(ctx context.Context, e audit.Entry, fn func(w *store.Writer) (detail any, err error)) error {
	return c.o.DB.Update(ctx, func(tx kv.Tx) error {
		w, err := store.Begin(tx, c.o.Now())
		if err != nil {
			return err
		}
		detail, err := fn(w)
		if err != nil || !w.Changed() {
			return err
		}
		entry := e
		if entry.At = w.Now; detail != nil {
			if entry.Detail, err = json.Marshal(detail); err != nil {
				return err
			}
		}
		if entry.Action != "" {
			if _, err := audit.Append(tx, entry); err != nil {
				return err
			}
		}
		return w.Finish()
	})
}

// view runs a short read.
func (c *Clinic) view(ctx context.Context, fn func(r kv.Reader) error) error {
	return c.o.DB.View(ctx, fn)
}

// pages calls a step, each in a short read of its own, until it says that there
// is no more.
func (c *Clinic) pages(ctx context.Context, step func(r kv.Reader) (more bool, err error)) error {
	for more := true; more; {
		err := c.view(ctx, func(r kv.Reader) (err error) {
			more, err = step(r)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
