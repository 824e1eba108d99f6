package intake

import (
	"slices"
	"strings"

	"perennial/internal/chart"
)

// findOnlyBase finds the one server that all absolute references to patients
// name, where the input shows no other.
func (gs *Groups) findOnlyBase() {
	only := ""
	for base := range gs.g.bases {
		if only != "" && only != base {
			return
		}
		only = base
	}
	for i := range gs.g.records {
		base, local, ok := SplitAddress(gs.g.records[i].key)
		if !ok || !strings.HasPrefix(local, "Patient/") {
			continue
		}
		if only != "" && only != base {
			return
		}
		only = base
	}
	gs.onlyBase = only
}

// own says whether an address is the base of the server that the resources come
// from: as the caller says, as Bundles show, or as the only one in the input.
func (gs *Groups) own(base string) bool {
	return gs.g.Own != nil && gs.g.Own(base) || gs.g.bases[base] || base == gs.onlyBase && base != ""
}

// resolve finds the record that each key means. A key that is the id of a
// record means that record, even where no Patient resource was sent.
func (gs *Groups) resolve() {
	slices.Sort(gs.g.identifiers)
	for i := 0; i < len(gs.g.records); i++ { // more may be made on the way
		gs.owner = append(gs.owner, gs.target(gs.g.records[i].key))
	}
	for len(gs.owner) < len(gs.g.records) {
		gs.owner = append(gs.owner, int32(len(gs.owner)))
	}
}

// target is the record that a key means; noRecord where that cannot be told.
func (gs *Groups) target(key string) int32 {
	rec, known := gs.g.keys[key]
	if known && (gs.g.records[rec].flags&flagPerson != 0 || !provisional(key)) {
		return rec
	}
	if at, ok := gs.g.entries[key]; ok {
		return at
	}
	switch {
	case !provisional(key):
		return gs.g.record(key)
	case key[0] == markLogical:
		return gs.byIdentifier(key[1:])
	case key[0] == markBare:
		if rec, ok := gs.g.keys[key[1:]]; ok && gs.g.records[rec].flags&flagPerson != 0 {
			return rec
		}
		return noRecord
	}
	if base, local, ok := SplitAddress(key); ok && gs.own(base) {
		if id, ok := strings.CutPrefix(local, "Patient/"); ok {
			return gs.g.record(id)
		}
	}
	return noRecord
}

// why says why whose a key is cannot be told.
func (gs *Groups) why(key string) string {
	switch {
	case key[0] == markLogical:
		return "its patient is named by an identifier that no patient has, or that several have"
	case key[0] == markContained:
		return "its patient is inside the resource itself, not a record"
	case key[0] == markBare:
		return "its patient is not named by a reference"
	case strings.HasPrefix(key, "urn:"):
		return "its patient is named by the address of a Bundle entry that is not there, or is there twice"
	}
	return "its patient is on another server (more than one server is named; say which is the source's own)"
}

// byIdentifier is the one record whose Patient has the identifier.
func (gs *Groups) byIdentifier(key string) int32 {
	found := int32(noRecord)
	var rd reader
	for _, rec := range marked(gs.g.identifiers, key) {
		has := false
		if p := gs.person(&rd, rec); p != nil {
			has = slices.Contains(p.Identifiers, key)
		}
		if has && found != noRecord && found != rec {
			return noRecord
		}
		if has {
			found = rec
		}
	}
	return found
}

// marked gives the records that may have a text, each once, from sorted marks.
func marked(marks []uint64, text string) []int32 {
	from := mark(text, 0)
	i, _ := slices.BinarySearch(marks, from)
	var out []int32
	for ; i < len(marks) && marks[i]>>recordBits == from>>recordBits; i++ {
		if rec := int32(marks[i] & (1<<recordBits - 1)); len(out) == 0 || out[len(out)-1] != rec {
			out = append(out, rec)
		}
	}
	return out
}

// person is the newest version of a record's Patient.
func (gs *Groups) person(rd *reader, rec int32) *chart.Person {
	var best *chart.Statement
	gs.g.each(rd, rec, func(st *stored) {
		if s := st.s; s.Person != nil && gs.g.known(&s) && (best == nil || newer(&s, best)) {
			best = &s
		}
	})
	if best == nil {
		return nil
	}
	return best.Person
}

// survivors follows the links between records. Every record belongs to one that
// nothing replaces; in a circle, to the one with the smallest id. A record that
// two others replace goes to the one with the smaller id, and that is asked
// about.
func (gs *Groups) survivors() {
	next := gs.links()
	roots := map[int32]int32{}
	for rec := range next {
		ends := gs.ends(next, rec)
		roots[rec] = ends[0]
		if len(ends) > 1 {
			id := gs.g.records[rec].key
			gs.doubts[ends[0]] = append(gs.doubts[ends[0]], chart.Doubt{Kind: "identity", About: "Patient/" + id,
				Text: "Two patient records are said to replace this one. Whose is it?"})
		}
	}
	for i, to := range gs.owner {
		if to == noRecord {
			continue
		}
		if root, ok := roots[to]; ok {
			gs.owner[i] = root
		}
	}
	// A key that means a record follows it.
	for i, to := range gs.owner {
		if to != noRecord && gs.owner[to] != to {
			gs.owner[i] = gs.owner[to]
		}
	}
}

// links gives for each replaced record those that replace it.
func (gs *Groups) links() map[int32][]int32 {
	next := map[int32][]int32{}
	add := func(from, to int32) {
		if from != noRecord && to != noRecord && from != to && !slices.Contains(next[from], to) {
			next[from] = append(next[from], to)
		}
	}
	var rd reader
	for _, rec := range gs.g.linked {
		p := gs.person(&rd, rec)
		if p == nil {
			continue
		}
		for _, key := range p.ReplacedBy {
			add(rec, gs.linkTarget(key))
		}
		for _, key := range p.Replaces {
			add(gs.linkTarget(key), rec)
		}
	}
	return next
}

// linkTarget is the record that a link names; it is made where no resource
// mentions it.
func (gs *Groups) linkTarget(key string) int32 {
	rec := gs.target(key)
	for len(gs.owner) < len(gs.g.records) {
		gs.owner = append(gs.owner, int32(len(gs.owner)))
	}
	return rec
}

// ends are the records at the end of the links from one: of each end, a record
// that nothing replaces or the smallest id of a circle; by id.
func (gs *Groups) ends(next map[int32][]int32, from int32) []int32 {
	var ends []int32
	for _, rec := range reachable(next, from) {
		circle := reachable(next, rec)
		last := !slices.ContainsFunc(circle, func(c int32) bool { return !slices.Contains(reachable(next, c), rec) })
		smallest := !slices.ContainsFunc(circle, func(c int32) bool { return gs.g.records[c].key < gs.g.records[rec].key })
		if last && smallest {
			ends = append(ends, rec)
		}
	}
	slices.SortFunc(ends, func(a, b int32) int { return strings.Compare(gs.g.records[a].key, gs.g.records[b].key) })
	return ends
}

// reachable are all records that the links lead to, the first among them.
func reachable(next map[int32][]int32, from int32) []int32 {
	seen := []int32{from}
	for i := 0; i < len(seen); i++ {
		for _, to := range next[seen[i]] {
			if !slices.Contains(seen, to) {
				seen = append(seen, to)
			}
		}
	}
	return seen
}
