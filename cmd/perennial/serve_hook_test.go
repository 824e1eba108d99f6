package main

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/testkit/fakefhir"
)

// A server that tells the daemon, by the secret of the settings, that something changed: it is looked at at once.
// Without the secret nothing happens, and the secret stands nowhere.
func TestServeWithWebhook(t *testing.T) {
	t.Parallel()
	const secret = "NotForPrinting7"
	server := fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient", "Procedure", "ImagingStudy"}})
	server.Put("Patient", "a", `"identifier":[{"system":"urn:mrn","value":"QV-00a"}]`)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	s := newSite(t, "sources:\n  rest:\n    url: "+server.Base+"\n  webhook:\n    listen: "+at+"\n    secret-file: secret\n    header: X-Hook\n")
	if err := os.WriteFile(filepath.Join(s.dir, "secret"), []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tell := func(key string) int {
		t.Helper()
		q, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+at+"/server", nil)
		if err != nil {
			t.Fatal(err)
		}
		q.Header.Set("X-Hook", key)
		r, err := http.DefaultClient.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		return r.StatusCode
	}
	_, stop := s.serve()
	until(t, "the first round", func() (string, bool) { return s.log(), strings.Contains(s.log(), "the first round is done") })
	server.Put("Patient", "b", `"identifier":[{"system":"urn:mrn","value":"QV-00b"}]`)
	if got := tell("another"); got != http.StatusUnauthorized {
		t.Errorf("without the secret: %d", got)
	}
	if got := tell(secret); got != http.StatusOK {
		t.Errorf("with the secret: %d", got)
	}
	until(t, "a second look", func() (string, bool) { return s.log(), strings.Count(s.log(), `"read the source server" new=1`) == 2 })
	if log := stop(); strings.Contains(log, secret) || strings.Contains(log, "level=ERROR") {
		t.Errorf("the log says:\n%s", log)
	}
	if text, err := os.ReadFile(filepath.Join(s.dir, "perennial.db")); err != nil || strings.Contains(string(text), secret) {
		t.Errorf("the store holds the secret, or cannot be read: %v", err)
	}
}
