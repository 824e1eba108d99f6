package surveil_test

import (
	"cmp"
	"encoding/json"
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/testkit/second"
)

// The real engine and the second one, which was written from the
// specification alone, agree to the key on random charts.
func TestAgreesWithTheSecondEngine(t *testing.T) {
	t.Parallel()
	bad := 0
	for seed := range uint64(1000) {
		want, got, c, asOf := compare(seed, false)
		sortWork(want.Work)
		sortWork(got.Work)
		if d := gocmp.Diff(want, got); d != "" {
			if bad++; bad <= 3 {
				text, _ := json.MarshalIndent(c, "", " ")
				t.Errorf("seed %d as of %s (-second +real):\n%s\n%s", seed, asOf, d, text)
			}
		}
	}
	if bad > 0 {
		t.Errorf("%d charts differ", bad)
	}
}

func sortWork(list []second.WorkItem) {
	slices.SortFunc(list, func(a, b second.WorkItem) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Implant, b.Implant), cmp.Compare(a.Clock, b.Clock),
			cmp.Compare(a.Step, b.Step), cmp.Compare(a.N, b.N), cmp.Compare(a.About, b.About))
	})
}

// The wake day is the first day on which the second engine's plan, made anew
// for every day, differs.
func TestWakeAgreesWithTheSecondEngine(t *testing.T) {
	t.Parallel()
	n := 0
	for seed := range uint64(60) {
		want, got, _, asOf := compare(seed, true)
		if want.Wake == "" {
			continue // not within the days that the second engine looks ahead
		}
		if n++; got.Wake != want.Wake {
			t.Errorf("seed %d as of %s: wake %q, want %q", seed, asOf, got.Wake, want.Wake)
		}
	}
	if n < 30 {
		t.Errorf("only %d charts had a wake day", n)
	}
}
