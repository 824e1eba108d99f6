package export_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/export"
	"perennial/internal/fhir"
	"perennial/internal/testkit/fhirpeer"
)

// All that is exported of the demonstration cohort, of the worked cases and of the
// shipped protocols passes the three validators of .ci/validate; a Bundle of a part
// of it does too.
func TestValidators(t *testing.T) {
	t.Parallel()
	dir := fhirpeer.Modules(t)
	list := everything(t, false)
	var lines, bundle bytes.Buffer
	for i := range list {
		lines.Write(append(list[i].Body, '\n'))
	}
	b := export.NewBundle(&bundle)
	for i, r := range everything(t, true) {
		if i > 300 {
			break
		}
		if err := b.Add(&r); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if problems := fhir.Lint(bundle.Bytes()); len(problems) > 0 {
		t.Errorf("%.2000s", strings.Join(problems, "\n"))
	}
	lines.Write(append(bytes.ReplaceAll(bundle.Bytes(), []byte("\n"), nil), '\n'))
	if out, err := validate(t, dir, lines.Bytes()); err != nil || !strings.Contains(out, fmt.Sprintf("%d resources, 0 errors", len(list)+1)) {
		t.Errorf("%v\n%.6000s", err, out)
	}
}

// What is broken is found: by our own lint always, by the validators where they
// look. What they let pass is why the lint exists.
func TestBroken(t *testing.T) {
	t.Parallel()
	dir := fhirpeer.Modules(t)
	list := everything(t, false)
	var all bytes.Buffer
	cases := broken()
	for _, c := range cases {
		body := find(list, c.typ, c.old)
		if body == nil {
			t.Fatalf("no %s holds %s", c.typ, c.old)
		}
		body = bytes.Replace(body, []byte(c.old), []byte(c.new), 1)
		if problems := fhir.Lint(body); len(problems) == 0 {
			t.Errorf("lint passed a %s with %s", c.typ, c.new)
		}
		all.Write(append(body, '\n'))
	}
	out, err := validate(t, dir, all.Bytes())
	if err == nil {
		t.Error("broken resources passed")
	}
	for i, c := range cases {
		if caught := strings.Contains("\n"+out, fmt.Sprintf("\n%d: ", i+1)); caught != c.caught {
			t.Errorf("%s with %s: refused by the validators %v", c.typ, c.new, caught)
		}
	}
}

// breakage is one way to break a resource.
type breakage struct {
	typ, old, new string
	caught        bool // by one of the validators
}

func broken() []breakage {
	return []breakage{
		{"ServiceRequest", `"intent":"proposal"`, `"intent":"order"`, false},
		{"ServiceRequest", `"status":"draft"`, `"status":"active"`, false},
		{"ServiceRequest", `"intent":"proposal"`, `"intent":"wish"`, true},
		{"ServiceRequest", `"status":"draft",`, ``, true},
		{"ServiceRequest", `"occurrencePeriod":{`, `"occurrenceDateTime":"2026-01-01","occurrencePeriod":{`, false},
		{"ServiceRequest", `"authoredOn":"2026-06-30"`, `"authoredOn":"30 June"`, true},
		{"ServiceRequest", `"supportingInfo":[{`, `"supportingInfo":[{},{`, true},
		{"CarePlan", `"intent":"proposal"`, `"intent":"order"`, false},
		{"CarePlan", `"status":"draft"`, `"status":"revoked"`, false},
		{"CarePlan", `"activity":[{"reference":{"reference":"ServiceRequest/`, `"activity":[{"reference":{"reference":"Observation/x`, false},
		{"Flag", `"status":"active"`, `"status":"draft"`, true},
		{"Provenance", `"recorded":"2026-06-30T12:00:00Z"`, `"recorded":"2026-06-30"`, true},
		{"Provenance", `"role":"source"`, `"role":"origin"`, true},
		{"PlanDefinition", `"actionId":"index"`, `"actionId":"indexes"`, false},
		{"PlanDefinition", `"value":30,`, `"value":"30",`, true},
		{"PlanDefinition", `"kind":"applicability"`, `"kind":"sometimes"`, true},
		{"ActivityDefinition", `"intent":"proposal"`, `"intent":"order"`, false},
		{"ActivityDefinition", `"version":"1"`, `"version":"1|2"`, false},
	}
}

// find finds the first resource of a type with a text in it.
func find(list []export.Resource, typ, text string) []byte {
	for i := range list {
		if list[i].Type == typ && bytes.Contains(list[i].Body, []byte(text)) && (typ != "CarePlan" || bytes.Contains(list[i].Body, []byte(`"activity"`))) {
			return list[i].Body
		}
	}
	return nil
}

func validate(t *testing.T, dir string, ndjson []byte) (string, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "all.ndjson")
	if err := os.WriteFile(path, ndjson, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "validate.mjs", path)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}
