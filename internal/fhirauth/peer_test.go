package fhirauth_test

import (
	"crypto/elliptic"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/settings"
	"perennial/internal/testkit/fhirpeer"
)

// The exchange against a token endpoint that others wrote, with both algorithms: discovery, a token that is kept,
// one that ended, one that the server forgot in the middle of a write, and a key that it does not know.
func TestAgainstOthers(t *testing.T) {
	t.Parallel()
	for name, key := range map[string]any{"ES384": ecKey(t, elliptic.P384()), "RS384": rsaKey(t)} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := settings.Smart{ClientID: "harbour", Key: settings.Secret{File: file(t, "key.pem", pkcs8(t, key), 0o600)}, Scope: "system/*.rs system/Task.cruds"}
			keys, err := fhirauth.PublicKeys(s)
			if err != nil {
				t.Fatal(err)
			}
			at := fhirpeer.StartSmart(t, string(keys), 8)
			r := settings.Rest{URL: at + "/fhir", Smart: s}
			f := client(t, r, nil)
			for range 2 {
				if _, err := f.Capability(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			wantAsked(t, at, 1)
			post(t, at+"/forget")
			v, err := f.Create(t.Context(), "Patient", []byte(`{"resourceType":"Patient","active":true}`), nil)
			if err != nil || !v.Created {
				t.Fatal(v, err)
			}
			wantAsked(t, at, 2)
			time.Sleep(6100 * time.Millisecond) // three quarters of its time
			if _, err := f.Read(t.Context(), "Patient", v.ID); err != nil {
				t.Error(err)
			}
			wantAsked(t, at, 3)
			s.Key.File = file(t, "other.pem", pkcs8(t, ecKey(t, elliptic.P384())), 0o600)
			refused(t, settings.Rest{URL: r.URL, Smart: s}, "invalid_client")
			s = r.Smart
			s.Scope = "system/Nothing.c"
			refused(t, settings.Rest{URL: r.URL, Smart: s}, "status 403") // it gives a token without the scope
		})
	}
}

func refused(t *testing.T, r settings.Rest, code string) {
	t.Helper()
	_, err := client(t, r, nil).Read(t.Context(), "Patient", "1")
	quiet(t, err)
	if fault.KindOf(err) != fault.Denied || !strings.Contains(err.Error(), code) || fault.HintOf(err) == "" {
		t.Errorf("%v, want %s", err, code)
	}
}

func wantAsked(t *testing.T, at string, want int) {
	t.Helper()
	resp, err := http.Get(at + "/asked")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var got struct{ Asked int }
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil || got.Asked != want {
		t.Errorf("%d tokens were given, want %d (%v)", got.Asked, want, err)
	}
}

func post(t *testing.T, url string) {
	t.Helper()
	resp, err := http.Post(url, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatal(resp.Status, err)
	}
}
