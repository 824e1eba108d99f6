package bulk

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/source"
)

// pass is one look at the server.
type pass struct {
	ctx     context.Context
	s       *Source
	at      *state
	yield   func(source.Batch, error) bool
	written string // the cursor that was handed over last
	batch   source.Batch
	bytes   int
	stopped bool // nobody wants more
}

func (p *pass) run() {
	p.tidy()
	if what := p.s.what(); p.at.What != what {
		p.at.Left = p.status()
		*p.at = state{What: what, Left: p.at.Left}
		p.tidy()
	}
	if p.early() || p.at.Run == nil && !p.begin() {
		return
	}
	p.at.Next = time.Time{}
	if m, ok := p.await(); ok {
		p.read(m)
	}
}

// what marks the server and what is asked of it. If it changes, the export under way is of no use, and neither is the
// moment of the last one: a type that is new in it was never read.
func (s *Source) what() string {
	o := s.o
	return mark(s.client.Base(), o.Path, strings.Join(o.Types, ","), strings.Join(o.Filter, ","), o.Format)
}

func (p *pass) status() string {
	if p.at.Run == nil {
		return p.at.Left
	}
	return p.at.Run.Status
}

// early says that the server is not to be asked yet. A moment further off than any that is set here comes from a clock
// that was put right since.
func (p *pass) early() bool {
	now := p.s.o.Now()
	if !p.at.Next.After(now) || p.at.Next.Sub(now) > max(p.s.o.Every, 24*time.Hour) {
		return false
	}
	p.wait()
	return true
}

// wait says what is waited for.
func (p *pass) wait() {
	what := "the next export begins at " + moment(p.at.Next)
	if r := p.at.Run; r != nil {
		what = "the export that was begun at " + moment(r.Began) + " is not done yet"
		if r.Progress != "" {
			what += "; the server says: " + r.Progress
		}
	} else if p.at.Tried > 0 {
		what = fmt.Sprintf("the last %d exports failed; the next begins at %s", p.at.Tried, moment(p.at.Next))
	}
	p.flush()
	p.fail(&source.Waiting{What: what})
}

func moment(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// begin asks for an export.
func (p *pass) begin() bool {
	full := p.full()
	q := url.Values{"_type": {strings.Join(p.s.o.Types, ",")}}
	if !full {
		q.Set("_since", p.at.Since)
	}
	if len(p.s.o.Filter) > 0 {
		q.Set("_typeFilter", strings.Join(p.s.o.Filter, ","))
	}
	if p.s.o.Format != "" {
		q.Set("_outputFormat", p.s.o.Format)
	}
	status, asked, err := p.s.client.StartExport(p.ctx, p.s.o.Path, q)
	if err != nil {
		if p.at.Next = (time.Time{}); asked > 0 {
			p.later(asked)
		}
		p.flush()
		p.fail(err)
		return false
	}
	p.at.Run, p.at.Next = &run{Status: status, Began: p.s.o.Now().UTC().Truncate(time.Second), Full: full}, time.Time{}
	return p.flush()
}

// full says whether everything is to be exported.
func (p *pass) full() bool {
	every := p.s.o.Reconcile
	return p.at.Since == "" || p.at.Full.IsZero() || every > 0 && p.s.o.Now().Sub(p.at.Full) >= every
}

// await asks after the export until it is done, or the time of this look is over.
func (p *pass) await() (m manifest, ok bool) {
	r, waited := p.at.Run, time.Duration(0)
	for n := 0; ; n++ {
		limit := p.s.o.Limit
		if r.Moment != "" {
			limit *= 2 // to read its files takes time, too
		}
		if p.s.o.Now().Sub(r.Began) > limit {
			p.giveUp(spoilt(fmt.Sprintf("it is not done after %v hours", limit.Hours())))
			return m, false
		}
		st, err := p.s.client.Export(p.ctx, r.Status)
		if err == nil && st.Manifest != nil {
			m, err = parseManifest(st.Manifest, p.s.o.Types)
			if err == nil {
				return m, true
			}
		}
		if err != nil {
			p.refused(err, st.Wait)
			return m, false
		}
		r.Progress = st.Progress
		d := st.Wait
		if d <= 0 {
			d = 5 * time.Second << min(n, 6)
		}
		if waited += d; waited > p.s.o.Patience {
			p.later(d)
			p.wait()
			return m, false
		}
		if p.s.o.Sleep(p.ctx, d) != nil {
			return m, false
		}
	}
}

// later puts off the next question, by a day at most.
func (p *pass) later(d time.Duration) {
	p.at.Next = p.s.o.Now().Add(min(d, 24*time.Hour)).UTC().Truncate(time.Second)
}

// refused says what an error means for the export.
func (p *pass) refused(err error, asked time.Duration) {
	switch fault.KindOf(err) {
	case fault.Canceled:
	case fault.NotFound:
		p.giveUp(fault.New(fault.Unavailable, "ask after export", "Another export is begun.", errors.New("the server does not know the export any more")))
	case fault.Invalid, fault.Conflict:
		p.giveUp(err)
	default:
		if asked > 0 {
			p.later(asked)
		}
		p.flush()
		p.fail(err)
	}
}

// giveUp ends the export under way for an error. The moment of the last good one stays.
func (p *pass) giveUp(err error) {
	p.at.Left, p.at.Run = p.at.Run.Status, nil
	p.at.failed(p.s.o.Now())
	if p.flush() {
		p.tidy()
		p.fail(err)
	}
}

// tidy tells the server that an export is not needed any more. One that does not answer is told the next time; whether
// it heeds it is its own affair.
func (p *pass) tidy() {
	if p.at.Left == "" || p.ctx.Err() != nil {
		return
	}
	if err := p.s.client.EndExport(p.ctx, p.at.Left); fault.KindOf(err) != fault.Unavailable && fault.KindOf(err) != fault.Canceled {
		p.at.Left = ""
		p.flush()
	}
}

// finish ends an export of which every file was read.
func (p *pass) finish() {
	r := p.at.Run
	if said := severe(r.Said); said != "" {
		p.giveUp(fault.New(fault.Unavailable, "read export", "If this goes on, ask the server's administrator: something may be missing. What came was taken.",
			errors.New("the server reports in it: "+said)))
		return
	}
	var fewer error
	if r.Full {
		fewer = less(p.at.Counts, r.counts())
		p.at.Counts = r.counts()
		p.at.Full, _ = time.Parse(time.RFC3339Nano, r.Moment)
	}
	p.at.Since, p.at.Tried, p.at.Left, p.at.Run = r.Moment, 0, r.Status, nil
	p.at.Next = r.Began.Add(p.s.o.Every)
	if !p.flush() {
		return
	}
	if p.tidy(); fewer != nil {
		p.fail(fewer)
	}
}

// severe lists what was reported that may hold something back; "" for nothing.
func severe(said map[string]int) string {
	var list []string
	bad := false
	for _, key := range slices.Sorted(maps.Keys(said)) {
		bad = bad || strings.HasPrefix(key, "error") || strings.HasPrefix(key, "fatal")
		list = append(list, fmt.Sprintf("%s (%d)", key, said[key]))
	}
	if !bad {
		return ""
	}
	return strings.Join(list[:min(len(list), 5)], ", ")
}

// less says which types have fewer resources than before; nil for none.
func less(before, now map[string]int) error {
	var list []string
	for _, typ := range slices.Sorted(maps.Keys(before)) {
		if n := before[typ] - now[typ]; n > 0 {
			list = append(list, fmt.Sprintf("%d of %s (of %d)", n, typ, before[typ]))
		}
	}
	if len(list) == 0 {
		return nil
	}
	return fault.New(fault.Unavailable, "read export", "If they were not deleted there on purpose, ask the server's administrator.",
		fmt.Errorf("fewer than when everything was last exported: %s; what they said stays", strings.Join(list, ", ")))
}

// flush hands over what is there, with the cursor as it stands.
func (p *pass) flush() bool {
	cursor := p.at.write()
	if p.stopped || len(p.batch.Resources)+len(p.batch.Issues) == 0 && cursor == p.written {
		return !p.stopped
	}
	p.batch.Cursor, p.written = cursor, cursor
	b := p.batch
	p.batch, p.bytes = source.Batch{}, 0
	p.stopped = !p.yield(b, nil)
	return !p.stopped
}

func (p *pass) fail(err error) {
	if !p.stopped {
		p.stopped = !p.yield(source.Batch{}, fault.Wrap("source "+p.s.o.Name, err))
	}
}
