package settings_test

import (
	"bytes"
	"reflect"
	"testing"

	"perennial/internal/settings"
)

// How Tasks are written: what stands there holds, and is printed so that it is read back.
func TestWrite(t *testing.T) {
	t.Parallel()
	for lines, want := range map[string]settings.Write{
		"": {Create: "auto", Batch: true},
		"    create: plain\n    batch: no\n    aliases: [tasks.inside.example]\n": {Create: "plain", Aliases: []string{"tasks.inside.example"}},
		"    create: none\n": {Create: "none", Batch: true},
	} {
		s, err := settings.Parse("x", []byte(minimal+"out:\n  mode: send\n  rest:\n    url: https://fhir.example.org/r4\n"+lines))
		if len(s.Out.Write.Aliases) == 0 {
			s.Out.Write.Aliases = nil
		}
		if err != nil || !reflect.DeepEqual(s.Out.Write, want) {
			t.Errorf("%q: %+v %v", lines, s.Out.Write, err)
		}
		var out bytes.Buffer
		if err := s.Print(&out); err != nil {
			t.Fatal(err)
		}
		again, err := settings.Parse("x", out.Bytes())
		if len(again.Out.Write.Aliases) == 0 {
			again.Out.Write.Aliases = nil
		}
		if err != nil || !reflect.DeepEqual(again.Out, s.Out) {
			t.Errorf("%+v %v", again, err)
		}
	}
}

// What is written beside Tasks is named by words, each for one type; none is the default.
func TestAlso(t *testing.T) {
	t.Parallel()
	for lines, want := range map[string][]string{
		"":                                       nil,
		"  also: []\n":                           nil,
		"  also: flag\n":                         {"Flag"},
		"  also: [service-request, care-plan]\n": {"ServiceRequest", "CarePlan"},
		"  also: [communication, provenance]\n":  {"Communication", "Provenance"},
		"  also: [audit-event, flag]\n":          {"Flag"},
	} {
		s, err := settings.Parse("x", []byte(minimal+"out:\n  mode: files\n"+lines))
		if err != nil || !reflect.DeepEqual(s.Out.Types(), want) {
			t.Errorf("%q: %v %v", lines, s.Out.Types(), err)
		}
	}
}
