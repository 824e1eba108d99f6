package fhirrecord

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
)

func split(ref string) (typ, id string) {
	typ, id, _ = strings.Cut(ref, "/")
	return typ, id
}

// query is the search for a resource; it tells nothing about the patient.
func query(system, key string) url.Values { return url.Values{"identifier": {system + "|" + key}} }

// create makes a resource: on condition that it is not there, where the server bears that.
func (j *job) create(ctx context.Context, r *Resource, e Entry, t tree) error {
	body, err := withoutID(t)
	if err != nil {
		return err
	}
	v, err := j.post(ctx, r, body)
	switch {
	case fault.KindOf(err) == fault.Conflict: // another writer was faster, twice
	case err != nil:
		return err
	case v.Created && v.ID != "":
		e.Ref, e.Status, e.Hash = v.Ref(), r.Status, hash(r.Type, t)
		j.did.made++
		return j.keep(ctx, r.Key, e, r.Status)
	}
	found, err := j.find(ctx, r.Type, r.System, r.Key) // it was there, or the server does not say which it made
	switch {
	case err != nil:
		return err
	case len(found) == 0:
		return fault.New(fault.Unavailable, "create "+r.Type, "It is tried again.", errors.New("the server says that it is there and does not find it"))
	}
	e.Ref = found[0]
	return j.update(ctx, r, e, t)
}

// post asks for a resource to be made. A server that says nothing of conditions and refuses one is asked without.
func (j *job) post(ctx context.Context, r *Resource, body []byte) (fhirhttp.Version, error) {
	condition, w := query(r.System, r.Key), j.ways[r.Type]
	if w.plain {
		condition = nil
	}
	v, err := j.s.o.Client.Create(ctx, r.Type, body, condition)
	if status := fhirhttp.StatusOf(err); w.unsaid && condition != nil && (status == http.StatusBadRequest || status == http.StatusNotImplemented) {
		return j.s.o.Client.Create(ctx, r.Type, body, nil)
	}
	return v, err
}

// withoutID is a resource as it is sent to be made: the server gives it an id.
func withoutID(t tree) ([]byte, error) {
	out := tree{}
	for name, v := range t {
		if name != "id" {
			out[name] = v
		}
	}
	return out.body()
}

// find searches for the resources with an identifier, the one to be kept first; the others, which two writers at once
// made, are marked as entered in error.
func (j *job) find(ctx context.Context, typ, system, key string) ([]string, error) {
	type hit struct {
		id   string
		dead bool
	}
	var found []hit
	err := j.search(ctx, typ, query(system, key), func(id string, t tree) {
		for _, raw := range t.list("identifier") {
			var i fhir.Identifier
			if json.Unmarshal(raw, &i) == nil && i.System == system && i.Value == key && !slices.ContainsFunc(found, func(h hit) bool { return h.id == id }) {
				found = append(found, hit{id, t.text("status") == "entered-in-error" && typ != "Communication"})
			}
		}
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(found, func(a, b hit) int {
		switch {
		case a.dead != b.dead && a.dead:
			return 1
		case a.dead != b.dead:
			return -1
		case len(a.id) != len(b.id): // ids that are numbers
			return len(a.id) - len(b.id)
		}
		return strings.Compare(a.id, b.id)
	})
	var refs []string
	for i, h := range found {
		refs = append(refs, typ+"/"+h.id)
		if i > 0 && !h.dead {
			if err := j.retire(ctx, refs[i]); err != nil {
				return nil, err
			}
		}
	}
	return refs, nil
}

// retire marks a second resource with one identifier, unless somebody has taken it over.
func (j *job) retire(ctx context.Context, ref string) error {
	typ, _ := split(ref)
	_, err := j.merge(ctx, ref, func(was tree) ([]byte, error) {
		if !ours(was, Entry{Type: typ}, "") {
			return nil, nil
		}
		return was.close("entered-in-error")
	})
	if fault.KindOf(err) == fault.NotFound {
		return nil
	}
	return err
}

// search visits what a search finds. An answer that is not believable is an error: to believe that nothing is there
// would double a resource.
func (j *job) search(ctx context.Context, typ string, q url.Values, visit func(id string, t tree)) error {
	for page, err := range j.s.o.Client.Search(ctx, typ, q) {
		if err == nil && !believable(page.Page) {
			err = fault.New(fault.Unavailable, "search "+typ, "It is tried again.", errors.New("the server says that something is missing from its answer"))
		}
		if err != nil {
			return err
		}
		for _, entry := range page.Entries {
			kind, id := fhir.Peek(entry.Body)
			if t, err := parse(entry.Body); kind == typ && id != "" && err == nil {
				visit(id, t)
			}
		}
	}
	return nil
}

func believable(page fhir.Page) bool {
	return !(len(page.Entries) == 0 && page.Total > 0) && !slices.ContainsFunc(page.Outcomes, func(o fhir.OutcomeIssue) bool { return o.Severity == "error" || o.Severity == "fatal" })
}

// add makes a Provenance, where what it is about is there. If one was begun before, it is looked for: a server that
// cannot search by target would get a second one, which says the same.
func (j *job) add(ctx context.Context, r *Resource, e Entry, t tree) error {
	target := targetOf(t)
	if target == "" {
		return j.forget(ctx, r.Key)
	}
	if j.tried[r.Key] {
		found := ""
		err := j.search(ctx, r.Type, url.Values{"target": {target}}, func(id string, there tree) {
			if hash(r.Type, there) == hash(r.Type, t) {
				found = r.Type + "/" + id
			}
		})
		if status := fhirhttp.StatusOf(err); err != nil && status != http.StatusBadRequest && status != http.StatusNotImplemented {
			return err
		}
		if found != "" {
			e.Ref, e.Hash = found, hash(r.Type, t)
			j.did.same++
			return j.keep(ctx, r.Key, e, r.Status)
		}
	}
	body, err := withoutID(t)
	if err != nil {
		return err
	}
	v, err := j.s.o.Client.Create(ctx, r.Type, body, nil)
	if err != nil {
		return err
	}
	if e.Ref = r.Type + "/"; v.ID != "" {
		e.Ref = v.Ref()
	}
	e.Hash = hash(r.Type, t)
	j.did.made++
	return j.keep(ctx, r.Key, e, r.Status)
}

// targetOf is the reference to what a Provenance is about; "" where it is not on the server.
func targetOf(t tree) string {
	for _, raw := range t.list("target") {
		var r fhir.Reference
		if json.Unmarshal(raw, &r) == nil && r.Reference != "" {
			return r.Reference
		}
	}
	return ""
}
