package clinic_test

import (
	"slices"
	"testing"

	"perennial/internal/day"
)

// An item that ended as the same as another's, when its patient's implant went to
// somebody else, is opened again by a later merge: then it is of the patient into
// whom the record was merged, not of the one to whom it had gone.
func TestReopenedItemIsOfTheSurvivor(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	n := 0
	give := func(body string) { n++; r.give(versioned(body, n)) }
	ago := func(days int) string { return (r.Today() - day.Day(days)).String() }
	give(evar("pr2", "a", ago(5)))
	give(evar("pr1", "a", ago(121)))
	give(evar("pr2", "b", ago(270)))
	x := ruling("c", "implant")
	x.Class, x.Value = "tevar", ago(271)
	if _, err := r.Rule(t.Context(), x); err != nil {
		t.Fatal(err)
	}
	r.clock = r.clock.AddDate(0, 0, 400)
	r.tick()
	give(evar("pr1", "c", ago(3)))                       // a's trace-patient is c's now, and ends as the same as c's own
	give(patient("b", link("replaced-by", "Patient/a"))) // b's is a's now
	r.sound()
	for _, who := range []string{"a", "c"} {
		if got := r.work(who); !slices.Contains(got, "trace-patient") {
			t.Errorf("%s: work %q", who, got)
		}
	}
}
