package fhirhttp_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
)

// rig is a client of a server that misbehaves as told, with a clock that stands and waits that are only noted.
type rig struct {
	*fhirhttp.Client
	URL   string
	mu    sync.Mutex
	waits []time.Duration
}

var noon = time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)

func start(t *testing.T, h http.HandlerFunc, change ...func(*fhirhttp.Options)) *rig {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	r := &rig{URL: s.URL}
	o := fhirhttp.Options{
		Base: s.URL + "/fhir/", Token: func() (string, error) { return "SECRET", nil }, Now: func() time.Time { return noon },
		Jitter: func() float64 { return 0 },
		Sleep: func(_ context.Context, d time.Duration) error {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.waits = append(r.waits, d)
			return nil
		},
	}
	for _, c := range change {
		c(&o)
	}
	client, err := fhirhttp.New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.Client = client
	return r
}

// pages collects a search: the ids of its entries, and the error that ended it.
func (r *rig) pages(t *testing.T) (bodies []string, err error) {
	t.Helper()
	for page, e := range r.Search(t.Context(), "Patient", url.Values{"name": {"invented-secret-name"}}) {
		if e != nil {
			err = e
		}
		for _, entry := range page.Entries {
			bodies = append(bodies, string(entry.Body))
		}
	}
	if err != nil && strings.Contains(err.Error(), "invented-secret-name") {
		t.Errorf("the error shows the query: %v", err)
	}
	return bodies, err
}

func bundle(next string, ids ...string) string {
	b := `{"resourceType":"Bundle","type":"searchset"`
	if next != "" {
		b += `,"link":[{"relation":"next","url":"` + next + `"}]`
	}
	for i, id := range ids {
		b += map[bool]string{true: `,"entry":[`, false: `,`}[i == 0] + `{"resource":{"resourceType":"Patient","id":"` + id + `"}}`
	}
	if len(ids) > 0 {
		b += "]"
	}
	return b + "}"
}

func TestSearch(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		if q.Header.Get("Authorization") != "Bearer SECRET" || q.Header.Get("Prefer") != "handling=strict" || q.Header.Get("Accept") != "application/fhir+json" {
			t.Errorf("headers %v", q.Header)
		}
		w.Header().Set("Date", "Tue, 30 Jun 2026 11:59:58 GMT")
		if q.URL.Path != "/fhir/Patient" {
			w.WriteHeader(404)
		}
		if q.URL.Query().Get("page") == "2" {
			io.WriteString(w, bundle("", "b", "c"))
			return
		}
		io.WriteString(w, bundle("Patient?page=2", "a"))
	})
	n := 0
	for page, err := range r.Search(t.Context(), "Patient", nil) {
		if n++; err != nil || page.Date.Second() != 58 || len(page.Entries) != n {
			t.Error(n, err, page)
		}
	}
	if n != 2 {
		t.Errorf("%d pages", n)
	}
	for range r.Search(t.Context(), "Patient", nil) {
		break // a caller may stop
	}
}

// Next links as servers and the proxies before them really write them; {host} is the server's host and port.
func TestNextLink(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, link, path string }{
		{"Q31 absolute", "http://{host}/fhir/Patient?p=2", "/fhir/Patient"},
		{"Q31 wrong scheme", "https://{host}/fhir/Patient?p=2", "/fhir/Patient"},
		{"Q31 wrong port", "http://127.0.0.1:1/fhir/Patient?p=2", "/fhir/Patient"},
		{"Q31 alias", "https://inside.invalid:8080/fhir/Patient?p=2", "/fhir/Patient"},
		{"Q32 path of the host", "/fhir?p=2", "/fhir"},
		{"Q32 path of the base", "/Patient?p=2", "/fhir/Patient"},
		{"Q32 relative", "Patient?p=2", "/fhir/Patient"},
		{"Q32 query only", "?p=2", "/fhir/Patient"},
		{"Q32 without scheme", "{host}/fhir/Patient?p=2", "/fhir/Patient"},
		{"a user name in it", "http://eve:x@{host}/fhir/Patient?p=2", "/fhir/Patient"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := start(t, func(w http.ResponseWriter, q *http.Request) {
				switch {
				case q.URL.Query().Get("p") == "2" && q.URL.Path == c.path && q.Header.Get("Authorization") == "Bearer SECRET":
					io.WriteString(w, bundle("", "b"))
				case q.URL.Query().Get("p") == "2":
					w.WriteHeader(404)
				default:
					io.WriteString(w, bundle(strings.ReplaceAll(c.link, "{host}", q.Host), "a"))
				}
			}, func(o *fhirhttp.Options) { o.Aliases = []string{"inside.invalid"} })
			if got, err := r.pages(t); err != nil || len(got) != 2 {
				t.Errorf("%v %v", got, err)
			}
		})
	}
}

// victim is another server; anything that arrives there is an error.
func victim(t *testing.T) string {
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) {
		t.Errorf("another server was asked, with %q", q.Header.Get("Authorization"))
	}))
	t.Cleanup(s.Close)
	return strings.Replace(s.URL, "127.0.0.1", "localhost", 1)
}

func TestNextLinkToOtherHost(t *testing.T) {
	t.Parallel()
	other := victim(t)
	for _, link := range []string{other + "/fhir/Patient?p=2", "//" + strings.TrimPrefix(other, "http://") + "/x", "http://127.0.0.1@" + strings.TrimPrefix(other, "http://") + "/x",
		"ftp://127.0.0.1/x", "javascript:x", "http://[::1/x", "http://127.0.0.1.invalid/x"} {
		r := start(t, func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, bundle(link, "a")) })
		got, err := r.pages(t)
		if err == nil || len(got) > 0 {
			t.Errorf("%s: %v %v", link, got, err)
		}
	}
}

func TestRedirects(t *testing.T) {
	t.Parallel()
	other := victim(t)
	for _, c := range []struct {
		to   string
		kind fault.Kind
	}{
		{"/fhir/elsewhere", fault.None}, {"elsewhere", fault.None}, {other + "/fhir/Patient", fault.Denied}, {"", fault.Unavailable}, {"/fhir/Patient", fault.Unavailable},
	} {
		r := start(t, func(w http.ResponseWriter, q *http.Request) {
			if q.URL.Path == "/fhir/elsewhere" && q.Header.Get("Authorization") != "" {
				io.WriteString(w, bundle("", "a"))
				return
			}
			w.Header().Set("Location", c.to)
			w.WriteHeader(http.StatusTemporaryRedirect)
		})
		if _, err := r.pages(t); fault.KindOf(err) != c.kind {
			t.Errorf("to %q: %v", c.to, err)
		}
		if _, err := r.Create(t.Context(), "Task", []byte(`{}`), nil); fault.KindOf(err) != fault.Denied && c.to != "" {
			t.Errorf("a write to %q: %v", c.to, err)
		}
	}
}

func TestPagingInACircle(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, q *http.Request) {
		p := q.URL.Query().Get("p")
		io.WriteString(w, bundle("Patient?p="+map[string]string{"": "2", "2": "3", "3": "2"}[p], "a"+p))
	})
	if got, err := r.pages(t); fault.KindOf(err) != fault.Unavailable || len(got) != 2 {
		t.Errorf("%v %v", got, err)
	}
	// An empty last page that names itself is an end, and no page is lost.
	r = start(t, func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Query().Get("p") == "2" {
			io.WriteString(w, bundle("Patient?p=2"))
			return
		}
		io.WriteString(w, bundle("Patient?p=2", "a"))
	})
	if got, err := r.pages(t); err != nil || len(got) != 1 {
		t.Errorf("%v %v", got, err)
	}
	var n atomic.Int64
	r = start(t, func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, bundle(fmt.Sprintf("Patient?p=%d", n.Add(1)), fmt.Sprintf("a%d", n.Load())))
	}, func(o *fhirhttp.Options) { o.MaxPages = 7 })
	if got, err := r.pages(t); fault.KindOf(err) != fault.Invalid || len(got) != 7 {
		t.Errorf("%d %v", len(got), err)
	}
}

// A page that has expired is begun again, not given up.
func TestExpiredPage(t *testing.T) {
	t.Parallel()
	for _, status := range []int{400, 404, 410} {
		r := start(t, func(w http.ResponseWriter, q *http.Request) {
			if q.URL.Query().Has("p") {
				w.WriteHeader(status)
				return
			}
			io.WriteString(w, bundle("Patient?p=2", "a"))
		})
		if _, err := r.pages(t); fault.KindOf(err) != fault.Unavailable {
			t.Errorf("%d: %v", status, err)
		}
	}
}

func TestRetryAfter(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		status int
		after  string
		want   time.Duration
	}{
		{429, "7", 7 * time.Second}, {503, "7", 7 * time.Second}, {429, noon.Add(90 * time.Second).Format(http.TimeFormat), 90 * time.Second},
		{429, noon.Add(-time.Hour).Format(http.TimeFormat), time.Second}, {429, "", time.Second}, {429, "soon", time.Second}, {429, "-5", time.Second},
		{429, "86400", 15 * time.Minute}, {429, "99999999999999", 15 * time.Minute}, {429, noon.AddDate(1, 0, 0).Format(http.TimeFormat), 15 * time.Minute}, {502, "", time.Second},
	} {
		var n atomic.Int64
		r := start(t, func(w http.ResponseWriter, _ *http.Request) {
			if n.Add(1) == 1 {
				w.Header().Set("Retry-After", c.after)
				w.WriteHeader(c.status)
				return
			}
			io.WriteString(w, bundle("", "a"))
		})
		if got, err := r.pages(t); err != nil || len(got) != 1 || len(r.waits) != 1 || r.waits[0] != c.want {
			t.Errorf("%d %q: %v %v, waited %v, want %v", c.status, c.after, got, err, r.waits, c.want)
		}
	}
}

// Waits grow, jitter moves them, and in the end it gives up.
func TestGivesUp(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(503) })
	if _, err := r.pages(t); fault.KindOf(err) != fault.Unavailable || fmt.Sprint(r.waits) != "[1s 2s 4s]" {
		t.Errorf("%v %v", err, r.waits)
	}
	r = start(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "10")
		w.WriteHeader(429)
	}, func(o *fhirhttp.Options) { o.Jitter = func() float64 { return 0.5 }; o.Tries = 2 })
	if _, err := r.pages(t); fault.KindOf(err) != fault.Unavailable || fmt.Sprint(r.waits) != "[10.5s]" {
		t.Errorf("%v %v", err, r.waits)
	}
	ctx, cancel := context.WithCancel(t.Context())
	r = start(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(503) }, func(o *fhirhttp.Options) {
		o.Sleep = func(context.Context, time.Duration) error { cancel(); return context.Canceled }
	})
	if _, err := r.Read(ctx, "Patient", "1"); fault.KindOf(err) != fault.Canceled {
		t.Error(err)
	}
}

// A write is not repeated where the server may have taken it.
func TestWritesAreNotRepeatedBlindly(t *testing.T) {
	t.Parallel()
	for status, want := range map[int]int64{429: 4, 503: 4, 500: 1, 502: 1, 504: 1} {
		var n atomic.Int64
		r := start(t, func(w http.ResponseWriter, _ *http.Request) { n.Add(1); w.WriteHeader(status) })
		if _, err := r.Create(t.Context(), "Task", []byte(`{}`), nil); fault.KindOf(err) != fault.Unavailable || n.Load() != want {
			t.Errorf("%d: %d requests, %v", status, n.Load(), err)
		}
	}
}

func packed(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	z.Write(b)
	z.Close()
	return out.Bytes()
}

func TestBodies(t *testing.T) {
	t.Parallel()
	good := []byte(bundle("", "a"))
	z := packed(good)
	for _, c := range []struct {
		name   string
		header map[string]string
		body   []byte
		kind   fault.Kind
	}{
		{"plain", nil, good, fault.None},
		{"byte order mark", nil, append([]byte("\xef\xbb\xbf"), good...), fault.None},
		{"gzip", map[string]string{"Content-Encoding": "gzip"}, z, fault.None},
		{"gzip without saying so", nil, z, fault.None},
		{"says gzip and is not", map[string]string{"Content-Encoding": "gzip"}, good, fault.None},
		{"gzip cut", map[string]string{"Content-Encoding": "gzip"}, z[:len(z)-9], fault.Unavailable},
		{"gzip without its checksum", map[string]string{"Content-Encoding": "gzip"}, z[:len(z)-4], fault.Unavailable},
		{"shorter than announced", map[string]string{"Content-Length": "500"}, good, fault.Unavailable},
		{"cut JSON", nil, good[:len(good)-2], fault.Unavailable},
		{"HTML with 200", map[string]string{"Content-Type": "text/html"}, []byte("<html>Log in, Ann Invented</html>"), fault.Unavailable},
		{"nothing", nil, nil, fault.Unavailable},
		{"a list", nil, []byte("[]"), fault.Unavailable},
		{"something after it", nil, append([]byte(bundle("")), "{}"...), fault.Unavailable},
		{"another resource", nil, []byte(`{"resourceType":"Patient"}`), fault.Unavailable},
		{"too long", nil, []byte(`{"resourceType":"Bundle","x":"` + strings.Repeat("a", 2<<20) + `"}`), fault.Invalid},
		{"just not too long", nil, []byte(`{"resourceType":"Bundle","x":"` + strings.Repeat("a", 1<<20-100) + `"}`), fault.None},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := start(t, func(w http.ResponseWriter, _ *http.Request) {
				for k, v := range c.header {
					w.Header().Set(k, v)
				}
				w.Write(c.body)
			}, func(o *fhirhttp.Options) { o.MaxBody = 1 << 20 })
			_, err := r.pages(t)
			if fault.KindOf(err) != c.kind {
				t.Errorf("%v", err)
			}
			if err != nil && strings.Contains(err.Error(), "Ann") {
				t.Errorf("the error shows the answer: %v", err)
			}
		})
	}
}

// 64 MiB of zeros in 64 KiB are read up to the bound only.
func TestGzipBomb(t *testing.T) {
	bomb := packed(append([]byte(`{"x":"`), make([]byte, 64<<20)...))
	r := start(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Encoding", "gzip")
		w.Write(bomb)
	}, func(o *fhirhttp.Options) { o.MaxBody = 1 << 20 })
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := r.pages(t)
	runtime.ReadMemStats(&after)
	if fault.KindOf(err) != fault.Invalid {
		t.Error(err)
	}
	if got := after.TotalAlloc - before.TotalAlloc; got > 16<<20 {
		t.Errorf("%d bytes were allocated for a bomb of %d", got, len(bomb))
	}
}

func TestOutcomeWithoutPatient(t *testing.T) {
	t.Parallel()
	r := start(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(422)
		io.WriteString(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"business-rule","diagnostics":"Ann Invented, born 1950","expression":["Task.for"]}]}`)
	})
	_, err := r.pages(t)
	if fault.KindOf(err) != fault.Invalid || !strings.Contains(err.Error(), "status 422; error business-rule Task.for") || strings.Contains(err.Error(), "Ann") {
		t.Error(err)
	}
}

func TestKinds(t *testing.T) {
	t.Parallel()
	for status, want := range map[int]fault.Kind{400: fault.Invalid, 401: fault.Denied, 403: fault.Denied, 404: fault.NotFound, 405: fault.Invalid, 409: fault.Conflict,
		410: fault.NotFound, 412: fault.Conflict, 422: fault.Invalid, 429: fault.Unavailable, 500: fault.Unavailable, 501: fault.Invalid} {
		r := start(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) }, func(o *fhirhttp.Options) { o.Tries = 1 })
		if _, err := r.Read(t.Context(), "Patient", "invented-id"); fault.KindOf(err) != want || strings.Contains(err.Error(), "invented-id") {
			t.Errorf("%d: %v", status, err)
		}
	}
	r := start(t, func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) })
	if _, err := r.Read(t.Context(), "Patient", "invented-id"); fault.KindOf(err) != fault.Unavailable || strings.Contains(err.Error(), "invented-id") || len(r.waits) != 3 {
		t.Error(err, r.waits)
	}
	if _, err := r.Read(t.Context(), "Patient", "../x"); fault.KindOf(err) != fault.Invalid {
		t.Error(err)
	}
}

func TestSlowServer(t *testing.T) {
	t.Parallel()
	hold := make(chan struct{})
	r := start(t, func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, "{")
		w.(http.Flusher).Flush()
		<-hold
	}, func(o *fhirhttp.Options) { o.Timeout = 20 * time.Millisecond; o.Tries = 1 })
	defer close(hold)
	if _, err := r.Read(t.Context(), "Patient", "1"); fault.KindOf(err) != fault.Unavailable {
		t.Error(err)
	}
}

func TestNew(t *testing.T) {
	t.Parallel()
	token := func() (string, error) { return "x", nil }
	for base, ok := range map[string]bool{"": false, "host/fhir": false, "ftp://host/": false, "https://u:p@host/": false, "https://host/fhir?x=1": false,
		"http://host.invalid/fhir": false, "https://host.invalid/fhir": true, "http://127.0.0.1:80/fhir": true, "http://localhost/fhir/": true, "http://[::1]/": true} {
		_, err := fhirhttp.New(fhirhttp.Options{Base: base, Token: token})
		if (err == nil) != ok || err != nil && fault.HintOf(err) == "" {
			t.Errorf("%q: %v", base, err)
		}
	}
	c, err := fhirhttp.New(fhirhttp.Options{Base: "http://host.invalid/fhir/"})
	if err != nil || c.Base() != "http://host.invalid/fhir" {
		t.Error(c, err)
	}
}

func TestTokenFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "token")
	read := fhirhttp.TokenFile(path)
	if _, err := read(); fault.KindOf(err) != fault.NotFound || fault.HintOf(err) == "" {
		t.Error(err)
	}
	write := func(text string, mode os.FileMode) {
		if err := errors.Join(os.WriteFile(path, []byte(text), mode), os.Chmod(path, mode)); err != nil {
			t.Fatal(err)
		}
	}
	write("first\n", 0o600)
	if got, err := read(); got != "first" || err != nil {
		t.Error(got, err)
	}
	write("second", 0o640)
	if got, err := read(); got != "second" || err != nil {
		t.Error(got, err)
	}
	for _, bad := range []string{"", "\n", "two words", "two\nlines"} {
		write(bad, 0o600)
		if _, err := read(); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q: %v", bad, err)
		}
	}
	write("first", 0o644)
	if _, err := read(); fault.KindOf(err) != fault.Denied {
		t.Error(err)
	}
	r := start(t, func(http.ResponseWriter, *http.Request) { t.Error("asked without a token") }, func(o *fhirhttp.Options) { o.Token = read })
	if _, err := r.Read(t.Context(), "Patient", "1"); fault.KindOf(err) != fault.Denied {
		t.Error(err)
	}
}
