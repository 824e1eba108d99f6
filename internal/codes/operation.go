package codes

// mergeOperation joins two readings of one operation: what may be an implant is
// not lost, and what would end one does not. false: they contradict each other.
func mergeOperation(a, b Operation) (Operation, bool) {
	if roleOrder(b.Role) < roleOrder(a.Role) {
		a, b = b, a
	}
	agree := a.Role == b.Role || roleOrder(b.Role) >= orderNothing
	switch {
	case a.Role == RoleExplant && b.Role == RoleImplant && a.Class != b.Class:
		a, b, agree = b, a, false
	case a.Role == RoleExplant && b.Role == RoleImplant:
		agree = true // open conversion, said twice
	case a.Role == b.Role && a.Class != b.Class:
		a, b, agree = nearerClass(a, b)
	}
	out := a
	if out.Zone == "" {
		out.Zone = b.Zone
	}
	switch {
	case out.Side == "":
		out.Side = b.Side
	case b.Side != "" && b.Side != out.Side:
		out.Side, agree = "", false
	}
	if !agree && out.Ask == "" {
		out.Ask = "the codes of the operation contradict each other: what was done?"
	}
	return out, agree
}

// orderNothing is the first place of roles that mean nothing for the schedule
// and so contradict nothing.
const orderNothing = 5

// roleOrder is the order in which roles are preferred between codings of one
// concept.
func roleOrder(r Role) int {
	switch r {
	case RoleExplant:
		return 0
	case RoleImplant:
		return 1
	case RoleRelining:
		return 2
	case RoleHistory:
		return 3
	case RoleOcclusion:
		return 4
	}
	return orderNothing
}

// nearerClass puts the reading first whose class is to be kept: a known class
// before an unknown one, the special before the plain stent graft (its schedule
// is the closer one); else the first, which is a contradiction.
func nearerClass(a, b Operation) (first, second Operation, agree bool) {
	special := func(c Class) bool { return c == Fenestrated || c == ArchBranch }
	plain := func(c Class) bool { return c == EVAR || c == TEVAR }
	switch {
	case a.Class == ClassUnknown || a.Class == "", plain(a.Class) && special(b.Class):
		return b, a, true
	case b.Class == ClassUnknown || b.Class == "", special(a.Class) && plain(b.Class):
		return a, b, true
	}
	return a, b, false
}
