package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/export"
	"perennial/internal/surveil"
)

// A plan that does not fit is named and counted, and the rest is written.
func TestExportLeavesOutAndSaysSo(t *testing.T) {
	t.Parallel()
	var out, errs bytes.Buffer
	e := testEnv(&out, &errs)
	o := exportOptions{out: filepath.Join(t.TempDir(), "all.json")}
	x := exporter{e: e, to: o.files(), done: o.begun(), used: map[string]bool{}, o: export.Options{Site: "site-1", At: scriptNow()}}
	good := surveil.Plan{Patient: "p1", AsOf: 739800, Implants: []surveil.Implant{{ID: "Procedure/x", Class: "evar"}}}
	bad := good
	bad.Patient, bad.Identifiers = "?", nil // nothing is left to refer to
	done, err := x.finish(func() error { return errors.Join(x.plan(&bad), x.plan(&good)) })
	if err != nil {
		t.Fatal(err)
	}
	var coded *exitCode
	if err := done.tell(e, "table"); !errors.As(err, &coded) || coded.code != exitRefused || !strings.Contains(err.Error(), "the plans of 1 patient do not fit into FHIR; the rest was written") {
		t.Errorf("%v", err)
	}
	if !strings.HasPrefix(errs.String(), "Patient/?: write CarePlan: ") || !strings.HasPrefix(out.String(), o.out+": 1 CarePlan, 1 Provenance\nof 1 patient.") {
		t.Errorf("%s%s", out.String(), errs.String())
	}
	if text, err := os.ReadFile(o.out); err != nil || strings.Count(string(text), `"resourceType":"CarePlan"`) != 1 {
		t.Errorf("%v %s", err, text)
	}
}
