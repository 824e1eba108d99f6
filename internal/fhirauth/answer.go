package fhirauth

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

const (
	maxAnswer  = 1 << 20 // bytes
	maxToken   = 16 << 10
	unsaid     = time.Minute // how long a token is used whose end the server does not say
	longest    = 24 * time.Hour
	clientHint = "Ask the server's administrator whether client-id is known there, with our public key under its kid: perennial settings jwks shows it."
)

// answer is what the token endpoint, or the server about it, said.
type answer struct {
	status int
	at     time.Time // when it came, by our clock
	date   time.Time // and by the server's; the same where it says none
	after  string    // Retry-After
	body   []byte
}

// ask makes one request and reads the answer, up to a bound.
func (s *smart) ask(q *http.Request) (answer, error) {
	q.Header.Set("Accept", "application/json")
	q.Header.Set("User-Agent", "perennial")
	resp, err := s.http.Do(q)
	if err != nil {
		if u, ok := errors.AsType[*url.Error](err); ok {
			err = u.Err // without the address
		}
		err = explained(err)
		return answer{}, fault.New(fault.Unavailable, s.op(), fault.HintOf(err), fmt.Errorf("%s does not answer: %w", q.URL.Host, err))
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer+1))
	if err != nil || len(body) > maxAnswer {
		return answer{}, fault.New(fault.Unavailable, s.op(), "", fmt.Errorf("the answer of %s ends early or is too long", q.URL.Host))
	}
	a := answer{status: resp.StatusCode, at: s.now(), after: resp.Header.Get("Retry-After"), body: body}
	if a.date, err = http.ParseTime(resp.Header.Get("Date")); err != nil {
		a.date = a.at
	}
	return a, nil
}

// skew is the server's clock less ours.
func (a answer) skew() time.Duration { return a.date.Sub(a.at) }

// code is the error code of RFC 6749, 5.2; "" where it is none of these.
func (a answer) code() string {
	var b struct{ Error string }
	_ = json.Unmarshal(a.body, &b)
	if slices.Contains([]string{"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type", "invalid_scope"}, b.Error) {
		return b.Error
	}
	return ""
}

// refusedClient says whether the assertion was not accepted.
func (a answer) refusedClient() bool {
	return a.status == http.StatusUnauthorized || a.status == http.StatusBadRequest && slices.Contains([]string{"invalid_client", "invalid_request", "invalid_grant"}, a.code())
}

// rest is how long nothing is to be asked after a refusal; 0: ask when it is needed.
func (a answer) rest() time.Duration {
	switch a.status {
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		if n, err := strconv.Atoi(strings.TrimSpace(a.after)); err == nil {
			return min(max(0, time.Duration(n)*time.Second), longestRest)
		}
		if t, err := http.ParseTime(a.after); err == nil {
			return min(max(0, t.Sub(a.date)), longestRest)
		}
		return 0
	case http.StatusBadRequest, http.StatusUnauthorized, http.StatusForbidden:
		return restAfterNo
	}
	return 0
}

// token reads an answer of the token endpoint.
func (a answer) token() (token string, lasts time.Duration, err error) {
	if a.status != http.StatusOK {
		return "", 0, a.refusal()
	}
	var b struct {
		Token     string          `json:"access_token"`
		Type      string          `json:"token_type"`
		ExpiresIn json.RawMessage `json:"expires_in"`
	}
	switch {
	case json.Unmarshal(a.body, &b) != nil:
		err = errors.New("the answer is not JSON; a proxy or a login page may answer in the server's place")
	case b.Token == "" || len(b.Token) > maxToken || strings.ContainsFunc(b.Token, func(r rune) bool { return r <= ' ' || r > '~' }):
		err = errors.New("the answer holds no usable token")
	case b.Type != "" && !strings.EqualFold(b.Type, "bearer"):
		err = errors.New("the token is of another type than bearer")
	default:
		return b.Token, lasting(b.ExpiresIn), nil
	}
	return "", 0, fault.New(fault.Unavailable, "", "Check the address of the token endpoint.", err)
}

// lasting reads expires_in, a number or, from some servers, a text.
func lasting(raw json.RawMessage) time.Duration {
	n, err := strconv.ParseFloat(strings.Trim(string(raw), `"`), 64)
	if err != nil || !(n > 0) {
		return unsaid
	}
	return time.Duration(min(n, longest.Seconds()) * float64(time.Second))
}

// refusal says why there is no token.
func (a answer) refusal() error {
	text := "the token endpoint answers with status " + strconv.Itoa(a.status)
	code := a.code()
	if code != "" {
		text += " " + code
	}
	switch {
	case a.status >= 500, a.status == http.StatusTooManyRequests, a.status == http.StatusRequestTimeout:
		return fault.New(fault.Unavailable, "", "", errors.New(text))
	case a.status >= 300 && a.status < 400:
		return fault.New(fault.Denied, "", "Write the address to which it redirects under token-url, if it is right.", errors.New(text+", a redirect: an assertion is never sent on"))
	case a.status == http.StatusNotFound, a.status == http.StatusGone, a.status == http.StatusMethodNotAllowed:
		return fault.New(fault.Unavailable, "", "Check the address of the token endpoint.", errors.New(text))
	case code == "invalid_scope":
		return fault.New(fault.Denied, "", "Ask the server's administrator which scopes our client may have, and write them under scope.", errors.New(text))
	}
	return fault.New(fault.Denied, "", clientHint, errors.New(text))
}

// endpoint reads the token endpoint from a smart-configuration. It may be another server, over TLS; only a server on
// this computer that has no TLS itself may name one without.
func (a answer) endpoint(base *url.URL) (string, error) {
	if a.status != http.StatusOK {
		return "", fault.New(fault.Unavailable, "", "", fmt.Errorf(".well-known/smart-configuration: status %d", a.status))
	}
	var b struct {
		Endpoint string `json:"token_endpoint"`
	}
	if json.Unmarshal(a.body, &b) != nil || b.Endpoint == "" {
		return "", fault.New(fault.Unavailable, "", "", errors.New(".well-known/smart-configuration names no token_endpoint"))
	}
	u, err := url.Parse(b.Endpoint)
	if err != nil || u.Host == "" || u.User != nil || u.Fragment != "" || u.Scheme != "https" && u.Scheme != base.Scheme || settings.Readable(b.Endpoint) {
		return "", fault.New(fault.Denied, "", "", errors.New(".well-known/smart-configuration names a token endpoint that is no https address"))
	}
	return b.Endpoint, nil
}
