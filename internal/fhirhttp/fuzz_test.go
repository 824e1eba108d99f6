package fhirhttp

import (
	"net/url"
	"testing"
	"time"
)

// Whatever a server asks for, the wait is neither negative nor beyond the limit.
func FuzzRetryAfter(f *testing.F) {
	for _, text := range []string{"7", "-5", "1000000000", "99999999999999999999", "soon", "", "Tue, 30 Jun 2026 12:00:07 GMT", "Tue, 30 Jun 9999 12:00:07 GMT"} {
		f.Add(text)
	}
	c := client(f)
	now := time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, text string) {
		after := retryAfter(text, now)
		if w := c.wait(1, after); after < 0 || w <= 0 || w > c.o.MaxWait {
			t.Errorf("%q: asked %v, waits %v", text, after, w)
		}
	})
}

// Wherever a next link leads, it is followed on the configured origin or not at all.
func FuzzNextLink(f *testing.F) {
	for _, link := range []string{"https://fhir.example.org/r4?p=2", "/r4?p=2", "?p=2", "fhir.example.org/r4?p=2", "//evil.invalid/", "http://fhir.example.org:443:443/r4",
		"http://fhir.example.org@evil.invalid/", "https://fhir.example.org.evil.invalid/", "javascript:x", "https:fhir", "http://[::1", "\\\\evil.invalid\\x"} {
		f.Add(link)
	}
	c := client(f)
	page, err := url.Parse("https://fhir.example.org/r4/Patient?x=1")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, link string) {
		u, err := c.follow("follow next link", page, link)
		if err != nil {
			return
		}
		if u.Scheme != "https" || u.Host != "fhir.example.org" || u.User != nil {
			t.Errorf("%q leads to %s", link, u)
		}
		if again, err := url.Parse(u.String()); err != nil || again.Host != u.Host {
			t.Errorf("%q: %s is read as %v, %v", link, u, again, err)
		}
	})
}

func client(f *testing.F) *Client {
	c, err := New(Options{Base: "https://fhir.example.org/r4", Jitter: func() float64 { return 0.5 }})
	if err != nil {
		f.Fatal(err)
	}
	return c
}
