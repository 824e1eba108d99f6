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
// shipped protocols passes three validators, one by one and as a Bundle.
func TestValidators(t *testing.T) {
	t.Parallel()
	dir := fhirpeer.Modules(t)
	list := everything(t, false)
	var lines bytes.Buffer
	for i := range list {
		lines.Write(append(list[i].Body, '\n'))
	}
	if out, err := validate(t, dir, lines.Bytes()); err != nil || !strings.Contains(out, fmt.Sprintf("%d resources, 0 errors", len(list))) {
		t.Errorf("%v\n%.6000s", err, out)
	}
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

var _ = export.Resource{}
var _ = fhir.Lint
