package clinic_test

import (
	"fmt"
	"slices"
	"testing"

	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// The plans are those of today, each patient once: one who was merged into another
// is visited as the other.
func TestPlans(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("ea", "a", "2025-01-10"), patient("b", ""), evar("eb", "b", "2025-02-10"), patient("c", ""),
		patient("d", `,"link":[{"type":"replaced-by","other":{"reference":"Patient/b"}}]`), evar("ed", "d", "2025-02-10"))
	r.clock = r.clock.AddDate(0, 1, 0) // nothing was brought up to date since
	var seen []string
	err := r.Plans(t.Context(), func(p *surveil.Plan, n, all int) error {
		if seen = append(seen, p.Patient); p.AsOf != r.Today() || n < 1 || n > all {
			t.Errorf("%s: as of %v, %d of %d", p.Patient, p.AsOf, n, all)
		}
		return nil
	})
	if err != nil || !slices.Equal(seen, []string{"a", "b"}) {
		t.Errorf("%v %v", seen, err)
	}
	stop := fmt.Errorf("full")
	if err := r.Plans(t.Context(), func(*surveil.Plan, int, int) error { return stop }); err != stop {
		t.Errorf("%v", err)
	}
}

// All versions in force at some time are there, each once.
func TestProtocolsOfRules(t *testing.T) {
	t.Parallel()
	old, now := *rules().All["svs-aaa-2018"], *rules().All["svs-aaa-2018"]
	old.Version, now.Version = "1", "2"
	list := clinic.Protocols(&surveil.Rules{All: map[string]*protocol.Protocol{now.ID: &now},
		Care: map[string][]surveil.InForce{"evar": {{Protocol: &old}, {Protocol: &now, From: day.Of(2025, 1, 1)}}, "iliac-branch": {{Protocol: &old}}}})
	var refs []string
	for _, p := range list {
		refs = append(refs, p.Ref())
	}
	if !slices.Equal(refs, []string{"svs-aaa-2018@1", "svs-aaa-2018@2"}) {
		t.Error(refs)
	}
}
