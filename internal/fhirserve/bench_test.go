package fhirserve_test

import (
	"slices"
	"strconv"
	"testing"
	"time"
)

// At 2,000 patients a search by patient takes milliseconds, also right after the
// store has changed. Half of the searches are looked at, with thirty times of what
// was measured as the limit: other tests run at the same time.
func TestSearchByPatientIsQuick(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("it makes 2,000 patients")
	}
	r := newRig(t, patients(2000), nil)
	begun := time.Now()
	if n := r.search("/fhir/CarePlan?_summary=count").Total; n != 2000 {
		t.Fatalf("%d plans", n)
	}
	t.Logf("the index was made in %v", time.Since(begun))
	took := map[string][]time.Duration{}
	for i := range 50 {
		for _, typ := range []string{"Task", "CarePlan", "ServiceRequest"} {
			begun := time.Now()
			if r.search("/fhir/"+typ+"?patient=q"+strconv.Itoa(i*7)).Total == 0 {
				t.Fatal("nothing was found")
			}
			took[typ] = append(took[typ], time.Since(begun))
		}
	}
	for i := range 7 {
		r.take(patients(2001 + i)[len(patients(2000+i)):])
		begun = time.Now()
		r.search("/fhir/Task?patient=q5")
		took["after a change"] = append(took["after a change"], time.Since(begun))
	}
	begun = time.Now()
	r.search("/fhir/CarePlan?_count=50")
	t.Logf("a page of 50 plans after a change: %v", time.Since(begun))
	for what, list := range took {
		slices.Sort(list)
		d := list[len(list)/2]
		t.Logf("%s: %v, the slowest %v", what, d, list[len(list)-1])
		if d > 150*time.Millisecond {
			t.Errorf("%s: %v", what, d)
		}
	}
}
