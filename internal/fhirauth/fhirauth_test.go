package fhirauth_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"crypto/elliptic"

	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/fhirhttp"
	"perennial/internal/settings"
)

// patient is a client that waits so long.
func patient(t *testing.T, r settings.Rest, wait time.Duration) *fhirhttp.Client {
	t.Helper()
	transport, err := fhirauth.New(fhirauth.Options{Server: r})
	if err != nil {
		t.Fatal(err)
	}
	c, err := fhirhttp.New(fhirhttp.Options{Base: r.URL, HTTP: transport, Tries: 1, Timeout: wait})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// says is a server that notes what Authorization it sees, and takes only one.
func says(t *testing.T, want *string, seen *[]string) string {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		*seen = append(*seen, q.Header.Get("Authorization"))
		if q.Header.Get("Authorization") != *want {
			w.WriteHeader(http.StatusUnauthorized)
			io.WriteString(w, q.Header.Get("Authorization")) // some echo it
			return
		}
		io.WriteString(w, `{"resourceType":"Patient","id":"1"}`)
	}))
	t.Cleanup(s.Close)
	return s.URL + "/fhir"
}

// The simple logins read their file for each request, and are refused once.
func TestSimpleLogins(t *testing.T) {
	var want string
	var seen []string
	url := says(t, &want, &seen)
	path := file(t, "secret", marker+"\n", 0o600)
	basic := func(password string) string {
		return "Basic " + base64.StdEncoding.EncodeToString([]byte("quay:"+password))
	}
	for name, c := range map[string]struct {
		server      settings.Rest
		first, then string
	}{
		"none":   {settings.Rest{URL: url}, "", ""},
		"bearer": {settings.Rest{URL: url, Token: settings.Secret{File: path}}, "Bearer " + marker, "Bearer other"},
		"basic":  {settings.Rest{URL: url, Basic: settings.Basic{User: "quay", Password: settings.Secret{File: path}}}, basic(marker), basic("other")},
	} {
		t.Run(name, func(t *testing.T) {
			seen = nil
			if err := os.WriteFile(path, []byte(marker+"\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			f := client(t, c.server, nil)
			want = c.first
			read(t, f, fault.None)
			if want = c.then; c.then != c.first {
				read(t, f, fault.Denied)
				if len(seen) != 2 {
					t.Errorf("a refused login was said %d times more", len(seen)-1)
				}
			}
			if err := os.WriteFile(path, []byte("other\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			read(t, f, fault.None)
		})
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	seen = nil
	for _, r := range []settings.Rest{{URL: url, Token: settings.Secret{File: path}}, {URL: url, Basic: settings.Basic{User: "quay", Password: settings.Secret{File: path}}},
		{URL: url, Smart: settings.Smart{ClientID: "quay", Key: settings.Secret{File: path}, TokenURL: url}}} {
		if err := read(t, client(t, r, nil), fault.Denied); fault.HintOf(err) == "" || len(seen) > 0 {
			t.Errorf("%v, asked with %q", err, seen)
		}
	}
}

// No login goes to another origin, whoever asks for it.
func TestOrigin(t *testing.T) {
	victim := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("another server was asked") }))
	defer victim.Close()
	var transport http.RoundTripper
	var base string
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		http.Redirect(w, q, victim.URL, http.StatusTemporaryRedirect)
	}))
	defer s.Close()
	base = s.URL + "/fhir"
	var err error
	if transport, err = fhirauth.New(fhirauth.Options{Server: settings.Rest{URL: base, Token: settings.Secret{File: file(t, "token", marker, 0o600)}}}); err != nil {
		t.Fatal(err)
	}
	q, _ := http.NewRequest(http.MethodPost, base, bytes.NewReader([]byte("{}")))
	_, err = (&http.Client{Transport: transport}).Do(q) // a client that follows redirects
	quiet(t, err)
	if fault.KindOf(err) != fault.Denied {
		t.Errorf("a redirect to another server: %v", err)
	}
	for _, other := range []string{victim.URL, strings.Replace(base, "http:", "https:", 1), strings.Replace(base, "127.0.0.1", "localhost", 1), "http://127.0.0.1/"} {
		q, _ := http.NewRequest(http.MethodGet, other, nil)
		if resp, err := transport.RoundTrip(q); fault.KindOf(err) != fault.Denied {
			t.Errorf("%s: %v %v", other, resp, err)
		}
		if q.Header.Get("Authorization") != "" {
			t.Error("the caller's request was changed")
		}
	}
}

// The default port and the case of a name make no other origin.
func TestSameOrigin(t *testing.T) {
	transport, err := fhirauth.New(fhirauth.Options{Server: settings.Rest{URL: "https://FHIR.invalid/r4"}})
	if err != nil {
		t.Fatal(err)
	}
	q, _ := http.NewRequest(http.MethodGet, "https://fhir.invalid:443/r4/Patient", nil)
	if _, err := transport.RoundTrip(q); fault.KindOf(err) == fault.Denied {
		t.Error(err)
	}
}

func TestNew(t *testing.T) {
	login := settings.Rest{Token: settings.Secret{File: "x"}}
	for base, ok := range map[string]bool{"": false, "host": false, "http://host.invalid/fhir": false, "https://host.invalid/fhir": true, "http://localhost/fhir": true} {
		login.URL = base
		if _, err := fhirauth.New(fhirauth.Options{Server: login}); (err == nil) != ok || err != nil && fault.HintOf(err) == "" {
			t.Errorf("%q: %v", base, err)
		}
	}
}

// The key set shows public halves only, each key once.
func TestPublicKeys(t *testing.T) {
	ec, rs := ecKey(t, elliptic.P384()), rsaKey(t)
	a := settings.Smart{ClientID: "a", Key: settings.Secret{File: file(t, "a.pem", pkcs8(t, ec), 0o600)}}
	b := settings.Smart{ClientID: "b", Key: settings.Secret{File: file(t, "b.json", `{"keys":[`+jwk(t, rs, "one")+`,`+jwk(t, ec, "")+`]}`, 0o600)}}
	text, err := fhirauth.PublicKeys(a, b)
	if err != nil {
		t.Fatal(err)
	}
	var set struct{ Keys []map[string]any }
	if err := json.Unmarshal(text, &set); err != nil || len(set.Keys) != 2 {
		t.Fatalf("%v\n%s", err, text)
	}
	for i, want := range []string{"ES384", "RS384"} {
		k := set.Keys[i]
		if k["alg"] != want || k["use"] != "sig" || k["kid"] == "" || k["d"] != nil || k["p"] != nil || k["q"] != nil {
			t.Errorf("%v", k)
		}
	}
	if text, err := fhirauth.PublicKeys(); err != nil || strings.ReplaceAll(string(text), " ", "") != "{\n\"keys\":[]\n}" {
		t.Errorf("%s %v", text, err)
	}
	a.Key.File += "x"
	if _, err := fhirauth.PublicKeys(a); fault.KindOf(err) != fault.NotFound {
		t.Error(err)
	}
}
