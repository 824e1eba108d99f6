package webhook_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"perennial/internal/source/webhook"
)

const secret = "NotForPrinting7"

// rig is a handler and what it led to.
type rig struct {
	*webhook.Handler
	t     *testing.T
	hints *webhook.Hints
	log   bytes.Buffer
}

func newRig(t *testing.T, o webhook.Options) *rig {
	r := &rig{t: t, hints: webhook.NewHints(time.Millisecond)}
	o.Sources, o.Hints, o.Log = []string{"server", "bulk"}, r.hints, slog.New(slog.NewTextHandler(&r.log, nil))
	r.Handler = webhook.New(o)
	return r
}

func (r *rig) send(method, path, body string, header ...string) *httptest.ResponseRecorder {
	r.t.Helper()
	q := httptest.NewRequest(method, path, strings.NewReader(body))
	for i := 0; i+1 < len(header); i += 2 {
		q.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	r.ServeHTTP(w, q)
	return w
}

// took gives the hints that came by now.
func (r *rig) took() string {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(r.t.Context(), 30*time.Millisecond)
	defer cancel()
	if hints := r.hints.Take(ctx); hints != nil {
		return fmt.Sprint(hints)
	}
	return ""
}

// parameters is a notification of the R5 backport on R4. Shape: HL7 Subscriptions R5 Backport 1.1, profiles
// backport-subscription-notification-r4 and backport-subscription-status-r4: a Bundle of the type history, of which
// the first entry is Parameters; events-since-subscription-start and event-number are strings.
func parameters(kind, since string, numbers ...int) string {
	p := `{"name":"subscription","valueReference":{"reference":"https://fhir.example.org/r4/Subscription/s"}},{"name":"topic","valueCanonical":"http://example.org/topic"},{"name":"status","valueCode":"active"},{"name":"type","valueCode":"` + kind + `"}`
	if since != "" {
		p += `,{"name":"events-since-subscription-start","valueString":"` + since + `"}`
	}
	for _, n := range numbers {
		p += fmt.Sprintf(`,{"name":"notification-event","part":[{"name":"event-number","valueString":"%d"},{"name":"timestamp","valueInstant":"2026-06-30T12:00:00Z"},{"name":"focus","valueReference":{"reference":"https://fhir.example.org/r4/ImagingStudy/x"}}]}`, n)
	}
	return `{"resourceType":"Bundle","type":"history","timestamp":"2026-06-30T12:00:00Z","entry":[{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Parameters","parameter":[` + p + `]},"request":{"method":"GET","url":"Subscription/s/$status"},"response":{"status":"200"}}ENTRIES]}`
}

func idOnly(n int) string {
	return strings.Replace(parameters("event-notification", fmt.Sprint(n), n), "ENTRIES", `,{"fullUrl":"https://fhir.example.org/r4/ImagingStudy/x","request":{"method":"PUT","url":"ImagingStudy/x"},"response":{"status":"200"}}`, 1)
}

func bare(text string) string { return strings.Replace(text, "ENTRIES", "", 1) }

// Each shape of a notification: whether a look follows.
func TestShapes(t *testing.T) {
	t.Parallel()
	const study = `{"resourceType":"ImagingStudy","id":"x","status":"available"}`
	full := strings.Replace(parameters("event-notification", "1", 1), "ENTRIES", `,{"fullUrl":"https://fhir.example.org/r4/ImagingStudy/x","resource":`+study+`,"request":{"method":"PUT","url":"ImagingStudy/x"},"response":{"status":"201"}}`, 1)
	status := `{"resourceType":"Bundle","type":"TYPE","entry":[{"resource":{"resourceType":"SubscriptionStatus","status":"active","type":"KIND","eventsSinceSubscriptionStart":"1","notificationEvent":[{"eventNumber":"1"}],"subscription":{"reference":"Subscription/s"}}}]}`
	r5 := func(typ, kind string) string { return strings.NewReplacer("TYPE", typ, "KIND", kind).Replace(status) }
	for name, c := range map[string]struct {
		method, path, body string
		look               bool
	}{
		"R4 rest-hook without payload: POST with an empty body (R4 Subscription, channel.payload)":     {"POST", "/server", "", true},
		"R4 rest-hook with payload: PUT to endpoint/type/id":                                           {"PUT", "/server/ImagingStudy/x", study, true},
		"R4 rest-hook with payload: POST to endpoint/type/id (common practice, no source)":             {"POST", "/server/ImagingStudy/x", study, true},
		"R4 rest-hook with payload: POST of the resource to the endpoint (common practice, no source)": {"POST", "/bulk/", study, true},
		"backport, handshake":                         {"POST", "/server", bare(parameters("handshake", "0")), false},
		"backport, handshake without a number":        {"POST", "/server", bare(parameters("handshake", "")), false},
		"backport, heartbeat":                         {"POST", "/server", bare(parameters("heartbeat", "7")), false},
		"backport, event-notification, empty":         {"POST", "/server", bare(parameters("event-notification", "1", 1)), true},
		"backport, event-notification, id-only":       {"POST", "/server", idOnly(1), true},
		"backport, event-notification, full-resource": {"POST", "/server", full, true},
		"backport, a type that is not known":          {"POST", "/server", bare(parameters("query-event", "1")), true},
		"R4B, event-notification":                     {"POST", "/server", r5("history", "event-notification"), true},
		"R5, event-notification":                      {"POST", "/server", r5("subscription-notification", "event-notification"), true},
		"R5, handshake":                               {"POST", "/server", r5("subscription-notification", "handshake"), false},
		"a Bundle of something else":                  {"POST", "/server", `{"resourceType":"Bundle","type":"collection"}`, true},
		"a notification that says nothing":            {"POST", "/server", `{"resourceType":"Bundle","type":"history","entry":[{"resource":7}]}`, true},
	} {
		r := newRig(t, webhook.Options{})
		if w := r.send(c.method, c.path, c.body); w.Code != http.StatusOK || w.Body.Len() > 0 {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if took := r.took(); (took != "") != c.look {
			t.Errorf("%s: hints %q", name, took)
		}
	}
}

// What is refused, how that is answered, and that it repeats nothing.
func TestRefused(t *testing.T) {
	t.Parallel()
	right := []string{"Authorization", "Bearer " + secret}
	for _, c := range []struct {
		method, path, body string
		header             []string
		status             int
		said, hint         string
	}{
		{"POST", "/server", "", nil, 401, "not allowed\n", ""},
		{"POST", "/server", "", []string{"Authorization", "Bearer " + secret + "x"}, 401, "not allowed\n", ""},
		{"POST", "/server", "", []string{"Authorization", secret[1:]}, 401, "not allowed\n", ""},
		{"POST", "/nothing-here", "", []string{"X-Secret", secret}, 401, "not allowed\n", ""},
		{"GET", "/server", "", nil, 401, "not allowed\n", ""},
		{"POST", "/server", "", right, 200, "", "[{server false}]"},
		{"POST", "/server", "", []string{"Authorization", secret}, 200, "", "[{server false}]"},
		{"POST", "/folder", "", right, 404, "no source has this address\n", ""},
		{"POST", "/", "", right, 404, "no source has this address\n", ""},
		{"PUT", "/server/ImagingStudy", "", right, 404, "no source has this address\n", ""},
		{"PUT", "/server/ImagingStudy/x/y", "", right, 404, "no source has this address\n", ""},
		{"GET", "/server", "", right, 405, "POST or PUT is expected\n", ""},
		{"DELETE", "/server/ImagingStudy/x", "", right, 405, "POST or PUT is expected\n", ""},
		{"POST", "/server", "Testa Quay-34", right, 400, "a FHIR resource as JSON, or nothing, is expected\n", ""},
		{"POST", "/server", `["Testa Quay-34"]`, right, 400, "a FHIR resource as JSON, or nothing, is expected\n", ""},
		{"POST", "/server", `{"resourceType":"Patient","x":"` + strings.Repeat("x", webhook.MaxBody) + `"}`, right, 413, "a notification of at most 64 KiB is expected: let the Subscription send ids only, or nothing\n", "[{server false}]"},
	} {
		r := newRig(t, webhook.Options{Secret: func() (string, error) { return secret, nil }})
		w := r.send(c.method, c.path, c.body, c.header...)
		if w.Code != c.status || w.Body.String() != c.said || strings.Contains(r.log.String(), secret) || strings.Contains(r.log.String(), "Testa") {
			t.Errorf("%s %s %.40q: %d %q, log %s", c.method, c.path, c.body, w.Code, w.Body, r.log.String())
		}
		if took := r.took(); took != c.hint {
			t.Errorf("%s %s %.40q: hints %q", c.method, c.path, c.body, took)
		}
	}
}

// A secret in a header of the site's own; one that cannot be read lets nobody in.
func TestSecret(t *testing.T) {
	t.Parallel()
	now, err := secret, error(nil)
	r := newRig(t, webhook.Options{Header: "X-Hook", Secret: func() (string, error) { return now, err }})
	try := func(text string) int { return r.send("POST", "/server", "", "X-Hook", text).Code }
	if got := []int{try(secret), try(""), try("Bearer " + secret)}; fmt.Sprint(got) != "[200 401 200]" {
		t.Error(got)
	}
	if now = "another"; try(secret) != 401 || try("another") != 200 {
		t.Error("a secret that was changed is not read again")
	}
	if now = ""; try("") != 401 {
		t.Error("an empty secret lets in")
	}
	if err = errors.New("x"); try("another") != 401 || !strings.Contains(r.log.String(), "cannot be read") {
		t.Error("a secret that cannot be read lets in")
	}
}

// Many hints within a moment lead to one look, and those that come during it to exactly one more.
func TestCoalesced(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := webhook.NewHints(200 * time.Millisecond)
		ctx, cancel := context.WithCancel(t.Context())
		var looks []time.Duration
		start := time.Now()
		var done sync.WaitGroup
		done.Go(func() {
			for {
				hints := h.Take(ctx)
				if hints == nil {
					return
				}
				looks = append(looks, time.Since(start))
				time.Sleep(5 * time.Second) // the look
			}
		})
		many := func(n int) {
			var all sync.WaitGroup
			for range n {
				all.Go(func() { h.Give("server") })
			}
			all.Wait()
		}
		many(10_000)
		time.Sleep(time.Second)
		many(1000)
		time.Sleep(time.Second)
		many(1000)
		time.Sleep(time.Minute)
		cancel()
		done.Wait()
		if want := []time.Duration{200 * time.Millisecond, 5400 * time.Millisecond}; fmt.Sprint(looks) != fmt.Sprint(want) {
			t.Errorf("looks at %v, want %v", looks, want)
		}
	})
}

// Numbers that are missing lead to a look at everything, in whatever order the others come.
func TestGaps(t *testing.T) {
	t.Parallel()
	beat := func(n int) string { return bare(parameters("heartbeat", fmt.Sprint(n))) }
	for _, c := range []struct {
		name string
		sent [][]string // between two looks
		want string
	}{
		{"one after the other", [][]string{{idOnly(5)}, {idOnly(6)}, {idOnly(7), idOnly(8)}}, "[{server false}] [{server false}] [{server false}]"},
		{"out of order", [][]string{{idOnly(5)}, {idOnly(7), idOnly(8), idOnly(6)}}, "[{server false}] [{server false}]"},
		{"twice", [][]string{{idOnly(5)}, {idOnly(5)}, {idOnly(4)}}, "[{server false}] [{server false}] [{server false}]"},
		{"one is missing", [][]string{{idOnly(5)}, {idOnly(7)}, {idOnly(8)}}, "[{server false}] [{server true}] [{server false}]"},
		{"several in one", [][]string{{idOnly(5)}, {bare(parameters("event-notification", "8", 6, 7, 8))}, {idOnly(9)}}, "[{server false}] [{server false}] [{server false}]"},
		{"the first was lost", [][]string{{bare(parameters("handshake", "0"))}, {idOnly(2)}}, " [{server true}]"},
		{"the first was not", [][]string{{bare(parameters("handshake", "0"))}, {idOnly(1)}}, " [{server false}]"},
		{"a heartbeat tells", [][]string{{idOnly(5)}, {beat(5)}, {beat(6)}, {beat(6)}, {beat(9)}, {beat(9)}}, "[{server false}]  [{server false}]  [{server true}] "},
		{"the Subscription was made anew", [][]string{{idOnly(5)}, {bare(parameters("handshake", "0"))}, {idOnly(1)}, {idOnly(2)}}, "[{server false}]  [{server false}] [{server false}]"},
		{"no number", [][]string{{bare(parameters("event-notification", ""))}, {bare(parameters("event-notification", "x"))}}, "[{server false}] [{server false}]"},
	} {
		r := newRig(t, webhook.Options{})
		var got []string
		for _, bodies := range c.sent {
			for _, body := range bodies {
				if w := r.send("POST", "/server", body); w.Code != 200 {
					t.Errorf("%s: %d", c.name, w.Code)
				}
			}
			got = append(got, r.took())
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %q, want %q", c.name, strings.Join(got, " "), c.want)
		}
	}
}

// Whatever comes, it is answered, and the answer repeats none of it.
func FuzzBody(f *testing.F) {
	for _, s := range []string{"", "{}", idOnly(1), bare(parameters("heartbeat", "9")), `{"resourceType":"Bundle","type":"history","entry":[{"resource":{"parameter":[{"part":[{}]}]}}]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		r := newRig(t, webhook.Options{})
		w := r.send("POST", "/server", string(body))
		if w.Code != 200 && w.Code != 400 && w.Code != 413 || w.Code == 200 && w.Body.Len() > 0 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}
