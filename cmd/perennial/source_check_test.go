package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/testkit/fhirpeer"
)

// A person looks at a server that others wrote, before relying on it: nothing about
// a patient is printed, and the exit status tells whether what is needed is there.
func TestSourceCheck(t *testing.T) {
	t.Parallel()
	key, piece := keyFile(t)
	at := fhirpeer.StartSmart(t, publicKeys(t, key), 300)
	c := newChild(t)
	write := func(id string) {
		c.file("site.yaml", strings.NewReplacer("{at}", at, "{key}", key, "{id}", id).Replace(`site: {name: Quayside Vascular Unit, zone: Europe/Lisbon}
sources: {rest: {url: "{at}/fhir", smart: {client-id: {id}, key-file: {key}}}}
`))
	}
	write("harbour")
	onPeer(t, at+"/open/fhir", person("a"), graft("ea", "a", "2026-05-20"), strings.Replace(graft("eb", "a", "2026-05-21"), "34705", "X17", 1))
	c.run("source", "check", "server", "--settings", "site.yaml")
	c.want(exitRefused, "")
	for _, text := range []string{"FHIR 4.0.1", "! ImagingStudy: the search finds nothing\n", "- Patient: no birth date (1 of 1)\n", "X17", "SETTINGS TO ADD\ncodes:\n  site: my-codes.yaml"} {
		if !strings.Contains(c.out, text) {
			t.Errorf("no %q in\n%s", text, c.out)
		}
	}
	if strings.Contains(c.out, "Quay,") || strings.Contains(c.out, "QV-00") || strings.Contains(c.out, "Testa") || strings.Contains(c.out, piece) {
		t.Errorf("it tells too much:\n%s", c.out)
	}
	onPeer(t, at+"/open/fhir", scan("sa", "a", "2026-06-22"))
	c.good("source", "check", "server", "--settings", "site.yaml", "--format", "json")
	var r struct {
		Types    []struct{ Type, Search string }
		Unmapped []struct{ Code string }
	}
	if err := json.Unmarshal([]byte(c.out), &r); err != nil || len(r.Types) < 10 || len(r.Unmapped) != 1 || r.Unmapped[0].Code != "X17" {
		t.Errorf("%v\n%s", err, c.out)
	}
	write("somebody-else")
	c.run("source", "check", "server", "--settings", "site.yaml")
	c.want(exitError, "perennial: GET metadata at "+strings.TrimPrefix(at, "http://")+": get a token for "+strings.TrimPrefix(at, "http://")+
		": the token endpoint answers with status 401 invalid_client\nAsk the server's administrator whether client-id is known there, with our public key under its kid: perennial settings jwks shows it.\n")
}

// What is wrong before a server is asked.
func TestSourceCheckUsage(t *testing.T) {
	t.Parallel()
	c := newChild(t)
	c.file("site.yaml", "site: {name: Quayside Vascular Unit, zone: Europe/Lisbon}\n")
	c.run("source", "check", "server", "--settings", "site.yaml")
	c.want(exitUsage, "perennial: the settings name no such server\nWrite url under sources.rest, and name the file with --settings.\n")
	c.run("source", "check", "tasks", "--settings", "site.yaml")
	c.want(exitUsage, "perennial: the settings name no such server\nWrite url under out.rest, and name the file with --settings.\n")
	c.run("source", "check", "serve")
	c.want(exitUsage, "perennial: \"serve\" is no server of the settings\nChoose server, bulk or tasks.\n")
	c.run("source", "check", "server", "--sample", "0")
	c.want(exitUsage, "perennial: --sample 0 is out of range\nChoose a number from 1 to 10000.\n")
	c.run("settings", "jwks", "site.yaml")
	c.want(exitUsage, "perennial: no server in site.yaml is logged in at by SMART Backend Services\nWrite smart with client-id and key-file under sources.rest, sources.bulk or out.rest.\n")
}

// A server with a certificate of the hospital's own authority: not before ca names it.
func TestSourceCheckCA(t *testing.T) {
	t.Parallel()
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Path == "/metadata" {
			io.WriteString(w, `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server","resource":[{"type":"Task","interaction":[{"code":"search-type"},{"code":"create"},{"code":"update"}]}]}]}`)
			return
		}
		io.WriteString(w, `{"resourceType":"Bundle","type":"searchset"}`)
	}))
	s.StartTLS()
	t.Cleanup(s.Close)
	c := newChild(t)
	site := "site: {name: Quayside Vascular Unit, zone: Europe/Lisbon}\nout: {rest: {url: \"" + s.URL + "\"CA}}\n"
	c.file("site.yaml", strings.Replace(site, "CA", "", 1))
	c.run("source", "check", "tasks", "--settings", "site.yaml")
	if c.status != exitError || !strings.Contains(c.errs, "under ca") {
		t.Errorf("%d %s", c.status, c.errs)
	}
	if err := os.WriteFile(filepath.Join(c.dir, "ca.pem"), pemOf(s.Certificate().Raw), 0o644); err != nil {
		t.Fatal(err)
	}
	c.file("site.yaml", strings.Replace(site, "CA", ", ca: ca.pem", 1))
	c.good("source", "check", "tasks", "--settings", "site.yaml")
	if !strings.Contains(c.out, "no conditional create") || !strings.Contains(c.out, "no versions") {
		t.Errorf("%s", c.out)
	}
	c.file("ca.pem", "none")
	c.run("source", "check", "tasks", "--settings", "site.yaml")
	c.want(exitUsage, "perennial: read ca.pem: it holds no certificate\nName a file with the certificate of your authority as PEM.\n")
}
