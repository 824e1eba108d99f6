package demo

import (
	"math/bits"
	"math/rand/v2"
)

// seed fixes the cohort. Another seed is another town.
const seed = 0x5a17_3e4e

// dice is the only source of chance: PCG with a fixed seed. How numbers are
// drawn from it is written here, so that no later Go release changes the cohort.
type dice struct{ src *rand.PCG }

// newDice gives the dice of one stream: each person has one, so that a change to
// one life leaves the others as they are.
func newDice(stream uint64) *dice { return &dice{rand.NewPCG(seed, stream)} }

// below is a whole number from 0 to n-1.
func (d *dice) below(n int) int {
	hi, _ := bits.Mul64(d.src.Uint64(), uint64(n))
	return int(hi)
}

// between is a whole number from low to high, both included.
func (d *dice) between(low, high int) int { return low + d.below(high-low+1) }

// unit is a number from 0 to below 1.
func (d *dice) unit() float64 { return float64(d.src.Uint64()>>11) / (1 << 53) }

// chance is true in p of all cases.
func (d *dice) chance(p float64) bool { return d.unit() < p }

// pick is one of a list.
func pick[T any](d *dice, list []T) T { return list[d.below(len(list))] }

// shuffled is 0 to n-1 in a random order.
func (d *dice) shuffled(n int) []int {
	out := make([]int, n)
	for i := range out {
		j := d.below(i + 1)
		out[i], out[j] = out[j], i
	}
	return out
}

// deck is n numbers from 0 to below 1, spread evenly and in random order: a small
// cohort then has the proportions that were asked for, not only nearly.
func (d *dice) deck(n int) []float64 {
	out := make([]float64, n)
	for i, rank := range d.shuffled(n) {
		out[i] = (float64(rank) + d.unit()) / float64(n)
	}
	return out
}
