package fhirauth

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

const (
	askTimeout   = 30 * time.Second // of one request for a token, or for where to get one
	restAfterNo  = time.Minute      // after a refusal nothing is asked for so long: some servers lock a client out
	longestRest  = 5 * time.Minute  // whatever the server asks for
	endpointKept = time.Hour        // that a discovered token endpoint is believed
	clocksAgree  = 20 * time.Second // a difference of clocks that an assertion bears
	clocksApart  = time.Hour        // a difference that must be put right, not worked around
)

// smart exchanges assertions for tokens, one exchange at a time, and keeps a token until shortly before its end.
type smart struct {
	o    settings.Smart
	base *url.URL
	http *http.Client
	now  func() time.Time
	turn chan struct{} // holds one where somebody is at work; guards what follows

	token    string
	until    time.Time     // up to which token is used
	endpoint string        // token endpoint, as discovered
	believe  time.Time     // up to which endpoint is believed
	skew     time.Duration // the server's clock less ours, where that matters
	no       error         // the last refusal
	noUntil  time.Time     // up to which it is repeated without asking
}

func newSmart(o Options, base *url.URL, next http.RoundTripper) *smart {
	return &smart{o: o.Server.Smart, base: base, now: o.Now, turn: make(chan struct{}, 1),
		http: &http.Client{Transport: next, Timeout: askTimeout, CheckRedirect: sameOrigin}}
}

// sameOrigin lets a read be redirected within its origin; nothing that is posted.
func sameOrigin(q *http.Request, before []*http.Request) error {
	first := before[0]
	if first.Method != http.MethodGet || origin(q.URL) != origin(first.URL) || len(before) > 3 {
		return http.ErrUseLastResponse
	}
	return nil
}

func (s *smart) header(ctx context.Context, stale string) (string, error) {
	select {
	case s.turn <- struct{}{}:
		defer func() { <-s.turn }()
	case <-ctx.Done():
		return "", fault.New(fault.Unavailable, s.op(), "", errors.New("it takes too long"))
	}
	now := s.now()
	if said := "Bearer " + s.token; s.token != "" && said != stale && now.Before(s.until) {
		return said, nil
	}
	s.token = ""
	if s.no != nil && now.Before(s.noUntil) {
		return "", s.no
	}
	if err := s.renew(ctx, now); err != nil {
		return "", err
	}
	return "Bearer " + s.token, nil
}

func (s *smart) op() string { return "get a token for " + s.base.Host }

// renew gets a token. Where the server refuses the assertion and its clock is another, one is made by that clock.
func (s *smart) renew(ctx context.Context, now time.Time) error {
	s.no = nil
	endpoint, err := s.where(ctx, now)
	if err != nil {
		return err
	}
	a, err := s.exchange(ctx, endpoint, now.Add(s.skew))
	if err == nil && a.refusedClient() && (a.skew()-s.skew).Abs() > clocksAgree && a.skew().Abs() <= clocksApart {
		s.skew = a.skew()
		a, err = s.exchange(ctx, endpoint, now.Add(s.skew))
	}
	if err == nil {
		err = s.take(a, now)
	}
	if err != nil {
		s.endpoint = "" // it may have moved
		return err
	}
	return nil
}

// take keeps the token of an answer, or the refusal.
func (s *smart) take(a answer, now time.Time) error {
	token, lasts, err := a.token()
	if err == nil {
		s.token, s.until = token, now.Add(lasts-early(lasts))
		return nil
	}
	text := err.Error()
	if apart := a.skew().Abs(); apart > clocksAgree {
		text += fmt.Sprintf("; its clock and ours differ by %s: set the clock of this computer by the network", apart.Round(time.Second))
	}
	s.no = fault.New(fault.KindOf(err), s.op(), fault.HintOf(err), errors.New(text))
	if rest := a.rest(); rest > 0 {
		s.noUntil = now.Add(rest)
	}
	return s.no
}

// early is how long before its end a token is not used any more: a minute, or a quarter of a short one.
func early(lasts time.Duration) time.Duration { return min(time.Minute, lasts/4) }

// exchange sends one assertion. The error is about what kept it from being answered.
func (s *smart) exchange(ctx context.Context, endpoint string, now time.Time) (answer, error) {
	signed, err := assertion(s.o, endpoint, now)
	if err != nil {
		return answer{}, err
	}
	form := url.Values{"grant_type": {"client_credentials"}, "scope": {s.o.Scope}, "client_assertion": {signed},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"}}
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, endpoint, strings.NewReader(form.Encode()))
	if err != nil {
		return answer{}, fault.New(fault.Invalid, s.op(), "Check token-url.", errors.New("the token endpoint is not an address"))
	}
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return s.ask(q)
}

// where is the token endpoint: that of the settings, or the one that the server names.
func (s *smart) where(ctx context.Context, now time.Time) (string, error) {
	if s.o.TokenURL != "" {
		return s.o.TokenURL, nil
	}
	if s.endpoint != "" && now.Before(s.believe) {
		return s.endpoint, nil
	}
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, s.base.JoinPath(".well-known", "smart-configuration").String(), nil)
	if err != nil {
		return "", fault.New(fault.Invalid, s.op(), "Check the base address.", errors.New("the base is not an address"))
	}
	a, err := s.ask(q)
	if err != nil {
		return "", err
	}
	endpoint, err := a.endpoint(s.base)
	if err != nil {
		return "", fault.New(fault.KindOf(err), s.op(), "Check url, or write the address under token-url.", err)
	}
	s.endpoint, s.believe = endpoint, now.Add(endpointKept)
	return endpoint, nil
}
