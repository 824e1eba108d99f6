package fhirserve

import (
	"bytes"
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"perennial/internal/clinic"
	"perennial/internal/fhir"
)

// bundle is a page of a search.
type bundle struct {
	ResourceType string        `json:"resourceType"`
	Type         string        `json:"type"`
	Total        int           `json:"total"`
	Link         []link        `json:"link"`
	Entry        []bundleEntry `json:"entry,omitempty"`
}

type link struct {
	Relation string `json:"relation"`
	URL      string `json:"url"`
}

type bundleEntry struct {
	FullURL  string          `json:"fullUrl,omitempty"`
	Resource json.RawMessage `json:"resource"`
	Search   searchMode      `json:"search"`
}

type searchMode struct {
	Mode string `json:"mode"`
}

// search answers a search.
func (x *exchange) search() error {
	kind := kindNamed(x.did.Type)
	all, err := parameters(x.r)
	if err != nil {
		return err
	}
	p := reader{site: x.s.o.Clinic.Site(), zone: x.s.o.Zone, bases: []string{x.base(), x.s.o.Origin}, strict: x.strict(), q: query{kind: kind}}
	q, err := p.read(all)
	if err != nil {
		return err
	}
	b := bundle{ResourceType: "Bundle", Type: "searchset", Link: []link{{"self", x.address(kind.name, q.used)}}}
	err = x.s.o.Clinic.Snapshot(x.r.Context(), func(snap clinic.Snapshot) error {
		b.Entry, b.Link = nil, b.Link[:1] // it may be run again
		return x.page(snap, q, &b)
	})
	if err != nil {
		return err
	}
	if q.ignored > 0 {
		x.remark(&b, "not-supported", "Some parameters are not known for this type and were left out; the self link shows what was used.")
	}
	body, err := fhir.Encode(b)
	if err == nil {
		x.send(http.StatusOK, x.pretty(body))
	}
	return err
}

// strict says whether an unknown parameter is an error.
func (x *exchange) strict() bool {
	return slices.ContainsFunc(x.r.Header.Values("Prefer"), func(v string) bool {
		return slices.ContainsFunc(strings.FieldsFunc(v, func(r rune) bool { return r == ',' || r == ';' || r == ' ' }), func(w string) bool { return strings.EqualFold(w, "handling=strict") })
	})
}

// page fills a page out of a snapshot.
func (x *exchange) page(snap clinic.Snapshot, q *query, b *bundle) error {
	list, err := x.matches(snap, q)
	if err != nil {
		return err
	}
	if b.Total = len(list); q.bare {
		return nil
	}
	list = q.from(list)
	if len(list) > q.count {
		list = list[:q.count]
		more := url.Values{}
		for name, values := range q.used {
			more[name] = values
		}
		last := list[len(list)-1]
		at := place{ID: last.id}
		if q.sort != "_id" {
			at.At = last.at
		}
		more.Set("_cursor", at.String())
		b.Link = append(b.Link, link{"next", x.address(q.kind.name, more)})
	}
	broken := 0
	render := rendering{s: x.s, snap: snap}
	for _, e := range list {
		body, err := render.body(e)
		if err != nil {
			broken++
			continue
		}
		b.Entry = append(b.Entry, bundleEntry{x.base() + "/" + e.typ + "/" + e.id, body.text, searchMode{"match"}})
	}
	if x.did.Found = len(b.Entry); broken > 0 {
		x.remark(b, "exception", "Some resources of this page could not be written and are missing from it; whoever runs this program must look.")
		x.s.o.Log.Error("the FHIR endpoint could not write resources", "type", q.kind.name, "count", broken)
	}
	return nil
}

// remark adds a warning to a page.
func (x *exchange) remark(b *bundle, code, text string) {
	if body, err := fhir.Encode(outcomeOf("warning", code, text)); err == nil {
		b.Entry = append(b.Entry, bundleEntry{Resource: body, Search: searchMode{"outcome"}})
	}
}

// matches are all that a search finds, in its order.
func (x *exchange) matches(snap clinic.Snapshot, q *query) ([]*entry, error) {
	all, err := x.candidates(snap, q)
	if err != nil {
		return nil, err
	}
	var list []*entry
	for _, e := range all {
		if !slices.ContainsFunc(q.tests, func(test func(*entry) bool) bool { return !test(e) }) {
			list = append(list, e)
		}
	}
	switch q.sort {
	case "_lastUpdated":
		slices.SortFunc(list, func(a, b *entry) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id)) })
	case "-_lastUpdated":
		slices.SortFunc(list, func(a, b *entry) int { return cmp.Or(cmp.Compare(b.at, a.at), cmp.Compare(b.id, a.id)) })
	default:
		slices.SortFunc(list, func(a, b *entry) int { return cmp.Compare(a.id, b.id) })
	}
	return list, nil
}

// candidates are the resources of the type, of the patients that are asked for.
// Where that is one patient the store is asked, without the index.
func (x *exchange) candidates(snap clinic.Snapshot, q *query) ([]*entry, error) {
	if len(q.who) == 1 && len(q.who[0]) == 1 {
		id := q.who[0][0]
		if id == "" {
			return nil, nil
		}
		x.did.Patient = "Patient/" + id
		if list, found, err := x.s.ofPatient(snap, q.kind.name, id); err != nil || found {
			return list, err
		}
	}
	idx, err := x.s.shelf.at(snap)
	if err != nil {
		return nil, err
	}
	list := idx.types[q.kind.name]
	for _, ids := range q.who {
		wanted := map[string]bool{}
		for _, id := range ids {
			if now := idx.alias[id]; now != "" {
				id = now
			}
			wanted[id] = id != ""
		}
		list = slices.DeleteFunc(slices.Clone(list), func(e *entry) bool { return e.patient == "" || !wanted[e.patient] })
	}
	return slices.Clone(list), nil
}

// from leaves out what earlier pages gave.
func (q *query) from(list []*entry) []*entry {
	if q.after == nil {
		return list
	}
	at, id := q.after.At, q.after.ID
	next := slices.IndexFunc(list, func(e *entry) bool {
		switch q.sort {
		case "_lastUpdated":
			return e.at > at || e.at == at && e.id > id
		case "-_lastUpdated":
			return e.at < at || e.at == at && e.id < id
		}
		return e.id > id
	})
	if next < 0 {
		return nil
	}
	return list[next:]
}

// base is our address, without a slash at the end.
func (x *exchange) base() string {
	if x.s.o.URL != "" {
		return x.s.o.URL
	}
	return "http://" + x.r.Host + Path
}

// address is that of a search.
func (x *exchange) address(typ string, used url.Values) string {
	if len(used) == 0 {
		return x.base() + "/" + typ
	}
	return x.base() + "/" + typ + "?" + used.Encode()
}

// pretty lays a body out for people, where that was asked for.
func (x *exchange) pretty(body []byte) []byte {
	var b bytes.Buffer
	if x.r.URL.Query().Get("_pretty") != "true" || json.Indent(&b, body, "", "  ") != nil {
		return body
	}
	return b.Bytes()
}
