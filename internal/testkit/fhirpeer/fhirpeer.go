// Package fhirpeer runs a FHIR R4 server that others wrote (express and
// @medplum/fhir-router, from .ci/validate) beside a test, so that what the program
// reads and writes over REST is tried against another hand's reading of FHIR.
//
// A test without node or without the npm packages is skipped and says so.
package fhirpeer

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Modules is the folder of the npm packages, installed. The environment variable
// PERENNIAL_NPM names another one than .ci/validate.
func Modules(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("PERENNIAL_NPM")
	if dir == "" {
		dir = filepath.Join(root(t), ".ci", "validate")
	}
	if _, err := os.Stat(filepath.Join(dir, "node_modules")); err != nil {
		t.Skip("the npm packages are not installed: run npm ci in .ci/validate")
	}
	if _, err := exec.LookPath("node"); err != nil {
		t.Skip("node is not installed")
	}
	return dir
}

// root is the folder of go.mod.
func root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = up
	}
}

// Start starts a server, which ends with the test, and gives its base address.
func Start(t testing.TB) string {
	t.Helper()
	return run(t, "peer.mjs", "0") + "/fhir"
}

// StartSmart starts such a server behind a token endpoint that others wrote (oidc-provider), for the client "harbour"
// with the public keys of a JSON Web Key Set; its tokens last so many seconds. It gives the address of both, without
// /fhir at the end. POST to /forget makes the tokens so far invalid, GET of /asked says how many there were; below
// /open/fhir a test looks at the same resources without a login.
func StartSmart(t testing.TB, keys string, seconds int) string {
	t.Helper()
	if _, err := os.Stat(filepath.Join(Modules(t), "node_modules", "oidc-provider")); err != nil {
		t.Skip("the npm package oidc-provider is not installed: run npm ci in .ci/validate")
	}
	return run(t, "smart.mjs", keys, strconv.Itoa(seconds))
}

// run runs a script under node until the test ends, and gives the address that it is ready on.
func run(t testing.TB, args ...string) string {
	t.Helper()
	cmd := exec.Command("node", args...)
	cmd.Dir, cmd.Stderr = Modules(t), os.Stderr
	in, err1 := cmd.StdinPipe()
	out, err2 := cmd.StdoutPipe()
	if err1 != nil || err2 != nil || cmd.Start() != nil {
		t.Fatal(err1, err2)
	}
	t.Cleanup(func() {
		in.Close()
		_ = cmd.Wait()
	})
	line := make([]byte, 64)
	n, err := out.Read(line)
	port, ok := strings.CutPrefix(strings.TrimSpace(string(line[:n])), "ready ")
	if err != nil || !ok {
		t.Fatalf("the peer did not start: %q %v", line[:n], err)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	return "http://127.0.0.1:" + port
}

// Put writes a resource by its type and id.
func Put(t testing.TB, base, body string) {
	t.Helper()
	var r struct{ ResourceType, ID string }
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		t.Fatal(err)
	}
	q, err := http.NewRequestWithContext(t.Context(), http.MethodPut, base+"/"+r.ResourceType+"/"+r.ID, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/fhir+json")
	answer(t, q)
}

// All gives the resources of a type, at most 1000.
func All(t testing.TB, base, typ string) []map[string]any {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), http.MethodGet, fmt.Sprintf("%s/%s?_count=1000", base, typ), nil)
	if err != nil {
		t.Fatal(err)
	}
	var bundle struct {
		Entry []struct{ Resource map[string]any }
	}
	if err := json.Unmarshal(answer(t, q), &bundle); err != nil {
		t.Fatal(err)
	}
	var list []map[string]any
	for _, e := range bundle.Entry {
		list = append(list, e.Resource)
	}
	return list
}

func answer(t testing.TB, q *http.Request) []byte {
	t.Helper()
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode >= 300 {
		t.Fatalf("%s %s: %d %s %v", q.Method, q.URL.Path, r.StatusCode, body, err)
	}
	return body
}
