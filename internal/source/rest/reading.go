package rest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"strconv"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
)

// maxSingle is how many doubtful resources are asked for one by one in one reading.
const maxSingle = 50

// reading is one search with all its pages, and what is found out about it.
type reading struct {
	s       *Source
	typ     string
	patient string    // "Patient/id": only what is about this one; "": everything
	from    time.Time // zero: everything
	idOnly  bool      // … is asked for by its id alone
	count   int       // resources a page, as a wish
	parts   []string  // the members that are asked for; nil: whole resources
	stamped bool      // the server said before when resources of this type were changed
	emit    func(source.Batch) bool

	lenient  bool      // the server does not bear strictness
	before   int       // how many resources there were before the first page; -1: not known
	date     time.Time // the server's clock at the first page
	found    *ledger
	doubtful map[string]bool // ids whose row cannot be taken as it is; true: nothing stands behind the id
	bare     int             // rows without the moment of their change
	nameless int             // rows without type or id
	foreign  bool            // rows of another type came though not as included ones
	pages    int
	last     fhirhttp.Page
	unfilter bool // the server did not heed the moment from which it was asked
	trouble  []string
	stopped  bool // nobody wants more
}

// errStopped ends a reading that nobody wants to go on.
var errStopped = errors.New("stopped")

// run reads all pages and checks that nothing is missing. An error means that not all pages were read; trouble, that
// something may be missing or wrong all the same.
func (r *reading) run(ctx context.Context) error {
	r.found, r.doubtful = newLedger(), map[string]bool{}
	if r.before = -1; r.from.IsZero() && r.patient == "" {
		r.before, _ = r.number(ctx)
	}
	if err := r.descend(ctx); err != nil {
		return err
	}
	if !r.from.IsZero() && !r.unfilter && r.found.older(r.from) {
		r.unfilter = true
	}
	if err := r.complete(ctx); err != nil {
		return err
	}
	return r.single(ctx)
}

// descend asks as strictly as the server bears: it may not know the header that asks for strictness, or not know
// when its resources changed.
func (r *reading) descend(ctx context.Context) error {
	err := r.walk(ctx, r.from)
	if r.pages > 0 || r.lenient || fault.KindOf(err) != fault.Invalid {
		return err
	}
	r.lenient = true
	again := r.walk(ctx, r.from)
	if r.pages == 0 && fault.KindOf(again) == fault.Invalid && !r.from.IsZero() {
		r.unfilter = true
		again = r.walk(ctx, time.Time{})
	}
	if fault.KindOf(again) == fault.Invalid {
		return err // what was said to the plain question is nearest to the cause
	}
	return again
}

// ask is the search from a moment on.
func (r *reading) ask(from time.Time) fhirhttp.Ask {
	q := url.Values{}
	maps.Copy(q, r.s.o.Params)
	if r.count > 0 {
		q.Set("_count", strconv.Itoa(r.count))
	}
	if len(r.parts) > 0 {
		q.Set("_elements", strings.Join(r.parts, ","))
	}
	if !from.IsZero() {
		q.Set("_lastUpdated", "ge"+from.UTC().Format(time.RFC3339))
	}
	if (!from.IsZero() || r.patient != "") && !r.lenient && !r.s.o.IgnoreCounts {
		q.Set("_total", "accurate") // so that an empty answer says that it is meant
	}
	switch {
	case r.patient == "":
	case r.typ == "Patient":
		q.Set("_id", strings.TrimPrefix(r.patient, "Patient/"))
	case r.idOnly:
		q.Set("patient", strings.TrimPrefix(r.patient, "Patient/"))
	default:
		q.Set("patient", r.patient)
	}
	return fhirhttp.Ask{Type: r.typ, Params: q, Lenient: r.lenient, Post: r.s.o.Post}
}

// walk reads the pages of one search.
func (r *reading) walk(ctx context.Context, from time.Time) error {
	ask, first := r.ask(from), true
	for page, err := range r.s.client.Ask(ctx, ask) {
		if err != nil {
			return err
		}
		if first {
			if err := r.understood(ask.Params, page.Self); err != nil {
				return err
			}
			if r.date.IsZero() {
				r.date = page.Date
			}
		}
		first = false
		r.pages++
		if r.last = page; !r.emit(r.take(page)) {
			r.stopped = true
			return errStopped
		}
	}
	return nil
}

// understood compares what the server says it understood with what it was asked. A link that shows nothing of the
// question (an opaque address, none at all) says nothing. That the time was not heeded is borne: everything comes, and
// is checked as everything. That the patient was not is refused: others' data would come.
func (r *reading) understood(asked url.Values, self string) error {
	u, err := url.Parse(self)
	if err != nil || u.RawQuery == "" {
		return nil
	}
	got := u.Query()
	known, missing := 0, map[string]bool{}
	for name := range asked {
		if got.Has(name) {
			known++
		} else {
			missing[name] = true
		}
	}
	if known == 0 {
		return nil
	}
	if missing["patient"] || missing["_id"] {
		return fault.New(fault.Invalid, "search "+r.typ, "The server does not search this type by patient.", errors.New("the server left the patient out of the search"))
	}
	r.unfilter = r.unfilter || missing["_lastUpdated"]
	return nil
}

// take makes a batch of a page: what may be handed on, without what was there already.
func (r *reading) take(page fhirhttp.Page) source.Batch {
	var b source.Batch
	for i, e := range page.Entries {
		if len(e.Body) == 0 {
			continue // a deletion, or nothing
		}
		row, ok := readRow(e.Body)
		switch {
		case !ok:
			r.nameless++
		case row.ResourceType != r.typ: // its own type is asked for too
			r.foreign = r.foreign || e.Mode != "include"
			continue
		}
		if !ok || r.trusted(row, e.FullURL) && r.found.add(row) {
			b.Resources = append(b.Resources, r.s.raw(r.typ, i+1, e.FullURL, e.Body))
		}
	}
	for _, o := range page.Outcomes {
		if o.Severity == "error" || o.Severity == "fatal" {
			r.trouble = append(r.trouble, "the server says: "+o.String())
		}
	}
	return b
}

// trusted says whether a row can be taken as it is; if not, it is asked for by itself later.
func (r *reading) trusted(row row, fullURL string) bool {
	id, other := row.otherCase(fullURL)
	switch {
	case other:
		r.doubtful[id] = false
	case row.empty():
		r.doubtful[row.ID] = true
	case row.tagged() && (len(r.parts) == 0 || !legible(row.body)):
		r.doubtful[row.ID] = false
	case row.updated.IsZero():
		r.bare++
		if r.stamped {
			r.doubtful[row.ID] = false
			return false
		}
		return true
	default:
		return true
	}
	return false
}

// number is how many resources there are; -1 where the server does not say or is not to be believed.
func (r *reading) number(ctx context.Context) (int, error) {
	if r.s.o.IgnoreCounts {
		return -1, nil
	}
	from := r.from
	if r.unfilter {
		from = time.Time{}
	}
	n, ok, err := r.s.client.Count(ctx, r.ask(from))
	if kind := fault.KindOf(err); kind == fault.Invalid || kind == fault.NotFound || kind == fault.Denied || !ok && err == nil {
		return -1, nil // it does not count
	}
	return n, err
}

// missing is how many resources there are that were not found, by the server's own count; 0 where it does not count.
func (r *reading) missing(ctx context.Context) (int, error) {
	n, err := r.number(ctx)
	return max(0, max(n, r.before)-r.size()), err
}

// size is how many resources were found.
func (r *reading) size() int { return len(r.found.rows) + r.nameless }

// complete compares what was found with what there is by the server's own count. What came while the pages were read
// is caught up with first.
func (r *reading) complete(ctx context.Context) error {
	if r.enough() {
		return nil
	}
	for id := range r.doubtful {
		r.found.note(id)
	}
	n, err := r.missing(ctx)
	for try := 0; n > 0 && err == nil && try < 2; try++ {
		since := r.from
		if r.everything() {
			since = r.s.since(r.date)
		}
		if since.IsZero() {
			break
		}
		if err := r.walk(ctx, since); err != nil {
			return err
		}
		n, err = r.missing(ctx)
	}
	if n > 0 && err == nil {
		r.trouble = append(r.trouble, fmt.Sprintf("%d of %d resources did not come", n, n+r.size()))
	}
	return err
}

// enough says that a search for changes, or for one patient, needs no count: nothing came, or all that the only page announces.
func (r *reading) enough() bool {
	if r.everything() && r.patient == "" || r.unfilter || r.pages != 1 {
		return false
	}
	n := r.size() + len(r.doubtful)
	return n == 0 && r.last.Total <= 0 || r.last.Total >= 0 && n >= r.last.Total
}

// single asks for the doubtful rows by their id.
func (r *reading) single(ctx context.Context) error {
	if r.bare > 0 && !r.stamped && r.bare < len(r.found.rows) {
		r.trouble = append(r.trouble, fmt.Sprintf("%d of %d resources do not say when they were changed", r.bare, len(r.found.rows)))
	}
	if r.foreign {
		r.trouble = append(r.trouble, "resources of another type came")
	}
	if n := len(r.doubtful); n > maxSingle {
		r.trouble = append(r.trouble, fmt.Sprintf("%d resources came without their content", n))
		return nil
	}
	var b source.Batch
	bad := 0
	for id, shell := range r.doubtful {
		v, err := r.s.client.Read(ctx, r.typ, id)
		switch {
		case fault.KindOf(err) == fault.NotFound && shell: // deleted; what it said stays until somebody decides
		case fault.KindOf(err) == fault.Canceled:
			return err
		case err != nil:
			bad++
		default:
			row, ok := readRow(v.Body)
			if !ok || row.ID != id || row.hollow() || row.updated.IsZero() && r.stamped {
				bad++
				continue
			}
			if r.found.add(row) {
				b.Resources = append(b.Resources, r.s.raw(r.typ, 0, "", v.Body))
			}
		}
	}
	if bad > 0 {
		r.trouble = append(r.trouble, fmt.Sprintf("%d resources came without their content", bad))
	}
	if len(b.Resources) > 0 && !r.emit(b) {
		r.stopped = true
		return errStopped
	}
	return nil
}

// everything says that all there is was read, asked for or not.
func (r *reading) everything() bool { return r.from.IsZero() || r.unfilter }

// err is the trouble as one error; nil: there is none.
func (r *reading) err() error {
	if len(r.trouble) == 0 {
		return nil
	}
	kept := r.trouble[:min(len(r.trouble), 3)]
	return fault.New(fault.Unavailable, "read "+r.typ, "If this goes on, ask the server's administrator: something may be missing. It is read again.",
		errors.New(strings.Join(kept, "; ")))
}

// since is the moment from which to ask next, by the server's clock when its first page was made: that less the
// overlap. A clock ahead of ours is not believed: what it stamped it may have stamped by another clock.
func (s *Source) since(date time.Time) time.Time {
	if date.IsZero() {
		return date
	}
	if now := s.o.Now(); date.After(now) {
		date = now
	}
	return date.Add(-s.o.Overlap).Truncate(time.Second)
}
