package fhirauth_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"perennial/internal/fhirauth"
)

// A signed token lets in once, and only one that the issuer signed, for us, for a
// short time.
func TestSigned(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	key, _ := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	other, _ := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	rsaKey, _ := rsa.GenerateKey(rand.Reader, 2048)
	set := filepath.Join(t.TempDir(), "keys.json")
	write := func(keys ...jose.JSONWebKey) {
		text, err := json.Marshal(jose.JSONWebKeySet{Keys: keys})
		if err != nil || os.WriteFile(set, text, 0o644) != nil {
			t.Fatal(err)
		}
	}
	write(jose.JSONWebKey{Key: key.Public(), KeyID: "a"}, jose.JSONWebKey{Key: rsaKey.Public(), KeyID: "r"})
	s := &fhirauth.Signed{Issuer: "https://records.example.org", Audience: "https://us.example.org/cds-services", KeySet: set, Now: func() time.Time { return now }}
	if err := s.Check(); err != nil {
		t.Fatal(err)
	}
	n := 0
	sign := func(alg jose.SignatureAlgorithm, key any, kid string, change map[string]any) string {
		n++
		claims := map[string]any{"iss": "https://records.example.org", "aud": "https://us.example.org/cds-services/implant-surveillance",
			"iat": now.Unix(), "exp": now.Add(5 * time.Minute).Unix(), "jti": n}
		claims["jti"] = string(rune('a'+n%26)) + time.Duration(n).String()
		for k, v := range change {
			if claims[k] = v; v == nil {
				delete(claims, k)
			}
		}
		signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: jose.JSONWebKey{Key: key, KeyID: kid}}, (&jose.SignerOptions{}).WithType("JWT"))
		if err != nil {
			t.Fatal(err)
		}
		text, _ := json.Marshal(claims)
		signed, err := signer.Sign(text)
		if err != nil {
			t.Fatal(err)
		}
		out, _ := signed.CompactSerialize()
		return out
	}
	for _, c := range []struct {
		name string
		in   bool
		text string
	}{
		{"ES384", true, sign(jose.ES384, key, "a", nil)},
		{"RS384", true, sign(jose.RS384, rsaKey, "r", nil)},
		{"two audiences", true, sign(jose.ES384, key, "a", map[string]any{"aud": []string{"x", "https://us.example.org/cds-services"}})},
		{"a clock a little behind", true, sign(jose.ES384, key, "a", map[string]any{"exp": now.Add(-30 * time.Second).Unix()})},
		{"other algorithm", false, sign(jose.RS256, rsaKey, "r", nil)},
		{"shared secret", false, sign(jose.HS256, []byte("0123456789abcdef0123456789abcdef"), "a", nil)},
		{"other key", false, sign(jose.ES384, other, "a", nil)},
		{"unknown kid", false, sign(jose.ES384, key, "b", nil)},
		{"other issuer", false, sign(jose.ES384, key, "a", map[string]any{"iss": "https://evil.example"})},
		{"no issuer", false, sign(jose.ES384, key, "a", map[string]any{"iss": nil})},
		{"other audience", false, sign(jose.ES384, key, "a", map[string]any{"aud": "https://us.example.org/cds-services-of-others"})},
		{"no audience", false, sign(jose.ES384, key, "a", map[string]any{"aud": nil})},
		{"over", false, sign(jose.ES384, key, "a", map[string]any{"exp": now.Add(-2 * time.Minute).Unix()})},
		{"for ever", false, sign(jose.ES384, key, "a", map[string]any{"exp": now.Add(100 * time.Hour).Unix()})},
		{"no end", false, sign(jose.ES384, key, "a", map[string]any{"exp": nil})},
		{"no id", false, sign(jose.ES384, key, "a", map[string]any{"jti": nil})},
		{"not yet", false, sign(jose.ES384, key, "a", map[string]any{"nbf": now.Add(10 * time.Minute).Unix()})},
		{"nothing", false, ""}, {"no token", false, "a.b.c"},
	} {
		if got := s.Verify(c.text); got != c.in {
			t.Errorf("%s: let in %v", c.name, got)
		}
		if s.Verify(c.text) {
			t.Errorf("%s: let in twice", c.name)
		}
	}
	write(jose.JSONWebKey{Key: other.Public(), KeyID: "c"})
	if s.Verify(sign(jose.ES384, key, "a", nil)) || !s.Verify(sign(jose.ES384, other, "c", nil)) {
		t.Error("the keys were not changed")
	}
	write(jose.JSONWebKey{Key: key, KeyID: "a"})
	if s.Check() == nil || s.Verify(sign(jose.ES384, key, "a", nil)) {
		t.Error("a private key is taken for the set of public ones")
	}
	if err := os.WriteFile(set, []byte("MARKER"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := s.Check(); err == nil || s.Verify(sign(jose.ES384, key, "a", nil)) {
		t.Error("a broken set is taken")
	}
}
