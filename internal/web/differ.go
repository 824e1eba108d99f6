package web

import (
	"strings"

	"perennial/internal/protocol"
)

// differView is a question on which sources differ, from where a protocol stands.
type differView struct {
	About  string
	Here   *protocol.Side // nil: the protocol stands on none of its sides
	Others []protocol.Side
}

// differOf are the questions about a class, for one who is followed by a protocol
// ("id@version").
func differOf(all protocol.Conflicts, class, ref string) []differView {
	id, _, _ := strings.Cut(ref, "@")
	var list []differView
	for _, c := range all.For(class) {
		list = append(list, differView{c.About, c.Own(id), c.Others(id)})
	}
	return list
}
