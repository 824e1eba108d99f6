package memkv

import (
	"bytes"
	"hash/fnv"
)

// node is the root of a treap: ordered by key from left to right, and by falling
// priority from the root down. A nil node is the empty treap. Nodes are never
// changed once they are linked.
type node struct {
	key, value  []byte
	priority    uint64
	left, right *node
}

// newNode makes a node of its own of copies of key and value.
func newNode(key, value []byte) *node {
	h := fnv.New64a()
	h.Write(key)
	// Similar keys have similar FNV sums; the multiplication and shift spread them.
	p := h.Sum64() * 0x9e3779b97f4a7c15
	return &node{key: bytes.Clone(key), value: append([]byte{}, value...), priority: p ^ p>>32}
}

// ceil returns the node with the least key >= key, nil if there is none.
func (n *node) ceil(key []byte) *node {
	var best *node
	for n != nil {
		switch c := bytes.Compare(n.key, key); {
		case c == 0:
			return n
		case c > 0:
			best, n = n, n.left
		default:
			n = n.right
		}
	}
	return best
}

// put returns the treap with the single node added, in place of one of the same key.
func (n *node) put(add *node) *node {
	if n == nil {
		return add
	}
	c := bytes.Compare(add.key, n.key)
	if c == 0 {
		add.left, add.right = n.left, n.right
		return add
	}
	if add.priority > n.priority {
		add.left, add.right = n.split(add.key)
		return add
	}
	m := *n
	if c < 0 {
		m.left = n.left.put(add)
	} else {
		m.right = n.right.put(add)
	}
	return &m
}

// split returns the treaps of the keys below and above key, which is not in it: put
// would have met a node at key first, for its priority is the same.
func (n *node) split(key []byte) (below, above *node) {
	if n == nil {
		return nil, nil
	}
	m := *n
	if bytes.Compare(n.key, key) < 0 {
		m.right, above = n.right.split(key)
		return &m, above
	}
	below, m.left = n.left.split(key)
	return below, &m
}

// without returns the treap without key; n itself if key is not in it.
func (n *node) without(key []byte) *node {
	if n == nil {
		return nil
	}
	m := *n
	switch c := bytes.Compare(key, n.key); {
	case c == 0:
		return join(n.left, n.right)
	case c < 0:
		m.left = n.left.without(key)
	default:
		m.right = n.right.without(key)
	}
	if m.left == n.left && m.right == n.right {
		return n
	}
	return &m
}

// join makes one treap of two, all keys of a being below those of b.
func join(a, b *node) *node {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	case a.priority > b.priority:
		m := *a
		m.right = join(a.right, b)
		return &m
	}
	m := *b
	m.left = join(a, b.left)
	return &m
}
