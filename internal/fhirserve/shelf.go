package fhirserve

import (
	"cmp"
	"slices"
	"strings"
	"sync"

	"perennial/internal/clinic"
	"perennial/internal/export"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
	"perennial/internal/store"
)

// shelf keeps the index.
type shelf struct {
	o    *Options
	mu   sync.Mutex
	have *index // the newest; nil at first
}

// index is what a snapshot holds. It is never changed once it is made.
type index struct {
	commits int64
	basis   string // of the protocols
	plans   map[string]shelved
	items   map[string]shelved
	lines   map[string]lined
	types   map[string][]*entry // by id
	bodies  map[string][]byte   // of protocols, by type and id
	alias   map[string]string   // surviving record of one that was merged into it
	gone    map[string]bool     // type and id of what was there since the program began
}

// shelved is what one stored plan or item gives.
type shelved struct {
	stamp   store.Stamp
	patient string
	at      int64
	entries []*entry
}

// lined is what the line of a patient tells.
type lined struct {
	stamp  store.Stamp
	id     string
	others []string
}

// at gives the index of a snapshot.
func (s *shelf) at(snap clinic.Snapshot) (*index, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	known := s.o.Clinic.Known()
	basis := basisOf(known)
	if h := s.have; h != nil && h.commits == snap.Commits && h.basis == basis {
		return h, nil
	}
	next := &index{commits: snap.Commits, basis: basis}
	if err := next.fill(s.o, snap, s.have, known); err != nil {
		return nil, err
	}
	if s.have == nil || next.commits >= s.have.commits {
		s.have = next
	}
	return next, nil
}

func basisOf(known []*protocol.Protocol) string {
	var b strings.Builder
	for _, p := range known {
		b.WriteString(p.Ref() + " " + p.Hash + "\n")
	}
	return b.String()
}

// fill reads what the index before does not know, which may be nil.
func (x *index) fill(o *Options, snap clinic.Snapshot, before *index, known []*protocol.Protocol) error {
	if before == nil {
		before = &index{}
	}
	if err := x.readPlans(o, snap, before); err != nil {
		return err
	}
	if err := x.readItems(o, snap, before); err != nil {
		return err
	}
	if err := x.readLines(snap, before); err != nil {
		return err
	}
	x.types = map[string][]*entry{}
	if err := x.define(known, snap.Adopted.UnixMilli()); err != nil {
		return err
	}
	x.assemble()
	x.remember(before)
	return nil
}

func (s shelved) since() store.Stamp { return s.stamp }
func (l lined) since() store.Stamp   { return l.stamp }

// fresh says what is to be read: what has not changed is taken over from the index before. It notes the stamp of what is
// read.
func fresh[T interface{ since() store.Stamp }](now, before map[string]T, stamp *store.Stamp) func(string, store.Stamp) bool {
	return func(key string, s store.Stamp) bool {
		if old, ok := before[key]; ok && old.since() == s {
			now[key] = old
			return false
		}
		*stamp = s
		return true
	}
}

// readPlans lists what plans give.
func (x *index) readPlans(o *Options, snap clinic.Snapshot, before *index) error {
	x.plans = make(map[string]shelved, len(before.plans))
	var stamp store.Stamp
	wanted := fresh(x.plans, before.plans, &stamp)
	list := export.Options{Site: o.Clinic.Site(), Served: true, Listed: true}
	return store.EachPlan(snap.Reader(), wanted, func(key string, p store.KeptPlan) error {
		all, err := export.Plan(&list, p.Plan)
		if err != nil {
			return err
		}
		one := shelved{stamp: stamp, patient: p.Patient, at: p.Changed.UnixMilli()}
		one.entries = planEntries(all, p.Patient, one.at)
		x.plans[key] = one
		return nil
	})
}

// planEntries are the entries of one plan.
func planEntries(all []export.Resource, patient string, at int64) []*entry {
	list := make([]*entry, len(all))
	for i, r := range all {
		list[i] = &entry{typ: r.Type, id: r.ID, status: r.Status, target: r.Target, patient: patient, at: at}
	}
	return list
}

// readItems lists the Tasks.
func (x *index) readItems(o *Options, snap clinic.Snapshot, before *index) error {
	x.items = make(map[string]shelved, len(before.items))
	var stamp store.Stamp
	wanted := fresh(x.items, before.items, &stamp)
	return store.EachItem(snap.Reader(), wanted, func(key string, it store.Item) error {
		x.items[key] = shelved{stamp, it.Patient, it.Changed, []*entry{itemEntry(o.Clinic.Site(), &it, 0)}}
		return nil
	})
}

// itemEntry is the entry of a Task. What the plan says (who is to do it) is in it,
// too: its time is that of the later change.
func itemEntry(site string, it *store.Item, plan int64) *entry {
	t := clinic.TaskOf(it, nil)
	return &entry{typ: task, id: fhir.Token(site, it.Key), status: t.Status, patient: it.Patient, key: it.Key, at: max(it.Changed, plan)}
}

// readLines finds the records that were merged.
func (x *index) readLines(snap clinic.Snapshot, before *index) error {
	x.lines, x.alias = make(map[string]lined, len(before.lines)), map[string]string{}
	var stamp store.Stamp
	wanted := fresh(x.lines, before.lines, &stamp)
	err := store.EachLine(snap.Reader(), wanted, func(key string, l store.Line) error {
		x.lines[key] = lined{stamp, l.Patient, l.Others}
		return nil
	})
	for _, l := range x.lines {
		for _, other := range l.others {
			x.alias[other] = l.id
		}
	}
	return err
}

// define writes the protocols.
func (x *index) define(known []*protocol.Protocol, at int64) error {
	x.bodies = map[string][]byte{}
	for _, p := range known {
		all, err := export.Protocol(p)
		if err != nil {
			return err
		}
		for _, r := range all {
			e := &entry{typ: r.Type, id: r.ID, status: r.Status, key: p.Hash, url: r.URL, version: p.Version, at: at}
			x.types[r.Type] = append(x.types[r.Type], e)
			x.bodies[r.Type+"/"+r.ID] = r.Body
		}
	}
	return nil
}

// assemble orders all entries.
func (x *index) assemble() {
	changed := make(map[string]int64, len(x.plans))
	for _, p := range x.plans {
		changed[p.patient] = p.at
		for _, e := range p.entries {
			x.types[e.typ] = append(x.types[e.typ], e)
		}
	}
	for _, it := range x.items {
		e := it.entries[0]
		if at := changed[it.patient]; at > e.at {
			later := *e
			later.at, e = at, &later
		}
		x.types[task] = append(x.types[task], e)
	}
	for _, list := range x.types {
		slices.SortFunc(list, func(a, b *entry) int { return cmp.Compare(a.id, b.id) })
	}
}

// remember notes what is there no more.
func (x *index) remember(before *index) {
	x.gone = map[string]bool{}
	for ref := range before.gone {
		typ, id, _ := strings.Cut(ref, "/")
		if x.find(typ, id) == nil {
			x.gone[ref] = true
		}
	}
	for typ, list := range before.types {
		for _, e := range list {
			if x.find(typ, e.id) == nil {
				x.gone[typ+"/"+e.id] = true
			}
		}
	}
}

// find finds a resource; nil where it is not there.
func (x *index) find(typ, id string) *entry {
	list := x.types[typ]
	at, ok := slices.BinarySearchFunc(list, id, func(e *entry, id string) int { return cmp.Compare(e.id, id) })
	if !ok {
		return nil
	}
	return list[at]
}
