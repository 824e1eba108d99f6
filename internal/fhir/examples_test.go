package fhir_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// examplesTable says what becomes of each official example.
const examplesTable = "../../testdata/fhir/examples.tsv"

// TestOfficialExamples reads the official FHIR R4 examples (package hl7.fhir.r4.examples 4.0.1, HL7, CC0), which are not
// kept here: set PERENNIAL_FHIR_EXAMPLES to their folder. The table is written anew with PERENNIAL_UPDATE=examples.
func TestOfficialExamples(t *testing.T) {
	t.Parallel()
	dir := os.Getenv("PERENNIAL_FHIR_EXAMPLES")
	if dir == "" {
		dir = "../../../shared/fhir-examples"
	}
	files, err := filepath.Glob(filepath.Join(dir, "*-*.json"))
	if err != nil || len(files) == 0 {
		t.Skip("the official examples are not here")
	}
	rows := []string{"file\tline\tresource\tclass\treason"}
	for _, f := range files {
		rows = append(rows, classify(t, f)...)
	}
	got := strings.Join(rows, "\n") + "\n"
	if os.Getenv("PERENNIAL_UPDATE") == "examples" {
		if err := os.WriteFile(examplesTable, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(examplesTable)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("(-table +now):\n%s", diff)
	}
}

// classify gives a row for each resource of a file.
func classify(t *testing.T, file string) (rows []string) {
	t.Helper()
	in, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	name := filepath.Base(file)
	row := func(line int, ref, class, reason string) {
		rows = append(rows, strings.Join([]string{name, itoa(line), ref, class, reason}, "\t"))
	}
	err = fhir.Read(name, in, fhir.Handler{Each: func(raw fhir.Raw) error {
		r, err := fhir.Decode(raw.Body)
		typ, id := fhir.Peek(raw.Body)
		ref := strings.TrimSuffix(typ+"/"+id, "/")
		switch _, skipped := r.(*fhir.Skipped); {
		case err != nil:
			row(raw.Line, ref, "quarantined", err.Error())
		case skipped:
			row(raw.Line, ref, "not-relevant-type", "")
		case fhir.InError(r):
			row(raw.Line, ref, "in-error", "")
		default:
			row(raw.Line, ref, "used", "")
		}
		return nil
	}, Issue: func(i fhir.Issue) { row(i.Line, i.Ref, "quarantined", i.What) }})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}
