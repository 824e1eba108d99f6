package fhirhttp

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

const maxRedirects = 5

// request is one call; its address is on the configured origin.
type request struct {
	method string
	url    *url.URL
	typ    string // for messages
	header map[string]string
	body   []byte
	reads  bool // it changes nothing, though it is no GET: a search by POST
	async  bool // it is about work that the server does meanwhile: an answer may be of any form
}

// safe says whether the request may be made twice.
func (r request) safe() bool { return r.method == http.MethodGet || r.reads }

// response is an answer that was read whole.
type response struct {
	status int
	header http.Header
	body   []byte
	url    *url.URL // where it came from, after redirects
}

// failure is why one try failed.
type failure struct {
	err   error
	again bool          // the same request may succeed
	after time.Duration // the server asked to wait so long; 0: it did not
}

func (r request) op(c *Client) string { return r.method + " " + r.typ + " at " + c.base.Host }

// send makes a request, again where that may help. Reads are repeated after any trouble that may pass, writes only
// where the server said that it did not take them (429, 503).
func (c *Client) send(ctx context.Context, r request) (resp response, err error) {
	err = c.again(ctx, r, func() (f *failure) {
		resp, f = c.try(ctx, r)
		return f
	})
	if err != nil {
		return response{}, err
	}
	return resp, nil
}

// again does something until it succeeds, or there is no hope that it will.
func (c *Client) again(ctx context.Context, r request, do func() *failure) error {
	for try := 1; ; try++ {
		f := do()
		if f == nil {
			return nil
		}
		if !f.again || try >= c.o.Tries || ctx.Err() != nil {
			return c.classify(ctx, r, f.err)
		}
		if err := c.o.Sleep(ctx, c.wait(try, f.after)); err != nil {
			return c.classify(ctx, r, err)
		}
	}
}

// classify makes an error of package fault.
func (c *Client) classify(ctx context.Context, r request, err error) error {
	if ctx.Err() != nil {
		return fault.New(fault.Canceled, r.op(c), "", ctx.Err())
	}
	return fault.Wrap(r.op(c), err)
}

// wait is how long to wait before the next try: what the server asked for and up to a tenth more, else one second,
// doubled each time, less up to a half of it. Never more than the limit.
func (c *Client) wait(try int, asked time.Duration) time.Duration {
	asked = min(asked, c.o.MaxWait) // before it is added to: a date far off would run over
	d := asked + time.Duration(float64(asked)/10*c.o.Jitter())
	if asked <= 0 {
		full := time.Second << min(try-1, 10)
		d = full - time.Duration(float64(full)/2*c.o.Jitter())
	}
	return min(d, c.o.MaxWait)
}

// try makes one request and follows redirects of a read within the origin.
func (c *Client) try(ctx context.Context, r request) (response, *failure) {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	for range maxRedirects {
		resp, f := c.once(ctx, r)
		if f != nil || resp.status < 300 || resp.status > 399 {
			return resp, f
		}
		next, err := c.redirect(r, resp)
		if err != nil {
			return response{}, &failure{err: err}
		}
		r.url = next
	}
	return response{}, &failure{err: fault.New(fault.Unavailable, "follow redirects", "Check the base address.", errors.New("the server redirects without end"))}
}

// redirect is where a redirect leads, if it may be followed.
func (c *Client) redirect(r request, resp response) (*url.URL, error) {
	const op, hint = "follow redirect", "Give the address to which the server redirects as the base, if it is right."
	to, err := r.url.Parse(resp.header.Get("Location"))
	switch {
	case err != nil || resp.header.Get("Location") == "":
		return nil, fault.New(fault.Unavailable, op, "", fmt.Errorf("status %d without an address", resp.status))
	case r.method != http.MethodGet:
		return nil, fault.New(fault.Denied, op, hint, errors.New("what is written is never redirected"))
	case to.Scheme != c.base.Scheme || to.Host != c.base.Host:
		return nil, fault.New(fault.Denied, op, hint, fmt.Errorf("it leads to another server (%s)", to.Host))
	}
	to.User = nil
	return to, nil
}

// once sends the request and reads the whole answer.
func (c *Client) once(ctx context.Context, r request) (response, *failure) {
	read := r.safe()
	req, err := c.prepare(ctx, r)
	if err != nil {
		return response{}, &failure{err: err}
	}
	got, err := c.http.Do(req)
	if err != nil {
		return response{}, unanswered(read, bare(err))
	}
	defer got.Body.Close()
	resp := response{status: got.StatusCode, header: got.Header, url: r.url}
	if got.StatusCode >= 300 {
		resp.body, _ = c.body(got, min(c.o.MaxBody, 64<<10)) // an outcome, if it can be read
		if got.StatusCode < 400 {
			return resp, nil
		}
		return resp, c.refused(read, resp)
	}
	resp.body, err = c.body(got, c.o.MaxBody)
	if err != nil {
		return response{}, &failure{err: err, again: read && fault.KindOf(err) == fault.Unavailable}
	}
	if r.async && (resp.status == http.StatusAccepted || r.method == http.MethodDelete) {
		return resp, nil
	}
	if err := c.looksRight(r, resp); err != nil {
		return response{}, &failure{err: err}
	}
	return resp, nil
}

// prepare builds the request; the token goes along only because the address was checked to be on the origin.
func (c *Client) prepare(ctx context.Context, r request) (*http.Request, error) {
	if r.url.Scheme != c.base.Scheme || r.url.Host != c.base.Host {
		return nil, fault.New(fault.Internal, "prepare request", "", errors.New("an address of another server"))
	}
	req, err := http.NewRequestWithContext(ctx, r.method, r.url.String(), bytes.NewReader(r.body))
	if err != nil {
		return nil, fault.New(fault.Internal, "prepare request", "", errors.New("the address cannot be used"))
	}
	c.plain(req)
	if r.body != nil {
		req.Header.Set("Content-Type", "application/fhir+json; charset=utf-8")
	}
	for k, v := range r.header {
		req.Header.Set(k, v)
	}
	if c.o.Token != nil {
		token, err := c.o.Token()
		if err != nil {
			return nil, err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return req, nil
}

// plain sets what every request says.
func (c *Client) plain(req *http.Request) {
	req.Header.Set("Accept", "application/fhir+json")
	req.Header.Set("Accept-Encoding", "gzip")
	req.Header.Set("User-Agent", "perennial")
}

// unanswered says why there is no answer. What the transport classified itself, such as a login that is refused, stays
// what it is.
func unanswered(read bool, err error) *failure {
	if _, ok := errors.AsType[*fault.Error](err); !ok {
		err = fault.New(fault.Unavailable, "connect", "", err)
	}
	return &failure{err: err, again: read && fault.KindOf(err) == fault.Unavailable}
}

// bare takes the address, which may hold a query, off an error of net/http.
func bare(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// refused classifies a status of 400 and more.
func (c *Client) refused(read bool, resp response) *failure {
	err := c.refusal(resp.status, fhir.ParseOutcome(resp.body))
	kind, f := fault.KindOf(err), &failure{err: err}
	waits := resp.status == http.StatusTooManyRequests || resp.status == http.StatusServiceUnavailable
	f.again = waits || read && kind == fault.Unavailable
	if waits {
		f.after = retryAfter(resp.header.Get("Retry-After"), c.o.Now())
	}
	return f
}

// refusal is the error of a status of 400 and more.
func (c *Client) refusal(status int, outcome []fhir.OutcomeIssue) error {
	kind, hint := kindOf(status)
	text := "status " + strconv.Itoa(status)
	if words := words(outcome); words != "" {
		text += "; " + words
	}
	return fault.New(kind, "answer", hint, &statusError{status, text})
}

// statusError keeps the status beside the words.
type statusError struct {
	status int
	text   string
}

// Error is the status, and what the server says in codes.
func (e *statusError) Error() string { return e.text }

// StatusOf is the status with which a server refused; 0 where an error has another cause.
func StatusOf(err error) int {
	if e, ok := errors.AsType[*statusError](err); ok {
		return e.status
	}
	return 0
}

// kindOf says what a status means for the caller.
func kindOf(status int) (kind fault.Kind, hint string) {
	switch status {
	case http.StatusUnauthorized:
		return fault.Denied, "The server does not accept the login. Ask its administrator for a new token or password, or for access."
	case http.StatusForbidden:
		return fault.Denied, "The login does not allow this. Ask the server's administrator for the right."
	case http.StatusNotFound, http.StatusGone:
		return fault.NotFound, ""
	case http.StatusConflict, http.StatusPreconditionFailed:
		return fault.Conflict, ""
	case http.StatusRequestTimeout, http.StatusTooManyRequests, http.StatusTooEarly:
		return fault.Unavailable, ""
	case http.StatusMethodNotAllowed, http.StatusNotImplemented:
		return fault.Invalid, "The server does not offer this. Use files instead, or ask its administrator."
	}
	if status >= 500 {
		return fault.Unavailable, ""
	}
	return fault.Invalid, ""
}

// retryAfter reads the header in both its forms; 0 where it says nothing usable.
func retryAfter(text string, now time.Time) time.Duration {
	text = strings.TrimSpace(text)
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		if n < 0 || n > 1<<31 {
			n = max(0, min(n, 1<<31))
		}
		return time.Duration(n) * time.Second
	}
	if t, err := http.ParseTime(text); err == nil {
		return max(0, t.Sub(now))
	}
	return 0
}
