// Package fhirhttp talks to one FHIR R4 server: search with paging, read, create on condition, update, batch.
//
// # What it guards against
//
// A server is a peer that may be slow, half broken or lying about its own address.
//
//   - A token goes to the configured origin (scheme, host, port) only. Redirects are followed for reads within that
//     origin and refused elsewhere. A next link is resolved against the address of its page; if it names the server's
//     host, or a configured alias, it is rebuilt on the configured origin, so that a wrong scheme or port behind a
//     proxy does not matter; if it names another host it is refused and nothing is sent there.
//   - A body is read whole, within a bound that also holds after gunzip, before any of it is believed: a connection
//     that ends early is an error, never a short list. What is not JSON, whatever its status, is an error.
//   - Paging ends: a page that was there already is an error (unless the pages since held nothing), and there is a
//     highest number of pages.
//   - 429 and 503 are waited for as Retry-After asks (seconds or a date), up to a limit, with some jitter.
//
// # Writing
//
// Create sends If-None-Exist where it is given, Update sends If-Match, and Merge reads, lets the caller merge, and
// updates, again up to three times where somebody else wrote in between. A server that gives no version (no ETag, no
// meta.versionId) is updated without If-Match: there a change made in the same moment can be lost.
//
// # Errors
//
// All are of package fault: Unavailable (try again later), Denied, NotFound (404, 410), Conflict (409, 412), Invalid
// (the request, or an answer that will not get better), Canceled. They name the method, the type and the host, and the
// codes of an OperationOutcome: never a query, an id or free text of the server's. Nothing here logs.
package fhirhttp

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"perennial/internal/fault"
)

// Options say which server, and how to bear with it. Only Base is needed.
type Options struct {
	Base    string                 // "https://host/fhir"
	Aliases []string               // other names ("host" or "host:port") that the server gives itself in links
	Token   func() (string, error) // bearer token, asked for before each request; nil: none. See TokenFile
	HTTP    http.RoundTripper      // nil: that of NewTransport, without a login; see package fhirauth

	// Only for files of an export.
	Bare    http.RoundTripper // asks the same server without a login; nil: HTTP
	Foreign http.RoundTripper // asks the servers of Files, without login or client certificate; nil: that of NewTransport
	Files   []string          // other origins ("https://host:port") from which files may be fetched

	Now    func() time.Time                           // nil: time.Now; only for Retry-After as a date
	Sleep  func(context.Context, time.Duration) error // nil: waits
	Jitter func() float64                             // in [0,1); nil: random

	Tries    int           // for one request; 0: 4
	MaxWait  time.Duration // between two tries, whatever the server asks for; 0: 15 minutes
	Timeout  time.Duration // of one request with its body; 0: 2 minutes
	MaxBody  int64         // bytes of one answer, packed and unpacked; 0: 32 MiB
	MaxPages int           // of one search; 0: 10,000
}

// Client talks to one server. It may be used by several goroutines at once.
type Client struct {
	o    Options
	base *url.URL // path without a slash at the end
	http *http.Client
	bare *http.Client // without a login
	far  *http.Client // for other origins
}

// New makes a client. It connects to nothing yet. Errors are of kind Invalid: the base is no http or https address,
// or a token would be sent over plain http to another machine.
func New(o Options) (*Client, error) {
	const op = "set up FHIR server"
	u, err := url.Parse(strings.TrimRight(strings.TrimSpace(o.Base), "/"))
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.RawQuery != "" || u.Fragment != "":
		return nil, fault.New(fault.Invalid, op, "Give the base address like https://host/fhir.", errors.New("the base is not an http or https address"))
	case u.User != nil:
		return nil, fault.New(fault.Invalid, op, "Put the secret into a file and name the file.", errors.New("the base holds a user name or password"))
	case u.Scheme == "http" && o.Token != nil && !loopback(u.Hostname()):
		return nil, fault.New(fault.Invalid, op, "Use https.", fmt.Errorf("a token would go to %s without encryption", u.Host))
	}
	o = o.withDefaults()
	return &Client{o: o, base: u, http: through(o.HTTP), bare: through(o.Bare), far: through(o.Foreign)}, nil
}

// through is a client that follows no redirect by itself.
func through(t http.RoundTripper) *http.Client {
	return &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// NewTransport makes the transport of a client that is given none: it unpacks nothing by itself, because that is done
// here within a bound, and waits neither long for an answer nor for a large header.
func NewTransport() *http.Transport {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.DisableCompression = true
	t.ResponseHeaderTimeout = time.Minute
	t.MaxResponseHeaderBytes = 64 << 10
	return t
}

// Base is the server's base address, without a slash at the end.
func (c *Client) Base() string { return c.base.String() }

func (o Options) withDefaults() Options {
	if o.HTTP == nil {
		o.HTTP = NewTransport()
	}
	if o.Bare == nil {
		o.Bare = o.HTTP
	}
	if o.Foreign == nil {
		o.Foreign = NewTransport()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Sleep == nil {
		o.Sleep = Sleep
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
	return o.withNumbers()
}

func (o Options) withNumbers() Options {
	if o.Tries <= 0 {
		o.Tries = 4
	}
	if o.MaxWait <= 0 {
		o.MaxWait = 15 * time.Minute
	}
	if o.Timeout <= 0 {
		o.Timeout = 2 * time.Minute
	}
	if o.MaxBody <= 0 {
		o.MaxBody = 32 << 20
	}
	if o.MaxPages <= 0 {
		o.MaxPages = 10_000
	}
	return o
}

// Sleep waits, or gives up with the context.
func Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// TokenFile gives the first line of a file as the token, read anew each time so that it can be changed while the
// program runs. The file must not be readable by everybody.
func TokenFile(path string) func() (string, error) {
	return func() (string, error) {
		op := "read token file " + path
		info, err := os.Stat(path)
		if err != nil {
			return "", fault.New(fault.KindOf(err), op, "Check the path and the rights of the file.", err)
		}
		if info.Mode().Perm()&0o007 != 0 {
			return "", fault.New(fault.Denied, op, "Run chmod 600 on it.", errors.New("everybody on this machine can read it"))
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return "", fault.Wrap(op, err)
		}
		token := strings.TrimSpace(string(text))
		if token == "" || strings.ContainsAny(token, " \t\r\n") {
			return "", fault.New(fault.Invalid, op, "Put the token alone on one line.", errors.New("it does not hold one word"))
		}
		return token, nil
	}
}
