package main

import (
	"slices"
	"testing"

	"perennial/internal/settings"
)

// References of a server that is read by exports alone are known to the read side, and CDS Hooks takes ids of that
// server and of no other.
func TestReadSideOfExports(t *testing.T) {
	t.Parallel()
	var s settings.Settings
	s.Sources.Bulk.Rest.URL = "https://exports.example.org/fhir"
	r := readSideOf(&s, nil)
	if r.Origin != "https://exports.example.org/fhir" {
		t.Errorf("references lead to %q", r.Origin)
	}
	s.Sources.Rest.URL, s.Read.Cards.Servers = "https://fhir.example.org/r4", []string{"https://other.example.org/r4"}
	r = readSideOf(&s, nil)
	if r.Origin != "https://fhir.example.org/r4" || !slices.Equal(r.Cards.Servers, []string{"https://other.example.org/r4", "https://exports.example.org/fhir"}) {
		t.Errorf("references lead to %q, ids are of %q", r.Origin, r.Cards.Servers)
	}
}
