package intake

import (
	"slices"
	"strings"

	"perennial/internal/chart"
)

// sortMarks sorts marks: by part of their hash into many small heaps, which are
// then sorted one by one.
func sortMarks(marks []uint64) {
	const heapBits = 12
	if len(marks) < 1<<heapBits {
		slices.Sort(marks)
		return
	}
	var ends [1 << heapBits]int
	for _, m := range marks {
		ends[m>>(64-heapBits)]++
	}
	from := 0
	for i, n := range ends {
		ends[i], from = from, from+n
	}
	sorted := make([]uint64, len(marks))
	for _, m := range marks {
		h := m >> (64 - heapBits)
		sorted[ends[h]] = m
		ends[h]++
	}
	copy(marks, sorted)
	from = 0
	for _, end := range ends {
		slices.Sort(marks[from:end])
		from = end
	}
}

// candidates calls for each run of marks that share a hash and belong to more
// than one surviving record, with those records.
func (gs *Groups) candidates(marks []uint64, visit func(roots []int32)) {
	sortMarks(marks)
	byRef, has := gs.g.keys[string(markByRef)]
	for i := 0; i < len(marks); {
		j := i + 1
		for j < len(marks) && marks[j]>>recordBits == marks[i]>>recordBits {
			j++
		}
		if j > i+1 {
			var roots []int32
			for _, m := range marks[i:j] {
				rec := int32(m & (1<<recordBits - 1))
				root := gs.owner[rec]
				if root == noRecord && has && rec == byRef {
					root = rec
				}
				if root != noRecord && !slices.Contains(roots, root) {
					roots = append(roots, root)
				}
			}
			if len(roots) > 1 {
				visit(roots)
			}
		}
		i = j
	}
}

// claim is what one surviving record has of one resource.
type claim struct {
	root   int32
	count  int
	newest chart.Statement
	places []uint64
}

// claims reads who has which resource.
func (gs *Groups) claims(roots []int32) map[string][]claim {
	all := map[string][]claim{}
	for _, root := range roots {
		gs.eachOf(&reader{}, root, func(st *stored) {
			if !gs.g.known(&st.s) {
				return
			}
			list := all[st.s.Ref]
			if n := len(list); n == 0 || list[n-1].root != root {
				list = append(list, claim{root: root, newest: st.s})
			}
			c := &list[len(list)-1]
			if c.count++; newer(&st.s, &c.newest) {
				c.newest = st.s
			}
			c.places = append(c.places, st.place)
			all[st.s.Ref] = list
		})
	}
	return all
}

// findMoved finds resources of which two versions are about two patients: the
// newer counts, and what the older said of the other patient is superseded. A
// version that does not say whose it is belongs to whoever has the others.
func (gs *Groups) findMoved() {
	byRef, ok := gs.g.keys[string(markByRef)]
	if !ok {
		byRef = noRecord
	}
	gs.candidates(gs.g.refs, func(roots []int32) {
		for ref, list := range gs.claims(roots) {
			if len(list) > 1 {
				gs.moveTo(ref, list, byRef)
			}
		}
	})
}

// moveTo settles one resource.
func (gs *Groups) moveTo(ref string, list []claim, byRef int32) {
	best := -1
	for i := range list {
		if list[i].root != byRef && list[i].newest.Unreadable == "" && (best < 0 || newer(&list[i].newest, &list[best].newest)) {
			best = i
		}
	}
	if best < 0 {
		return
	}
	to := list[best].root
	for i := range list {
		c := &list[i]
		switch {
		case c.root == to:
		case c.root == byRef:
			for _, place := range c.places {
				if !slices.Contains(gs.borrowed[to], place) {
					gs.borrowed[to] = append(gs.borrowed[to], place)
				}
			}
		case c.newest.Unreadable == "" && !gs.moved[c.root][ref]:
			gs.moved[c.root] = with(gs.moved[c.root], strings.Clone(ref), true)
			gs.Moved += c.count
			if o := c.newest.Operation; o != nil && o.Role != chart.RoleOther {
				gs.doubts[c.root] = append(gs.doubts[c.root], chart.Doubt{Kind: "identity", About: ref, On: o.On,
					Text: "A newer version of this operation is about another patient. Whose is it?"})
			}
		}
	}
}

// inForce gives the newest readable version of each resource of a surviving
// record.
func (gs *Groups) inForce(root int32) map[string]chart.Statement {
	best := map[string]chart.Statement{}
	gs.eachOf(&reader{}, root, func(st *stored) {
		s := st.s
		if s.Unreadable != "" || !gs.g.known(&s) || gs.moved[root][s.Ref] {
			return
		}
		if have, ok := best[s.Ref]; !ok || newer(&s, &have) {
			best[s.Ref] = s
		}
	})
	return best
}

// studies gives the studies in force of a surviving record, by reference.
func (gs *Groups) studies(root int32) []*chart.Study {
	var list []*chart.Study
	for _, s := range gs.inForce(root) {
		if s.Study != nil && !s.Retracted && s.Study.State == chart.StudyAvailable {
			list = append(list, s.Study)
		}
	}
	slices.SortFunc(list, func(a, b *chart.Study) int { return strings.Compare(a.Ref, b.Ref) })
	return list
}

// findSharedStudies asks about studies of one UID that two patients have.
func (gs *Groups) findSharedStudies() {
	gs.candidates(gs.g.uids, func(roots []int32) {
		owners := map[string]int32{}
		shared := map[string]bool{}
		for _, root := range roots {
			for _, s := range gs.studies(root) {
				if first, ok := owners[s.UID]; s.UID != "" && ok && first != root {
					shared[s.UID] = true
				} else {
					owners[s.UID] = root
				}
			}
		}
		for _, root := range roots {
			for _, s := range gs.studies(root) {
				if shared[s.UID] {
					gs.ask(root, chart.Doubt{Kind: "identity", About: s.Ref, On: s.On,
						Text: "The images of this study are on record for another patient too. Whose are they?"})
				}
			}
		}
	})
}

// ask raises a doubt once.
func (gs *Groups) ask(root int32, d chart.Doubt) {
	if !slices.Contains(gs.doubts[root], d) {
		gs.doubts[root] = append(gs.doubts[root], d)
	}
}

// findNameless asks about the studies of records without any identifier that
// have the name and the birth date of a patient with an implant: imaging that
// was booked under a second record.
func (gs *Groups) findNameless() {
	if len(gs.g.nameless) == 0 {
		return
	}
	slices.Sort(gs.g.names)
	for _, rec := range gs.g.nameless {
		root := gs.owner[rec]
		if root == noRecord || !gs.has(root, flagStudy) {
			continue
		}
		var rd reader
		p := gs.person(&rd, rec)
		if p == nil || len(p.Identifiers) > 0 || gs.identified(root) {
			continue
		}
		name := sameName(p)
		for _, other := range marked(gs.g.names, name) {
			gs.askNameless(root, gs.owner[other], other, name)
		}
	}
}

// identified says whether some record of a patient has an identifier.
func (gs *Groups) identified(root int32) bool {
	for _, s := range gs.inForce(root) {
		if s.Person != nil && len(s.Person.Identifiers) > 0 {
			return true
		}
	}
	return false
}

func (gs *Groups) askNameless(from, to, rec int32, name string) {
	if to == noRecord || to == from || !gs.has(to, flagImplant) {
		return
	}
	var rd reader
	if p := gs.person(&rd, rec); p == nil || sameName(p) != name {
		return
	}
	for _, s := range gs.studies(from) {
		gs.ask(to, chart.Doubt{Kind: "identity", About: s.Ref, On: s.On,
			Text: "This study is on a record without any identifier that has the same name and birth date. Is it of this patient?"})
	}
}
