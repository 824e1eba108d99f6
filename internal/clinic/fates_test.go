package clinic_test

import (
	"strings"
	"testing"

	"perennial/internal/store"
)

// Every resource that does not count is listed with its reason.
func TestEveryFateHasItsReason(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"), ctaIn("s1", "a", "2026-06-22", "available", "1"), ctaIn("s2", "a", "2026-06-23", "entered-in-error", "1"),
		ctaIn("s3", "a", "2026-06-24", "nonsense", "1"), `{"resourceType":"Medication","id":"m"}`)
	r.give(ctaIn("s1", "a", "2026-06-21", "available", "2"))
	for fate, want := range map[store.Fate]string{store.FateSuperseded: "ImagingStudy/s1 newer version", store.FateInError: "ImagingStudy/s2 entered in error",
		store.FateQuarantined: "ImagingStudy/s3 not a status that R4 has", store.FateNotRelevant: "Medication/m does not use this type"} {
		ref, words, _ := strings.Cut(want, " ")
		n := 0
		if err := r.ListFate(t.Context(), fate, func(rec store.Record) error {
			n++
			if rec.Ref != ref || !strings.Contains(rec.Why, words) {
				t.Errorf("%s: %s, because %q", fate, rec.Ref, rec.Why)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if n != 1 {
			t.Errorf("%s: %d resources", fate, n)
		}
	}
	r.sound()
}
