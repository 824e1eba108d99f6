package clinic

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"perennial/internal/audit"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Preview is what go-live would let out: the open work items and the patients
// behind them.
type Preview struct {
	Sums    store.Sums
	Open    map[string]int // open work items by kind
	Urgent  map[string]int // … by urgency
	Overdue int            // patients with an overdue visit
	Lost    int            // patients presumed lost or lost
	Waiting int            // items in the outbox that wait
}

// Preview counts what go-live would let out.
func (c *Clinic) Preview(ctx context.Context) (Preview, error) {
	p := Preview{Open: map[string]int{}, Urgent: map[string]int{}}
	st, err := c.Status(ctx)
	if err != nil {
		return p, err
	}
	p.Sums, p.Waiting = st.Sums, st.Outbox.Pending
	err = c.Lines(ctx, func(l store.Line) error {
		switch l.FollowUp {
		case surveil.RungOverdue:
			p.Overdue++
		case surveil.RungPresumedLost, surveil.RungLost:
			p.Overdue++
			p.Lost++
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	return p, c.eachOpen(ctx, func(it *store.Item) error {
		p.Open[it.Work.Kind]++
		p.Urgent[it.Work.Urgency]++
		return nil
	})
}

// eachOpen visits the open work items.
func (c *Clinic) eachOpen(ctx context.Context, visit func(*store.Item) error) error {
	var page store.Page
	return c.pages(ctx, func(r kv.Reader) (bool, error) {
		items, more, err := store.Items(r, store.WorkOpen, &page, pageSize)
		for i := 0; err == nil && i < len(items); i++ {
			err = visit(&items[i])
		}
		return more, err
	})
}

// GoLive lets things be sent to servers and people, if the mode says so too.
// Who is kept in the audit trail. fault.Conflict where it was said before.
func (c *Clinic) GoLive(ctx context.Context, who string) error {
	if strings.TrimSpace(who) == "" {
		return fault.New(fault.Invalid, "go live", "Say who decides it.", errors.New("who is missing"))
	}
	return c.update(ctx, audit.Entry{Actor: who, Action: "go-live"}, func(w *store.Writer) (any, error) {
		if !w.Meta.Live.IsZero() {
			return nil, fault.New(fault.Conflict, "go live", "Nothing is left to do.", fmt.Errorf("it was said on %s", w.Meta.Live.Format(time.DateOnly)))
		}
		w.Meta.Live, w.Meta.LiveBy = w.Now, who
		sums, err := store.ReadCounts(w.Tx)
		return &sums, err
	})
}

// Drain sends what is due and may be sent, at most limit items (0: 100). The
// first time that it may send to servers, all open work items are sent, those
// that were only written to files before too.
func (c *Clinic) Drain(ctx context.Context, limit int) (outbox.Tally, error) {
	var m store.Meta
	err := c.view(ctx, func(r kv.Reader) (err error) {
		m, err = store.ReadMeta(r)
		return err
	})
	if err != nil {
		return outbox.Tally{}, err
	}
	live := !m.Live.IsZero()
	if err := c.backlog(ctx, m, live && c.Mode() == outbox.Send); err != nil {
		return outbox.Tally{}, err
	}
	if err := c.recordAll(ctx); err != nil {
		return outbox.Tally{}, err
	}
	return outbox.Drain(ctx, outbox.Options{DB: c.o.DB, Routes: c.o.Routes, Mode: c.Mode(), Live: live, Now: c.o.Now, Limit: limit, Mark: c.sent})
}

// Hurry lets all that waits for a later try, and what was given up, be tried by the
// next Drain, receivers that took nothing too: somebody has mended what was in the way.
func (c *Clinic) Hurry(ctx context.Context) error {
	if err := c.o.DB.Update(ctx, func(tx kv.Tx) error { return outbox.Knock(tx, c.o.Now()) }); err != nil {
		return err
	}
	for _, step := range []func(kv.Tx, time.Time, int) (int, error){outbox.Hurry, outbox.Retry} {
		for n := 1; n > 0; {
			err := c.o.DB.Update(ctx, func(tx kv.Tx) (err error) {
				n, err = step(tx, c.o.Now(), pageSize)
				return err
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// sent writes into the audit trail what became of an item.
func (c *Clinic) sent(tx kv.Tx, it outbox.Item) error {
	_, err := audit.Append(tx, audit.Entry{At: c.o.Now(), Actor: self, Action: it.Kind + "." + string(it.State), About: it.Key})
	if err != nil {
		return err
	}
	return c.taskSent(tx, &it)
}

// backlog adds what was only written to files, or not sent at all, to the outbox
// when sending begins, and notes when it ends. It can be interrupted: what was
// added is not added again.
func (c *Clinic) backlog(ctx context.Context, m store.Meta, sends bool) error {
	if sends == m.Sends {
		return nil
	}
	if sends {
		if err := c.addBacklog(ctx, fmt.Sprintf("/send%d", m.Sendings+1)); err != nil {
			return err
		}
	}
	return c.update(ctx, audit.Entry{Actor: self, Action: "sending"}, func(w *store.Writer) (any, error) {
		if w.Meta.Sends = sends; sends {
			w.Meta.Sendings = m.Sendings + 1
		}
		return map[string]bool{"sends": sends}, nil
	})
}

func (c *Clinic) addBacklog(ctx context.Context, again string) error {
	var page, next store.Page
	for more := true; more; {
		err := c.o.DB.Update(ctx, func(tx kv.Tx) error {
			at := page // the function may run again
			items, rest, err := store.Items(tx, store.WorkOpen, &at, pageSize)
			if err != nil {
				return err
			}
			for i := range items {
				plan, err := store.ReadPlan(tx, items[i].Patient)
				if err != nil {
					return err
				}
				if _, err := outbox.Add(tx, sending(&items[i], plan, again)); err != nil {
					return err
				}
			}
			next, more = at, rest
			return nil
		})
		if err != nil {
			return err
		}
		page = next
	}
	return nil
}
