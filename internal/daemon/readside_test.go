package daemon_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"perennial/internal/daemon"
	"perennial/internal/fhirauth"
	"perennial/internal/settings"
)

// The public keys are served, two while they change, and of none a private part.
func TestKeysAreServed(t *testing.T) {
	t.Parallel()
	ec, _ := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	rs, _ := rsa.GenerateKey(rand.Reader, 2048)
	file := filepath.Join(t.TempDir(), "keys.json")
	write := func(keys ...jose.JSONWebKey) {
		text, err := json.Marshal(jose.JSONWebKeySet{Keys: keys})
		if err != nil || os.WriteFile(file, text, 0o600) != nil {
			t.Fatal(err)
		}
	}
	old, next := jose.JSONWebKey{Key: ec, KeyID: "2025"}, jose.JSONWebKey{Key: rs, KeyID: "2026"}
	write(old)
	login := settings.Smart{ClientID: "harbour", Key: settings.Secret{File: file}}
	base, stop := serveWith(t, daemon.ReadSide{Keys: func() ([]byte, error) { return fhirauth.PublicKeys(login) }})
	defer stop()
	if got := keysAt(t, base); !slices.Equal(got, []string{"2025"}) {
		t.Errorf("%v", got)
	}
	write(old, next)
	if got := keysAt(t, base); !slices.Equal(got, []string{"2025", "2026"}) {
		t.Errorf("%v", got)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	r, err := http.Get(base + ".well-known/jwks.json")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("without the file: %d", r.StatusCode)
	}
}

// Without a login there is no such address.
func TestNoKeysNoAddress(t *testing.T) {
	t.Parallel()
	base, stop := serveWith(t, daemon.ReadSide{})
	defer stop()
	r, err := http.Get(base + ".well-known/jwks.json")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusNotFound {
		t.Errorf("%d", r.StatusCode)
	}
}

// keysAt gives the kids of a key set, and fails where it holds more than public
// parts (RFC 7518, 6.2.1 and 6.3.1).
func keysAt(t *testing.T, base string) (kids []string) {
	t.Helper()
	r, err := http.Get(base + ".well-known/jwks.json")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, _ := io.ReadAll(r.Body)
	var set struct{ Keys []map[string]any }
	if err := json.Unmarshal(body, &set); err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%d %v: %s", r.StatusCode, err, body)
	}
	for _, k := range set.Keys {
		for name := range k {
			if !slices.Contains([]string{"kty", "kid", "use", "alg", "crv", "x", "y", "n", "e"}, name) {
				t.Errorf("a key has the member %q", name)
			}
		}
		kid, _ := k["kid"].(string)
		kids = append(kids, kid)
	}
	return kids
}

// serveWith runs a daemon, and gives its address.
func serveWith(t *testing.T, read daemon.ReadSide) (base string, stop func()) {
	t.Helper()
	c := newClinic(t)
	ctx, cancel := context.WithCancel(t.Context())
	at, done := make(chan string, 1), make(chan error, 1)
	go func() {
		done <- daemon.Serve(ctx, daemon.Options{Clinic: c, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Poll: time.Hour, Read: read,
			Pages: &daemon.Pages{Clinic: c, Site: "Quay", Now: time.Now}, Ready: func(a string) { at <- a }})
	}()
	select {
	case base = <-at:
	case err := <-done:
		t.Fatal(err)
	}
	return base, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}
