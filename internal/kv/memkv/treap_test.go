package memkv

import (
	"math"
	"testing"

	"perennial/internal/kv"
)

// depth is the number of nodes on the longest way down.
func (n *node) depth() int {
	if n == nil {
		return 0
	}
	return 1 + max(n.left.depth(), n.right.depth())
}

// TestTreapStaysFlat puts keys in the worst order for a tree that does not balance.
// Random trees of n keys are about 4.3 ln n deep at most (Devroye 1986, "A note on the
// height of binary search trees"; from memory), here 40.
func TestTreapStaysFlat(t *testing.T) {
	t.Parallel()
	var root *node
	const n = 10_000
	for i := range uint64(n) {
		root = root.put(newNode(kv.Key("row", i), nil))
	}
	if got, limit := root.depth(), int(6*math.Log(n)); got > limit {
		t.Errorf("%d keys lie %d deep, want at most %d", n, got, limit)
	}
}
