// Package tasks reads back the Tasks that this program wrote to a FHIR server which is not the one that patients and
// imaging come from.
//
// # Only ours
//
// It asks for the site's own identifier system, and hands on nothing else, should the server give more: the Tasks of
// others, or of another installation, are no business of this one. Where the server finds none by the system, though
// there are some, that is an error and no silence: some servers search by whole identifiers only.
//
// # Whose they are
//
// The addresses there are not those of the source. So the address of a Task is not handed on, and whose it is must be
// told by its identifier, which names the work item.
package tasks

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"net/url"
	"slices"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/source"
)

// Options of a source.
type Options struct {
	Site string        // id of the store
	From source.Source // gives the Tasks of the server; see Params
	// Missed says whether Tasks were sent there and none ever came back; nil: it is not known.
	Missed func() bool
}

// Params are the parameters by which the server is to be searched.
func Params(site string) url.Values {
	return url.Values{"identifier": {fhir.TokenSystem(site) + "|"}}
}

// Source gives our Tasks of one server.
type Source struct{ o Options }

var _ source.Source = (*Source)(nil)

// New makes a source.
func New(o Options) *Source { return &Source{o} }

// Name is the name of the source beneath.
func (s *Source) Name() string { return s.o.From.Name() }

// Fetch gives what is new since the cursor. See source.Source.
func (s *Source) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		found, failed := 0, false
		missed := s.o.Missed != nil && s.o.Missed() // before it is asked: what is sent meanwhile does not count
		for b, err := range s.o.From.Fetch(ctx, cursor) {
			b = s.ours(b)
			found += len(b.Resources)
			failed = failed || err != nil
			if !yield(b, err) {
				return
			}
		}
		if missed && found == 0 && !failed {
			yield(source.Batch{}, fault.New(fault.Unavailable, "source "+s.Name(), "Ask the server's administrator whether Tasks can be searched by the system of an identifier alone (identifier=system|).",
				errors.New("none of the Tasks that were sent there is found: what people do with them does not come back")))
		}
	}
}

// ours leaves in a batch what is ours, without its address.
func (s *Source) ours(b source.Batch) source.Batch {
	var mine []fhir.Raw
	for _, raw := range b.Resources {
		if s.isOurs(raw.Body) {
			raw.FullURL = ""
			mine = append(mine, raw)
		}
	}
	b.Resources = mine
	return b
}

func (s *Source) isOurs(body []byte) bool {
	var t struct {
		ResourceType string
		Identifier   []fhir.Identifier
	}
	system := fhir.TokenSystem(s.o.Site)
	return json.Unmarshal(body, &t) == nil && t.ResourceType == "Task" && slices.ContainsFunc(t.Identifier, func(id fhir.Identifier) bool { return id.System == system })
}
