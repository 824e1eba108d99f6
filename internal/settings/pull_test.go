package settings_test

import (
	"bytes"
	"path/filepath"
	"reflect"
	"testing"

	"perennial/internal/settings"
)

// How a server is read: what stands there holds, and is printed so that it is read back.
func TestPull(t *testing.T) {
	t.Parallel()
	doc := minimal + `sources:
  rest:
    url: https://fhir.example.org/r4
    aliases: [fhir.inside.example, "fhir.inside.example:8443"]
    overlap-minutes: 30
    reconcile-days: 0
    counts: ignore
    search: post
    resources: whole
    patients: {file: patients.txt}
`
	s, err := settings.Parse("x", []byte(doc))
	want := settings.Pull{Aliases: []string{"fhir.inside.example", "fhir.inside.example:8443"}, Overlap: 30, Post: true, Whole: true, Patients: settings.Patients{File: "patients.txt"}}
	if err != nil || !reflect.DeepEqual(s.Sources.Pull, want) {
		t.Fatalf("%+v %v", s.Sources.Pull, err)
	}
	var out bytes.Buffer
	if err := s.Print(&out); err != nil {
		t.Fatal(err)
	}
	if again, err := settings.Parse("x", out.Bytes()); err != nil || !reflect.DeepEqual(again, s) {
		t.Errorf("%+v %v", again, err)
	}
	if got := s.In("/site").Sources.Pull.Patients.File; got != filepath.Join("/site", "patients.txt") {
		t.Error(got)
	}
	if d := settings.Default().Sources.Pull; d.Whole || !d.Counts || d.Overlap != 10 || d.Reconcile != 7 {
		t.Errorf("%+v", d)
	}
}
