// Package fhirauth logs in at one FHIR server: it gives the transport through which package fhirhttp asks it.
//
// # The ways to log in
//
//   - none;
//   - basic: a user name and a password from a file;
//   - bearer: a token from a file;
//   - SMART Backend Services (HL7 SMART App Launch 2.2, "Backend Services" and "Client Authentication: Asymmetric"): a
//     short-lived assertion, signed with a private key from a file, is exchanged for a token.
//
// Beside any of them a client certificate may be shown (mTLS) and an authority of the hospital's own be trusted. All
// files but that of the authority are read again when they are needed, so that a password, token, key or certificate
// is changed without a restart.
//
// # Where a login goes
//
// To the origin (scheme, host, port) of the settings, and nowhere else: a request to any other is refused here, below
// everything that follows redirects and links. An assertion goes to the token endpoint that the settings or that
// server name, over TLS, and is never redirected.
//
// # What may fail
//
// A refused login (401) gets one fresh header, if there is one, and one more try; what the server refused it did not
// take, so a write may be repeated too. Errors are of package fault: Denied (refused; the same again is of no use),
// Unavailable (later), Invalid (a file or an answer that must be put right). They name files, hosts and the codes of
// RFC 6749. No error holds a secret, a token, an assertion, an address with its query, or text of the server's. Nothing
// here logs.
package fhirauth

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/settings"
)

// Options say which server, and how to log in there.
type Options struct {
	Server settings.Rest
	Now    func() time.Time // nil: time.Now
}

// Transport asks one server, with its login. It may be used by several goroutines at once.
type Transport struct {
	origin string
	host   string
	login  login // nil: none
	next   http.RoundTripper
}

var _ http.RoundTripper = (*Transport)(nil)

// login gives the header Authorization. stale is one that the server has just refused, or "": it is then not to be
// given again, unless there is no other.
type login interface {
	header(ctx context.Context, stale string) (string, error)
}

// New makes a transport. It reads certificates, so that a wrong file is found early, and asks no server. Errors are of
// the kind Invalid, NotFound or Denied.
func New(o Options) (*Transport, error) {
	const op = "set up the login"
	u, err := url.Parse(strings.TrimSpace(o.Server.URL))
	if err != nil || u.Host == "" {
		return nil, fault.New(fault.Invalid, op, "Give the base address like https://host/fhir.", errors.New("the base is not an address"))
	}
	if o.Server.Login() != "none" && settings.Readable(o.Server.URL) {
		return nil, fault.New(fault.Invalid, op, "Use https.", fmt.Errorf("it would go to %s without encryption", u.Host))
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	config, err := tlsOf(o.Server)
	if err != nil {
		return nil, err
	}
	next := fhirhttp.NewTransport()
	next.TLSClientConfig = config
	return &Transport{origin: origin(u), host: u.Host, login: loginOf(o, u, next), next: next}, nil
}

// Bare asks the same server without the login: for files of an export that say that they need none. A client
// certificate is shown all the same, as the connection may need it.
func (t *Transport) Bare() http.RoundTripper {
	return &Transport{origin: t.origin, host: t.host, next: t.next}
}

// Elsewhere asks other servers, with neither login nor client certificate; it trusts the authorities that are trusted
// for the server of the settings.
func Elsewhere(server settings.Rest) (http.RoundTripper, error) {
	config, err := tlsOf(settings.Rest{CA: server.CA})
	if err != nil {
		return nil, err
	}
	next := fhirhttp.NewTransport()
	next.TLSClientConfig = config
	return next, nil
}

// loginOf is the login that the settings name.
func loginOf(o Options, base *url.URL, next http.RoundTripper) login {
	switch o.Server.Login() {
	case "bearer":
		return bearer{fhirhttp.TokenFile(o.Server.Token.File)}
	case "basic":
		return basic{o.Server.Basic}
	case "smart":
		return newSmart(o, base, next)
	}
	return nil
}

// RoundTrip makes one request. See the package for what it guards.
func (t *Transport) RoundTrip(q *http.Request) (*http.Response, error) {
	if origin(q.URL) != t.origin {
		done(q.Body)
		return nil, fault.New(fault.Denied, "log in at "+t.host, "If this is the same server, name it by the address of the settings.",
			fmt.Errorf("another server (%s) is not asked", q.URL.Host))
	}
	if t.login == nil {
		return t.send(q, q.Body, "")
	}
	said, err := t.login.header(q.Context(), "")
	if err != nil {
		done(q.Body)
		return nil, err
	}
	resp, err := t.send(q, q.Body, said)
	if err != nil || resp.StatusCode != http.StatusUnauthorized {
		return resp, err
	}
	return t.again(q, resp, said)
}

// again makes a refused request once more, if there is another header to say.
func (t *Transport) again(q *http.Request, refused *http.Response, said string) (*http.Response, error) {
	if q.Body != nil && q.Body != http.NoBody && q.GetBody == nil {
		return refused, nil
	}
	next, err := t.login.header(q.Context(), said)
	if err == nil && next == said {
		return refused, nil
	}
	_, _ = io.CopyN(io.Discard, refused.Body, 64<<10)
	done(refused.Body)
	if err != nil {
		return nil, err
	}
	body := q.Body
	if q.GetBody != nil {
		if body, err = q.GetBody(); err != nil {
			return nil, err
		}
	}
	return t.send(q, body, next)
}

// send sends a copy of the request: that of the caller stays as it is.
func (t *Transport) send(q *http.Request, body io.ReadCloser, authorization string) (*http.Response, error) {
	own := q.Clone(q.Context())
	own.Body = body
	if t.login != nil {
		own.Header.Set("Authorization", authorization)
	}
	resp, err := t.next.RoundTrip(own)
	return resp, explained(err)
}

// CloseIdleConnections closes the connections that nobody uses.
func (t *Transport) CloseIdleConnections() {
	if c, ok := t.next.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}

// origin is scheme, host and port, in one form.
func origin(u *url.URL) string {
	scheme, port := strings.ToLower(u.Scheme), u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[scheme]
	}
	return scheme + "://" + strings.ToLower(u.Hostname()) + ":" + port
}

// explained adds to an error of TLS what to do about it.
func explained(err error) error {
	if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
		return fault.New(fault.Unavailable, "connect", "Name the file with the certificate of the server's authority under ca, and the server as its certificate does.", err)
	}
	if op, ok := errors.AsType[*net.OpError](err); ok && op.Op == "remote error" { // an alert of TLS
		return fault.New(fault.Unavailable, "connect", "The server may want a client certificate, or another one: see client-certificate.", err)
	}
	return err
}

func done(body io.Closer) {
	if body != nil {
		_ = body.Close()
	}
}
