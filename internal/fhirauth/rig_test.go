package fhirauth_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"perennial/internal/fhirauth"
	"perennial/internal/fhirhttp"
	"perennial/internal/settings"
)

// marker stands in every secret of these tests; nothing that is told may hold it.
const marker = "NotForPrinting7"

// file writes a file of its own right.
func file(t *testing.T, name, text string, mode os.FileMode) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := errors.Join(os.WriteFile(path, []byte(text), 0o600), os.Chmod(path, mode)); err != nil {
		t.Fatal(err)
	}
	return path
}

func discardLog() *log.Logger { return log.New(io.Discard, "", 0) }

func ecKey(t *testing.T, curve elliptic.Curve) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(curve, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func rsaKey(t *testing.T) *rsa.PrivateKey { return rsaOf(t, 2048) }

func rsaOf(t *testing.T, bits int) *rsa.PrivateKey {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// pkcs8 is a private key as PEM.
func pkcs8(t *testing.T, key any) string {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
}

func jwk(t *testing.T, key any, kid string) string {
	t.Helper()
	text, err := json.Marshal(jose.JSONWebKey{Key: key, KeyID: kid})
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// clinic is a FHIR server with a token endpoint, on one address, that behaves as told. It takes the last token that it
// gave, and checks each assertion as its own clock sees it.
type clinic struct {
	*httptest.Server
	t      *testing.T
	key    any           // public key of the client
	behind time.Duration // how far the server's clock is behind ours
	strict bool          // it refuses an assertion by its clock
	token  http.HandlerFunc
	fhir   http.HandlerFunc // nil: a Patient for the right token, else 401

	mu       sync.Mutex
	given    int             // tokens
	asked    int             // requests for a token
	good     string          // the token that is taken
	jti      map[string]bool // of the assertions
	kid, jku string          // of the last one
}

func newClinic(t *testing.T, key any) *clinic {
	c := &clinic{t: t, key: key, jti: map[string]bool{}}
	c.token = c.give(`"expires_in":300`)
	mux := http.NewServeMux()
	mux.HandleFunc("GET /fhir/.well-known/smart-configuration", func(w http.ResponseWriter, q *http.Request) {
		if q.Header.Get("Authorization") != "" {
			t.Error("a login goes along when nobody asked for one")
		}
		fmt.Fprintf(w, `{"token_endpoint":"http://%s/token"}`, q.Host)
	})
	mux.HandleFunc("POST /token", func(w http.ResponseWriter, q *http.Request) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.asked++
		w.Header().Set("Date", c.now().UTC().Format(http.TimeFormat))
		c.token(w, q)
	})
	mux.HandleFunc("/fhir/Patient/1", func(w http.ResponseWriter, q *http.Request) {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.fhir != nil {
			c.fhir(w, q)
			return
		}
		if c.good == "" || q.Header.Get("Authorization") != "Bearer "+c.good {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		body, _ := io.ReadAll(q.Body)
		if q.Method == http.MethodPut && string(body) != `{"resourceType":"Patient"}` {
			t.Errorf("the body that was written: %q", body)
		}
		io.WriteString(w, `{"resourceType":"Patient","id":"1"}`)
	})
	c.Server = httptest.NewServer(mux)
	t.Cleanup(c.Close)
	return c
}

func (c *clinic) now() time.Time { return time.Now().Add(-c.behind) }

// give gives a token for a good assertion.
func (c *clinic) give(more string) http.HandlerFunc {
	return func(w http.ResponseWriter, q *http.Request) {
		if err := c.check(q); err != nil {
			w.WriteHeader(http.StatusBadRequest)
			fmt.Fprintf(w, `{"error":"invalid_client","error_description":"%s %v %s"}`, marker, err, q.PostFormValue("client_assertion"))
			return
		}
		c.given++
		c.good = fmt.Sprintf("%s-%d", marker, c.given)
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprintf(w, `{"access_token":%q,"token_type":"Bearer",%s}`, c.good, more)
	}
}

// check reads an assertion as a server does.
func (c *clinic) check(q *http.Request) error {
	if q.PostFormValue("grant_type") != "client_credentials" || q.PostFormValue("scope") != settings.DefaultScope ||
		q.PostFormValue("client_assertion_type") != "urn:ietf:params:oauth:client-assertion-type:jwt-bearer" {
		c.t.Errorf("asked with %v", q.PostForm)
	}
	j, err := jose.ParseSignedCompact(q.PostFormValue("client_assertion"), []jose.SignatureAlgorithm{jose.ES384, jose.RS384})
	if err != nil {
		return err
	}
	text, err := j.Verify(c.key)
	if err != nil {
		return err
	}
	var claims struct {
		Iss, Sub, Aud, Jti string
		Iat, Exp           int64
	}
	if err := json.Unmarshal(text, &claims); err != nil {
		return err
	}
	head := j.Signatures[0].Protected
	c.kid = head.KeyID
	c.jku, _ = head.ExtraHeaders["jku"].(string)
	if head.ExtraHeaders["typ"] != "JWT" || claims.Iss != "harbour" || claims.Sub != "harbour" || claims.Aud != c.URL+"/token" || claims.Jti == "" || c.jti[claims.Jti] || claims.Exp-claims.Iat > 300 {
		c.t.Errorf("the assertion says %+v under %+v", claims, head)
	}
	c.jti[claims.Jti] = true
	if now := c.now().Unix(); c.strict && (claims.Iat > now || claims.Exp <= now || claims.Exp > now+300) {
		return errors.New("the times are wrong")
	}
	return nil
}

// smart is a server of the settings that logs in there with a key of the file.
func (c *clinic) smart(keyFile string, change ...func(*settings.Smart)) settings.Rest {
	s := settings.Smart{ClientID: "harbour", Key: settings.Secret{File: keyFile}, Scope: settings.DefaultScope}
	for _, f := range change {
		f(&s)
	}
	return settings.Rest{URL: c.URL + "/fhir", Smart: s}
}

// client is a client of that server, with a clock that tests may move.
func client(t *testing.T, r settings.Rest, now func() time.Time) *fhirhttp.Client {
	t.Helper()
	transport, err := fhirauth.New(fhirauth.Options{Server: r, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		if text := fmt.Sprintf("%v %+v %#v", transport, transport, transport); strings.Contains(text, marker) {
			t.Errorf("the transport shows a secret when it is printed: %s", text)
		}
	})
	c, err := fhirhttp.New(fhirhttp.Options{Base: r.URL, HTTP: transport, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	return c
}
