package fhirhttp_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
)

// Only the numbers are kept of what a server says of its progress.
func TestProgress(t *testing.T) {
	t.Parallel()
	for said, want := range map[string]string{"": "", "40%": "40 %", "about 12.5 % done": "12.5 %", "3 of 7 files": "3 of 7", "3/7": "3 of 7", "in-progress": "", "Testa Quay-34 1234%": "",
		"reading Testa Quay": ""} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("X-Progress", said)
			w.Header().Set("Retry-After", "7")
			w.WriteHeader(http.StatusAccepted)
			fmt.Fprint(w, "not JSON")
		}))
		c, err := fhirhttp.New(fhirhttp.Options{Base: s.URL})
		if err != nil {
			t.Fatal(err)
		}
		st, err := c.Export(t.Context(), s.URL+"/status")
		if s.Close(); err != nil || st.Progress != want || st.Manifest != nil || st.Wait != 7*time.Second {
			t.Errorf("%q: %+v %v", said, st, err)
		}
	}
}

// files is a server with files, and another where some of them lie.
type files struct {
	t        *testing.T
	api, far *httptest.Server
	seen     []string // requests with the login
}

func newFiles(t *testing.T, serve func(f *files, w http.ResponseWriter, q *http.Request)) *files {
	f := &files{t: t}
	h := http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if q.Header.Get("Authorization") != "" {
			f.seen = append(f.seen, q.Host+q.URL.Path)
		}
		serve(f, w, q)
	})
	f.api, f.far = httptest.NewServer(h), httptest.NewServer(h)
	t.Cleanup(f.api.Close)
	t.Cleanup(f.far.Close)
	return f
}

// elsewhere is the other server's origin, under another name than the first has.
func (f *files) elsewhere() string { return strings.Replace(f.far.URL, "127.0.0.1", "localhost", 1) }

func (f *files) get(address string, login bool, allowed ...string) (string, error) {
	f.t.Helper()
	c, err := fhirhttp.New(fhirhttp.Options{Base: f.api.URL, Token: func() (string, error) { return "NotForPrinting7", nil }, Files: allowed, Tries: 1, Timeout: 200 * time.Millisecond,
		Sleep: func(context.Context, time.Duration) error { return nil }})
	if err != nil {
		f.t.Fatal(err)
	}
	in, err := c.File(f.t.Context(), address, login)
	if err != nil {
		return "", err
	}
	defer in.Close()
	text, err := io.ReadAll(in)
	return string(text), err
}

// A file that is redirected to another server is got from there without the login, if the site names that server.
func TestFileRedirected(t *testing.T) {
	t.Parallel()
	f := newFiles(t, func(f *files, w http.ResponseWriter, q *http.Request) {
		if q.URL.Path == "/a" {
			http.Redirect(w, q, f.elsewhere()+"/b?signature=x", http.StatusFound)
			return
		}
		fmt.Fprint(w, "line\n")
	})
	if text, err := f.get(f.api.URL+"/a", true, f.elsewhere()); text != "line\n" || err != nil {
		t.Errorf("%q %v", text, err)
	}
	if len(f.seen) != 1 || !strings.HasSuffix(f.seen[0], "/a") {
		t.Errorf("the login went to %q", f.seen)
	}
	for _, c := range []struct {
		address string
		login   bool
		allowed string
	}{{f.api.URL + "/a", true, ""}, {f.elsewhere() + "/b", false, ""}, {f.elsewhere() + "/b", true, f.elsewhere()}, {"http://elsewhere.invalid/b", false, f.elsewhere()},
		{"http://127.0.0.1@elsewhere.invalid/", true, ""}, {"file:///etc/passwd", true, ""}} {
		if text, err := f.get(c.address, c.login, c.allowed); text != "" || fault.KindOf(err) != fault.Denied && fault.KindOf(err) != fault.Invalid || strings.Contains(err.Error(), "signature") {
			t.Errorf("%+v: %q %v", c, text, err)
		}
	}
	for _, at := range f.seen {
		if strings.HasPrefix(at, "localhost") {
			t.Errorf("the login went to %s", at)
		}
	}
}

// A file of which nothing comes any more is given up; one whose reader takes its time is not.
func TestFileSilent(t *testing.T) {
	t.Parallel()
	f := newFiles(t, func(_ *files, w http.ResponseWriter, q *http.Request) {
		fmt.Fprint(w, "line\n")
		_ = http.NewResponseController(w).Flush()
		if q.URL.Path == "/silent" {
			<-q.Context().Done()
		}
	})
	text, err := f.get(f.api.URL+"/silent", false)
	if text != "line\n" || fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), "nothing comes any more") {
		t.Errorf("%q %v", text, err)
	}
	c, err := fhirhttp.New(fhirhttp.Options{Base: f.api.URL, Timeout: 200 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	in, err := c.File(t.Context(), f.api.URL+"/slow", false)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	time.Sleep(400 * time.Millisecond)
	if text, err := io.ReadAll(in); string(text) != "line\n" || err != nil {
		t.Errorf("%q %v", text, err)
	}
}
