// Package rest polls a FHIR R4 server for what changed, type by type.
//
// # The cursor
//
// For each type the cursor holds the moment from which to ask next: the server's own clock (the Date header of the
// first page) less an overlap, ten minutes by default. It is never the highest lastUpdated that was seen: a server may
// stamp a resource before it commits it, so that one with an older stamp appears later. What comes twice does no harm.
// A server that sends no Date is asked for everything each time. A type moves on only when all its pages were read and
// the server reported no error among them; a type that fails keeps its place, and the others go on.
//
// A type that is new in the settings has no place yet and is read from the beginning.
//
// # What the server has
//
// Few servers have every type. With Options.Discover the source first asks for the CapabilityStatement and passes over
// the types that the server says it cannot search, but for patients, procedures and imaging, without which there is no
// surveillance: those are asked for in any case, and fail aloud. A statement that lists no search at all is not believed.
package rest

import (
	"context"
	"encoding/json"
	"iter"
	"maps"
	"net/url"
	"strconv"
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
	return &Source{o: o, client: client}
}

// Name is the source's name.
func (s *Source) Name() string { return s.o.Name }

// Fetch asks for what changed since the cursor. See source.Source; an error is about one type.
func (s *Source) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		places, err := parse(cursor)
		if err != nil {
			yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
			return
		}
		for _, typ := range s.types(ctx) {
			if ctx.Err() != nil || !s.fetchType(ctx, typ, places, yield) {
				return
			}
		}
	}
}

// types are those to ask for. Where the server does not say what it has, all are asked for: their errors tell enough.
func (s *Source) types(ctx context.Context) []string {
	if !s.o.Discover {
		return s.o.Types
	}
	can, err := s.client.Capability(ctx)
	if err != nil {
		return s.o.Types
	}
	var some []string
	any := false
	for _, typ := range s.o.Types {
		can := can.Can(typ, "search-type")
		if any = any || can; can || needed(typ) {
			some = append(some, typ)
		}
	}
	if !any {
		return s.o.Types
	}
	return some
}

// fetchType asks for one type and moves its place on; it says whether the caller wants more.
func (s *Source) fetchType(ctx context.Context, typ string, places map[string]time.Time, yield func(source.Batch, error) bool) bool {
	var next time.Time
	whole := true
	held, some := source.Batch{}, false // one batch is held back: only the last moves the cursor
	for page, err := range s.client.Search(ctx, typ, s.query(places[typ])) {
		if some {
			held.Cursor = write(places)
			if !yield(held, nil) {
				return false
			}
		}
		if err != nil {
			return yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
		}
		if !some && !page.Date.IsZero() {
			next = page.Date.Add(-s.o.Overlap)
		}
		held, some = s.batch(typ, page), true
		whole = whole && len(held.Issues) == 0
	}
	if !some {
		return true
	}
	if whole && !next.IsZero() { // back too: a clock that was ahead and was put right stamps earlier than before
		places[typ] = next
	}
	held.Cursor = write(places)
	return yield(held, nil)
}

func (s *Source) query(from time.Time) url.Values {
	q := url.Values{"_count": {strconv.Itoa(s.o.Count)}}
	if !from.IsZero() {
		q.Set("_lastUpdated", "ge"+from.UTC().Format(time.RFC3339))
	}
	return q
}

// batch takes the resources of a page. Entries without one are passed over; a resource of another type, which a server
// may include, is as good as any.
func (s *Source) batch(typ string, page fhirhttp.Page) source.Batch {
	var b source.Batch
	for i, e := range page.Entries {
		if len(e.Body) > 0 {
			b.Resources = append(b.Resources, fhir.Raw{File: s.o.Name + "/" + typ, Line: i + 1, FullURL: e.FullURL, Body: e.Body})
		}
	}
	for _, o := range page.Outcomes {
		if o.Severity == "error" || o.Severity == "fatal" {
			b.Issues = append(b.Issues, fhir.Issue{Kind: fhir.Unreadable, File: s.o.Name + "/" + typ, What: "the server says: " + o.String(),
				Fix: "Ask the server's administrator: it may hold back a part of what was asked for."})
		}
	}
	return b
}

// parse reads a cursor.
func parse(cursor string) (map[string]time.Time, error) {
	places := map[string]time.Time{}
	if cursor == "" {
		return places, nil
	}
	if err := json.Unmarshal([]byte(cursor), &places); err != nil {
		return nil, fault.New(fault.Damaged, "read cursor", "Forget the cursor of this source: everything is then read again.", err)
	}
	return places, nil
}

// write gives the cursor for places, types in order.
func write(places map[string]time.Time) string {
	utc := maps.Clone(places)
	for typ, t := range utc {
		utc[typ] = t.UTC()
	}
	b, _ := json.Marshal(utc) // a map of times of four-digit years never fails
	return string(b)
}
