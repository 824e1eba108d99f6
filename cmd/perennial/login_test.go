package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"perennial/internal/testkit/fhirpeer"
)

// keyFile makes a private key, and gives its file and a piece of it that nothing may repeat.
func keyFile(t *testing.T) (path, piece string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	text := string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
	path = filepath.Join(t.TempDir(), "key.pem")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path, strings.Split(text, "\n")[2][:40]
}

// pemOf is a certificate as PEM.
func pemOf(der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}

// publicKeys is what settings jwks prints for a login with the key.
func publicKeys(t *testing.T, key string) string {
	t.Helper()
	c := newChild(t)
	c.file("site.yaml", "site: {name: Quayside Vascular Unit, zone: Europe/Lisbon}\nsources:\n  rest:\n    url: https://fhir.example.org/r4\n    smart: {client-id: harbour, key-file: "+key+"}\n")
	c.good("settings", "jwks", "site.yaml")
	if strings.Contains(c.out, `"d"`) || !strings.Contains(c.out, `"ES384"`) {
		t.Fatalf("the key set:\n%s", c.out)
	}
	return c.out
}

// The daemon on a FHIR server and a token endpoint that others wrote: it reads and
// sends with tokens that end soon, also after the server has forgotten them.
func TestServeWithALogin(t *testing.T) {
	t.Parallel()
	key, _ := keyFile(t)
	at := fhirpeer.StartSmart(t, publicKeys(t, key), 4)
	open := at + "/open/fhir"
	onPeer(t, open, person("a"), graft("ea", "a", "2026-05-20"), person("b"), graft("eb", "b", "2026-05-21"))
	rest := "  rest:\n    url: " + at + "/fhir\n    smart: {client-id: harbour, key-file: " + key + ", scope: system/*.rs system/Task.cruds}\n"
	s := newSite(t, "out:\n  mode: send\n"+rest+"sources:\n"+rest)
	s.do("go-live", "--who", "Nurse Quill", "--yes")
	for _, want := range []string{"requested 4", "cancelled 1, completed 1, requested 2"} {
		_, stop := s.serve()
		until(t, "Tasks "+want, func() (string, bool) { got := statuses(t, open); return got + s.log(), got == want })
		if log := stop(); strings.Contains(log, "level=ERROR") {
			t.Errorf("the log says:\n%s", log)
		}
		resp, err := http.Post(at+"/forget", "", nil)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		onPeer(t, open, scan("sa", "a", "2026-06-22"))
	}
}

// echo is a FHIR server with a token endpoint that gives two Patients, with secrets
// of its own, and answers everything else with all that it was told.
func echo(t *testing.T, refuse *atomic.Bool) *httptest.Server {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /token", func(w http.ResponseWriter, q *http.Request) {
		if q.ParseForm() != nil || refuse.Load() {
			w.WriteHeader(http.StatusBadRequest)
			fmt.Fprintf(w, `{"error":"invalid_client","error_description":%q}`, q.PostForm.Encode())
			return
		}
		fmt.Fprint(w, `{"access_token":"NotForPrinting6","token_type":"bearer","expires_in":300}`)
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Path == "/fhir/Patient" && !refuse.Load() {
			fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":%s}]}`, person("NotForPrinting8"))
			return
		}
		w.WriteHeader(map[bool]int{true: http.StatusUnauthorized, false: http.StatusUnprocessableEntity}[refuse.Load()])
		fmt.Fprintf(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"login","diagnostics":%q,"details":{"text":"Testa Quay, NotForPrinting8"}}]}`,
			q.Header.Get("Authorization")+q.URL.String())
	})
	s := httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s
}

// Whatever a server echoes, no secret is in a log, a page, a metric, an error, a
// printed setting or the store; and no patient is in a log, a metric or an error.
func TestNoSecretIsTold(t *testing.T) {
	t.Parallel()
	key, piece := keyFile(t)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("NotForPrinting7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, login := range map[string]string{
		"bearer": "token-file: " + secret,
		"basic":  "basic: {user: quay, password-file: " + secret + "}",
		"smart":  "smart: {client-id: harbour, key-file: " + key + ", token-url: {at}/token}",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var refuse atomic.Bool
			server := echo(t, &refuse)
			rest := strings.ReplaceAll("  rest:\n    url: {at}/fhir\n    "+login+"\n", "{at}", server.URL)
			s := newSite(t, "out:\n  mode: send\n"+rest+"sources:\n"+rest)
			s.do("go-live", "--who", "Nurse Quill", "--yes")
			var told, pages strings.Builder
			for _, no := range []bool{false, true} {
				refuse.Store(no)
				address, stop := s.serve()
				until(t, "the first round", func() (string, bool) { return s.log(), strings.Contains(s.log(), "the first round is done") })
				told.WriteString(get(t, address+"/metrics") + get(t, address+"/healthz"))
				pages.WriteString(get(t, address+"/") + get(t, address+"/status"))
				log := stop()
				if !strings.Contains(log, "level=ERROR") {
					t.Errorf("nothing failed:\n%s", log)
				}
				told.WriteString(log)
			}
			for _, args := range [][]string{{"status"}, {"send"}, {"due"}, {"settings", "print", "site.yaml"}, {"settings", "check", "site.yaml"}} {
				c := exec.CommandContext(t.Context(), "perennial", args...)
				if args[0] != "settings" {
					c.Args = append(c.Args, "--settings", "site.yaml")
				}
				c.Dir = s.dir
				out, _ := c.CombinedOutput() // some fail, and say why
				pages.Write(out)
			}
			for _, word := range []string{"NotForPrinting8", "Testa"} {
				if strings.Contains(told.String(), word) {
					t.Errorf("a log or metric tells %s:\n%s", word, told.String())
				}
			}
			pages.WriteString(told.String() + allFiles(t, s.dir))
			for _, word := range []string{"NotForPrinting7", "NotForPrinting6", base64.StdEncoding.EncodeToString([]byte("quay:NotForPrinting7")), "eyJ", piece} {
				if i := strings.Index(pages.String(), word); i >= 0 {
					t.Errorf("%s is told: %q", word, pages.String()[max(0, i-200):min(len(pages.String()), i+200)])
				}
			}
		})
	}
}

// allFiles is the text of everything in a folder.
func allFiles(t *testing.T, dir string) string {
	t.Helper()
	var all strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		text, err := os.ReadFile(path)
		all.Write(text)
		return err
	})
	if err != nil || all.Len() < 1000 {
		t.Fatalf("%d bytes: %v", all.Len(), err)
	}
	return all.String()
}
