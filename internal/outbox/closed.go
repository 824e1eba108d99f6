package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// Closed is the error of a carrier whose receiver takes nothing of the kind at
// all, as a server that has no Tasks. The item that was tried never arrived.
type Closed struct {
	Why   string // what the receiver said; it names no patient
	Hint  string // what a person can do
	Meant bool   // the settings want it so
	What  string // what it takes none of, for people; empty: Tasks
}

// Error says why.
func (c *Closed) Error() string { return c.Why }

// Unwrap makes it an error after which one may try again.
func (c *Closed) Unwrap() error { return fault.New(fault.Unavailable, "send", c.Hint, nil) }

// Closure is a route whose receiver takes nothing.
type Closure struct {
	Route string    `json:"route"`
	Since time.Time `json:"since"`
	Next  time.Time `json:"next"` // when one item is tried again
	Why   string    `json:"why"`
	Hint  string    `json:"hint,omitempty"`
	Meant bool      `json:"meant,omitempty"`
	What  string    `json:"what,omitempty"`
}

// closedFor is how long nothing is tried while a route is closed.
const closedFor = 24 * time.Hour

func routeKey(name string) []byte     { return kv.Key("outbox", "route", part(name)) }
func removedKey(thread string) []byte { return kv.Key("outbox", "removed", part(thread)) }

// Closures lists the routes that are closed, by name.
func Closures(r kv.Reader) ([]Closure, error) {
	var list []Closure
	from, to := kv.Prefix("outbox", "route")
	err := r.Scan(from, to, func(_, text []byte) error {
		var c Closure
		if json.Unmarshal(text, &c) != nil || c.Route == "" {
			return fault.New(fault.Damaged, "read the outbox", "Restore the last backup.", errors.New("a closed route cannot be read"))
		}
		list = append(list, c)
		return nil
	})
	return list, err
}

// Knock lets the routes that are closed be tried from a time on: somebody has
// mended what was in the way.
func Knock(tx kv.Tx, at time.Time) error {
	list, err := Closures(tx)
	for i := 0; err == nil && i < len(list); i++ {
		if list[i].Next.After(at) {
			list[i].Next = at.UTC()
			err = putClosure(tx, list[i])
		}
	}
	return err
}

func putClosure(tx kv.Tx, c Closure) error {
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	return tx.Put(routeKey(c.Route), text)
}

// closures reads which routes are closed.
func (o *Options) closures(ctx context.Context) error {
	var list []Closure
	err := o.DB.View(ctx, func(r kv.Reader) (err error) {
		list, err = Closures(r)
		return err
	})
	o.closed = map[string]Closure{}
	for _, c := range list {
		o.closed[c.Route] = c
	}
	return err
}

// most is how many items of a kind may be tried now: of a route that is closed
// one, when its time has come.
func (o *Options) most(kind string) int {
	r := o.route(kind)
	if r == nil {
		return 0
	}
	c, closed := o.closed[r.Name]
	switch {
	case !closed:
		return math.MaxInt
	case c.Next.After(o.Now()):
		return 0
	}
	return 1
}

// turn says whether a route is closed after these results; nil: it is open, or
// as it was.
func (o *Options) turn(route string, results []Result, now time.Time) (shut *Closure, opened bool) {
	was, closed := o.closed[route]
	if !closed {
		was.Since = now
	}
	for i := range results {
		if c, ok := errors.AsType[*Closed](results[i].Err); ok {
			return &Closure{Route: route, Since: was.Since, Next: now.Add(closedFor), Why: c.Why, Hint: c.Hint, Meant: c.Meant, What: c.What}, false
		}
	}
	took := func(r Result) bool { return r.Err == nil && !strings.HasPrefix(r.Receipt, Nothing) }
	return nil, closed && slices.ContainsFunc(results, took)
}

// untried makes an item as it was before it was tried: it never left.
func untried(it *Item, why string) {
	it.Attempts--
	it.Next, it.Error = it.Tried, why
}

// giveBack makes items wait as they did before they were tried.
func (o *Options) giveBack(ctx context.Context, items []Item, why string, t *Tally) error {
	t.Later, t.Why = t.Later+len(items), why
	return o.DB.Update(ctx, func(tx kv.Tx) error {
		for _, before := range items {
			after := before
			untried(&after, why)
			if err := o.mark(tx, before, after); err != nil {
				return err
			}
		}
		return nil
	})
}

// noteRemoved keeps the list of what persons removed at a receiver.
func noteRemoved(tx kv.Tx, it *Item) error {
	if strings.Contains(it.Receipt, Removed) {
		return tx.Put(removedKey(it.Thread), nil)
	}
	return tx.Delete(removedKey(it.Thread))
}

// WasRemoved says whether the receiver had the items of a thread and a person
// removed them there.
func WasRemoved(r kv.Reader, thread string) (bool, error) {
	there, err := r.Get(removedKey(thread))
	return there != nil, err
}

// CountRemoved is how many threads there are of which that is so.
func CountRemoved(r kv.Reader) (n int, err error) {
	from, to := kv.Prefix("outbox", "removed")
	return n, r.Scan(from, to, func(_, _ []byte) error { n++; return nil })
}
