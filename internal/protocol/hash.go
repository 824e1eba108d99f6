package protocol

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/yamldoc"
)

// hashOf is the SHA-256, in hex, of what a document says: its canonical form
// has the keys of each map in byte order, lists in their order, and every
// value as quoted text. Comments, layout, the order of keys and the style of
// quotes do not matter; every word that is read does.
func hashOf(n *yamldoc.Node) string {
	var b strings.Builder
	canonical(&b, n)
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:])
}

func canonical(b *strings.Builder, n *yamldoc.Node) {
	switch n.Kind {
	case yamldoc.Scalar:
		b.WriteString(strconv.Quote(n.Value))
	case yamldoc.List:
		b.WriteByte('[')
		for _, item := range n.Items {
			canonical(b, item)
			b.WriteByte(',')
		}
		b.WriteByte(']')
	case yamldoc.Map:
		fields := slices.Clone(n.Fields)
		slices.SortFunc(fields, func(x, y yamldoc.Field) int { return strings.Compare(x.Key, y.Key) })
		b.WriteByte('{')
		for _, f := range fields {
			b.WriteString(strconv.Quote(f.Key))
			b.WriteByte(':')
			canonical(b, f.Value)
			b.WriteByte(',')
		}
		b.WriteByte('}')
	default:
		b.WriteByte('~')
	}
}

// sorted are the keys of a map in byte order.
func sorted[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
