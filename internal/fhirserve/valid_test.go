package fhirserve_test

import (
	"bytes"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/day"
	"perennial/internal/fhirserve"
	"perennial/internal/testkit/fhirpeer"
)

// All that is served of the demonstration cohort passes the three validators:
// each page, the capability statement and what is refused.
func TestValidators(t *testing.T) {
	t.Parallel()
	dir := fhirpeer.Modules(t)
	r := newRig(t, cohort(day.Of(2025, 6, 1)), nil)
	var lines bytes.Buffer
	n := 0
	put := func(body []byte) {
		lines.Write(append(body, '\n'))
		n++
	}
	statement := r.get("/fhir/metadata", 200)
	if !bytes.Contains(statement, []byte(`"fhirVersion":"4.0.1"`)) {
		t.Error("not R4")
	}
	put(bytes.Replace(statement, []byte(`"4.0.1"`), []byte(`"4.0.0"`), 1)) // one of the schemas is that of 4.0.0
	put(r.get("/fhir/Task/none", 404))
	put(r.get("/fhir/Task?colour=red&_count=1", 200))
	put(r.get("/fhir/Flag?_summary=count", 200))
	resources := 0
	for _, typ := range types() {
		for address := "/fhir/" + typ + "?_count=100"; address != ""; {
			put(r.get(address, 200))
			p := r.search(address)
			address = p.next()
			resources += len(p.Entry)
		}
	}
	if resources < 3000 {
		t.Fatalf("only %d resources", resources)
	}
	path := filepath.Join(t.TempDir(), "served.ndjson")
	if err := os.WriteFile(path, lines.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "validate.mjs", path)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), fmt.Sprintf("%d resources, 0 errors", n)) {
		t.Errorf("%v\n%.4000s", err, out)
	}
}

// A client that others wrote walks the endpoint.
func TestClientOfOthers(t *testing.T) {
	t.Parallel()
	dir := fhirpeer.Modules(t)
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "fhir-kit-client")); err != nil {
		t.Skip("the npm package fhir-kit-client is not installed: run npm ci in .ci/validate")
	}
	file := filepath.Join(t.TempDir(), "token")
	const token = "a-token-of-a-test-0123456789"
	if err := os.WriteFile(file, []byte(token), 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, patients(30), func(o *fhirserve.Options) { o.Gate = gateOf(file) })
	server := httptest.NewServer(r.h)
	defer server.Close()
	all := r.search("/fhir/Task?_summary=count", "Authorization", "Bearer "+token).Total
	mine := r.search("/fhir/Task?patient=q7&_summary=count", "Authorization", "Bearer "+token).Total
	cmd := exec.Command("node", "walk.mjs", server.URL+"/fhir", token, "Task", "q7")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if want := fmt.Sprintf("%d %d 40 %d\n", (all+19)/20, all, mine); err != nil || string(out) != want || all < 60 || mine == 0 {
		t.Errorf("%v: %q, not %q", err, out, want)
	}
}
