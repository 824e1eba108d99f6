package fhirhttp

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// ExportState is what a server says of an export (HL7 FHIR Bulk Data Access 2.0) that it was asked for.
type ExportState struct {
	Manifest []byte        // what it exported, once that is done; nil: it is still at it
	Progress string        // "40 %" or "3 of 7", where the server says something of the kind
	Wait     time.Duration // what the server asks to wait before it is asked again; 0: it does not say
}

// StartExport asks for an export: path is "$export", "Patient/$export" or "Group/id/$export". It gives the address at
// which the export is asked after. It is tried once: wait is how long the server asks to wait before another try.
func (c *Client) StartExport(ctx context.Context, path string, params url.Values) (status string, wait time.Duration, err error) {
	r := request{method: http.MethodGet, url: c.at(strings.Split(path, "/")...), typ: "$export", async: true, header: map[string]string{"Prefer": "respond-async"}}
	r.url.RawQuery = params.Encode()
	resp, f := c.try(ctx, r)
	if f != nil {
		return "", f.after, c.classify(ctx, r, f.err)
	}
	where := strings.TrimSpace(resp.header.Get("Content-Location"))
	if resp.status != http.StatusAccepted || where == "" {
		return "", 0, c.classify(ctx, r, fault.New(fault.Invalid, "start export", "Ask the server's administrator whether it offers FHIR Bulk Data exports.",
			errors.New("the server does not say where the export can be asked after (202 with Content-Location is expected)")))
	}
	u, err := c.follow("start export", resp.url, where)
	if err != nil {
		return "", 0, c.classify(ctx, r, err)
	}
	return u.String(), 0, nil
}

// Export asks after an export, once. Errors: NotFound, the server knows it no more; Invalid, it failed for good;
// Unavailable, ask again later; Denied, the login. The state's Wait holds beside an error, too.
func (c *Client) Export(ctx context.Context, status string) (ExportState, error) {
	r, err := c.exportRequest(http.MethodGet, status)
	if err != nil {
		return ExportState{}, err
	}
	resp, f := c.try(ctx, r)
	if f != nil {
		return ExportState{Wait: f.after}, c.classify(ctx, r, failedForGood(resp, f.err))
	}
	if resp.status == http.StatusAccepted {
		return ExportState{Progress: progress(resp.header.Get("X-Progress")), Wait: retryAfter(resp.header.Get("Retry-After"), c.o.Now())}, nil
	}
	return ExportState{Manifest: resp.body}, nil
}

// EndExport tells the server that an export is not needed any more: it may stop and delete its files. What the server
// does not know any more has ended too.
func (c *Client) EndExport(ctx context.Context, status string) error {
	r, err := c.exportRequest(http.MethodDelete, status)
	if err != nil {
		return err
	}
	if _, f := c.try(ctx, r); f != nil && fault.KindOf(f.err) != fault.NotFound {
		return c.classify(ctx, r, f.err)
	}
	return nil
}

// exportRequest asks about an export. Its address came from StartExport, maybe in an earlier run with other settings.
func (c *Client) exportRequest(method, status string) (request, error) {
	u, err := c.follow("ask after export", c.base, status)
	return request{method: method, url: u, typ: "export", async: true, header: map[string]string{"Accept": "application/json, application/fhir+json;q=0.9"}}, err
}

// failedForGood tells an export that failed from a question after it that did: by the OperationOutcome, whose code is
// transient for the latter. A gateway in between writes none.
func failedForGood(resp response, err error) error {
	said := fhir.ParseOutcome(resp.body)
	passes := func(i fhir.OutcomeIssue) bool { return i.Code == "transient" || i.Code == "throttled" }
	if resp.status < 500 || resp.status == http.StatusServiceUnavailable || len(said) == 0 || slices.ContainsFunc(said, passes) {
		return err
	}
	return fault.New(fault.Invalid, "export", "If this goes on, ask the server's administrator why the export fails.", err)
}

var progressPattern = regexp.MustCompile(`\b(\d{1,3}(?:\.\d{1,3})?) ?%|\b(\d{1,9}) ?(?:of|/|out of) ?(\d{1,9})\b`)

// progress keeps the numbers of what a server says of its progress: the rest is free text.
func progress(text string) string {
	m := progressPattern.FindStringSubmatch(text)
	switch {
	case m == nil:
		return ""
	case m[1] != "":
		return m[1] + " %"
	}
	return m[2] + " of " + m[3]
}
