package settings_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/fault"
	"perennial/internal/settings"
)

// Each login that the sample shows in a remark can be used as it stands there,
// is printed and read back, and its paths are counted from the folder.
func TestLogins(t *testing.T) {
	t.Parallel()
	sample, err := config.Files.ReadFile("settings/sample.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, block, _ := strings.Cut(string(sample), "# rest:\n")
	block, _, _ = strings.Cut(block, "# bulk:")
	for _, login := range []string{"bearer", "basic", "smart"} {
		doc := minimal + "sources:\n  rest:\n" + pick(block, login)
		s, err := settings.Parse(login, []byte(doc))
		if err != nil {
			t.Fatalf("%v\n%s", err, doc)
		}
		r := s.Sources.Rest
		if r.Login() != login || r.CA != "hospital.pem" || r.Certificate.File != "us.pem" || r.Certificate.Key.File != "us-key.pem" {
			t.Errorf("%s: %+v", login, r)
		}
		var out bytes.Buffer
		if err := s.Print(&out); err != nil {
			t.Fatal(err)
		}
		again, err := settings.Parse("printed", out.Bytes())
		if err != nil || !reflect.DeepEqual(again, s) {
			t.Errorf("%s: read back %v\n%s", login, err, out.String())
		}
		at := s.In("/etc/perennial").Sources.Rest
		for _, path := range []string{at.Token.File, at.Basic.Password.File, at.Smart.Key.File, at.CA, at.Certificate.File, at.Certificate.Key.File} {
			if path != "" && !strings.HasPrefix(path, "/etc/perennial/") {
				t.Errorf("%s: %s", login, path)
			}
		}
	}
}

// pick takes the marks of remarks off, and keeps one login.
func pick(block, login string) string {
	var b strings.Builder
	smart := false
	for line := range strings.Lines(block) {
		text := strings.TrimPrefix(strings.TrimPrefix(line, "#   "), "# ")
		smart = strings.HasPrefix(text, "smart:") || smart && strings.HasPrefix(text, "  ")
		key, _, _ := strings.Cut(text, ":")
		if strings.Contains(strings.TrimSpace(key), " ") {
			continue // words
		}
		of := map[string]string{"token-file": "bearer", "basic": "basic"}[key]
		if smart {
			of = "smart"
		}
		if of == "" || of == login {
			b.WriteString("    " + text)
		}
	}
	return b.String()
}

func TestReadable(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]bool{"http://fhir.example.org": true, "http://10.0.0.7:80/": true, "http://localhost.example.org": true,
		"https://fhir.example.org": false, "http://localhost:80/x": false, "http://127.0.0.1": false, "http://[::1]:8080/fhir": false} {
		if settings.Readable(address) != want {
			t.Errorf("%s: %v", address, !want)
		}
	}
}

// A key file holds several lines; otherwise it is a secret like any other.
func TestReadKey(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "key")
	key := settings.Secret{File: path}
	if _, err := key.ReadKey(); fault.KindOf(err) != fault.NotFound || fault.HintOf(err) == "" {
		t.Error(err)
	}
	for _, c := range []struct {
		text string
		mode os.FileMode
		kind fault.Kind
	}{{"NotForPrinting7\nand more\n", 0o600, fault.None}, {"NotForPrinting7", 0o604, fault.Denied}, {"", 0o600, fault.Invalid}, {strings.Repeat("NotForPrinting7", 5000), 0o600, fault.Invalid}} {
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, c.mode); err != nil {
			t.Fatal(err)
		}
		got, err := key.ReadKey()
		if fault.KindOf(err) != c.kind || err == nil && string(got) != c.text || err != nil && (got != nil || strings.Contains(err.Error(), "NotForPrinting7")) {
			t.Errorf("%.20q: %q %v", c.text, got, err)
		}
	}
	if got, err := (settings.Secret{}).ReadKey(); got != nil || err != nil {
		t.Error(got, err)
	}
}
