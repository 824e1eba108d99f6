package intake

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func TestMarksAreSorted(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{0, 1, 100, 4096, 30000} {
		got := make([]uint64, n)
		for i := range got {
			if got[i] = rng.Uint64(); i%3 == 0 {
				got[i] &= 0xfff // many in one heap, some twice
			}
		}
		want := slices.Sorted(slices.Values(got))
		if sortMarks(got); !slices.Equal(got, want) {
			t.Errorf("%d marks are not sorted", n)
		}
	}
}
