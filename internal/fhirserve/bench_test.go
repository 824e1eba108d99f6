package fhirserve_test

import (
	"strconv"
	"testing"
)

// Among 2,000 patients everything about one is found, and all of them are counted.
func TestSearchAmongMany(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("it makes 2,000 patients")
	}
	r := newRig(t, patients(2000), nil)
	if n := r.search("/fhir/CarePlan?_summary=count").Total; n != 2000 {
		t.Fatalf("%d plans", n)
	}
	for _, typ := range []string{"Task", "CarePlan", "ServiceRequest"} {
		if r.search("/fhir/"+typ+"?patient=q350").Total == 0 {
			t.Errorf("%s: nothing was found", typ)
		}
	}
	r.take(patients(2001)[len(patients(2000)):])
	if n := r.search("/fhir/CarePlan?_summary=count").Total; n != 2001 {
		t.Errorf("after a change: %d plans", n)
	}
}

// BenchmarkSearch searches among 2,000 patients: by patient, right after a change, and a page of plans.
func BenchmarkSearch(b *testing.B) {
	r := newRig(b, patients(2000), nil)
	r.search("/fhir/CarePlan?_summary=count")
	i := 0
	for _, typ := range []string{"Task", "CarePlan", "ServiceRequest"} {
		b.Run(typ, func(b *testing.B) {
			for b.Loop() {
				i++
				r.search("/fhir/" + typ + "?patient=q" + strconv.Itoa(i%2000))
			}
		})
	}
	b.Run("Page", func(b *testing.B) {
		for b.Loop() {
			r.search("/fhir/CarePlan?_count=50")
		}
	})
}
