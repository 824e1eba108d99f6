package probe_test

import (
	"slices"
	"strings"
	"testing"

	"perennial/internal/fhirhttp"
	"perennial/internal/probe"
	"perennial/internal/testkit/fakebulk"
)

// A server that exports, one that is busy, and ones that do not.
func TestExport(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]struct {
		what   string
		severe bool
	}{"": {}, "kickoff-429": {"no export can be begun now", false}, "kickoff-500": {"status 500", true}, "kickoff-silent": {"202 with Content-Location", true}} {
		s := fakebulk.Start(t, fakebulk.Options{})
		s.Break(name)
		client, err := fhirhttp.New(fhirhttp.Options{Base: s.Base, Tries: 1, Now: s.Now})
		if err != nil {
			t.Fatal(err)
		}
		r, err := probe.Export(t.Context(), probe.Options{Client: client, Types: []string{"Patient", "Procedure"}, Now: s.Now}, "Group/implants/$export")
		if err != nil || len(r.Types) != 2 || r.Severe() != want.severe || (len(r.Findings) > 0) != (want.what != "") || want.what != "" && !strings.Contains(r.Findings[0].What, want.what) {
			t.Errorf("%q: %+v %v", name, r, err)
		}
		asked := s.Asked()
		if !slices.Contains(asked, "GET Group/implants/$export _since=2026-06-30T12%3A00%3A00Z&_type=Patient") || s.Open() > 0 && name == "" {
			t.Errorf("%q: asked %q, %d are left open", name, asked, s.Open())
		}
	}
}
