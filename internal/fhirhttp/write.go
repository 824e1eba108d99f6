package fhirhttp

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// Tries of Merge where somebody else wrote in between.
const mergeTries = 3

// Version is one version of a resource on the server.
type Version struct {
	Type, ID string
	ETag     string // for If-Match; empty where the server gives no version
	Body     []byte // nil where the server answered without
	Created  bool   // Create made it; false: it was there
}

// Ref is "Type/id".
func (v Version) Ref() string { return v.Type + "/" + v.ID }

// Read reads one resource.
func (c *Client) Read(ctx context.Context, typ, id string) (Version, error) {
	u, err := c.resource(typ, id)
	if err != nil {
		return Version{}, err
	}
	resp, err := c.send(ctx, request{method: http.MethodGet, url: u, typ: typ})
	if err != nil {
		return Version{}, err
	}
	if t, _ := fhir.Peek(resp.body); t != typ {
		return Version{}, fault.New(fault.Unavailable, "read "+typ, "Check the base address.", errors.New("the server answered with something else"))
	}
	return version(typ, id, resp), nil
}

// Create makes a resource. With a condition it is made only if the search finds nothing; if it finds one, the answer
// is that one, as far as the server tells; if it finds more, the error is of kind Conflict. ID is empty where the
// server does not say which it was: search for it then.
func (c *Client) Create(ctx context.Context, typ string, body []byte, ifNoneExist url.Values) (Version, error) {
	r := request{method: http.MethodPost, url: c.at(typ), typ: typ, body: body, header: map[string]string{"Prefer": "return=representation"}}
	if len(ifNoneExist) > 0 {
		r.header["If-None-Exist"] = ifNoneExist.Encode()
	}
	resp, err := c.write(ctx, r)
	if err != nil {
		return Version{}, err
	}
	v := version(typ, "", resp)
	if r := fhir.ParseReference(resp.header.Get("Location")); r.Type == typ {
		v.ID = r.ID
	}
	v.Created = resp.status == http.StatusCreated
	return v, nil
}

// Update replaces a resource, if its version is still the given one; an empty etag replaces any.
func (c *Client) Update(ctx context.Context, v Version) (Version, error) {
	u, err := c.resource(v.Type, v.ID)
	if err != nil {
		return Version{}, err
	}
	r := request{method: http.MethodPut, url: u, typ: v.Type, body: v.Body, header: map[string]string{"Prefer": "return=representation"}}
	if v.ETag != "" {
		r.header["If-Match"] = v.ETag
	}
	resp, err := c.write(ctx, r)
	if err != nil {
		return Version{}, err
	}
	return version(v.Type, v.ID, resp), nil
}

// write sends a creation or an update. An answer of success that tells of an error is none: whether it was done is then
// not known.
func (c *Client) write(ctx context.Context, r request) (response, error) {
	resp, err := c.send(ctx, r)
	if err == nil && failed(fhir.ParseOutcome(resp.body)) {
		err = fault.New(fault.Unavailable, "write "+r.typ+" at "+c.base.Host, "It is tried again.", errors.New("the server answers with success and tells of an error"))
	}
	return resp, err
}

// failed says whether an error is among the issues.
func failed(list []fhir.OutcomeIssue) bool {
	return slices.ContainsFunc(list, func(i fhir.OutcomeIssue) bool { return i.Severity == "error" || i.Severity == "fatal" })
}

// Merge reads a resource, gives its body to merge, and writes what that returns; nil leaves the resource as it is. If
// somebody else wrote in between it does so again, three times in all; then the error is of kind Conflict.
func (c *Client) Merge(ctx context.Context, typ, id string, merge func(current []byte) ([]byte, error)) (Version, error) {
	var last error
	for range mergeTries {
		v, err := c.Read(ctx, typ, id)
		if err != nil {
			return Version{}, err
		}
		body, err := merge(v.Body)
		if err != nil || body == nil {
			return v, err
		}
		v.Body = body
		v, last = c.Update(ctx, v)
		if fault.KindOf(last) != fault.Conflict {
			return v, last
		}
	}
	return Version{}, fault.New(fault.Conflict, "merge "+typ, "It is tried again at the next run.", last)
}

// Batch sends the entries in one request and gives the server's answer to each, in order; a server that stopped in the
// middle gives fewer. An error is about the whole: whether any of it was done is not known, unless the server refused
// it. See Refusal for what an answer means.
func (c *Client) Batch(ctx context.Context, entries []fhir.BatchEntry) ([]fhir.BatchAnswer, error) {
	body, err := fhir.NewBatch(entries)
	if err != nil {
		return nil, err
	}
	reads := !slices.ContainsFunc(entries, func(e fhir.BatchEntry) bool { return len(e.Resource) > 0 })
	resp, err := c.send(ctx, request{method: http.MethodPost, url: c.at(), typ: "batch", body: body, reads: reads})
	if err != nil {
		return nil, err
	}
	answers, err := fhir.ParseBatch(resp.body)
	if err != nil {
		return nil, fault.New(fault.Unavailable, "send batch", "", err)
	}
	if len(answers) > len(entries) {
		return nil, fault.New(fault.Unavailable, "send batch", "", errors.New("more is answered than was asked"))
	}
	return answers, nil
}

// Refusal is the error that an answer of a batch stands for, as if it had been asked alone; nil where it succeeded.
func (c *Client) Refusal(typ string, a fhir.BatchAnswer) error {
	switch {
	case a.Status >= 200 && a.Status < 300 && !failed(a.Outcome):
		return nil
	case a.Status < 400, a.Status == http.StatusFailedDependency:
		return fault.New(fault.Unavailable, "batch "+typ+" at "+c.base.Host, "", errors.New("the server did not do it"))
	}
	return fault.Wrap("batch "+typ+" at "+c.base.Host, c.refusal(a.Status, a.Outcome))
}

// Capability asks what the server can do.
func (c *Client) Capability(ctx context.Context) (fhir.Capability, error) {
	resp, err := c.send(ctx, request{method: http.MethodGet, url: c.at("metadata"), typ: "metadata"})
	if err != nil {
		return fhir.Capability{}, err
	}
	out, err := fhir.ParseCapability(resp.body)
	if err != nil {
		return out, fault.New(fault.Invalid, "read capabilities", "Check the base address.", err)
	}
	return out, nil
}

// resource is the address of one resource, if its id can stand in one.
func (c *Client) resource(typ, id string) (*url.URL, error) {
	if !fhir.WellFormed(typ + "/" + id) {
		return nil, fault.New(fault.Invalid, "address "+typ, "", fmt.Errorf("the id is none of FHIR's"))
	}
	return c.at(typ, id), nil
}

// version takes id and version from an answer: the version from the ETag, else from the body.
func version(typ, id string, resp response) Version {
	v := Version{Type: typ, ID: id, ETag: resp.header.Get("ETag"), Body: resp.body}
	if len(resp.body) == 0 {
		v.Body = nil
	}
	var b struct {
		ResourceType, ID string
		Meta             struct{ VersionID string }
	}
	if json.Unmarshal(resp.body, &b) != nil || b.ResourceType != typ {
		v.Body = nil
		return v
	}
	if v.ID == "" {
		v.ID = b.ID
	}
	if v.ETag == "" && b.Meta.VersionID != "" && !strings.ContainsAny(b.Meta.VersionID, "\"\r\n") {
		v.ETag = `W/"` + b.Meta.VersionID + `"`
	}
	return v
}
