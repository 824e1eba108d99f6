package clinic

import (
	"slices"
	"strings"

	"perennial/internal/store"
	"perennial/internal/surveil"
)

// moveWork renames what the plans before say to the names that patients and
// implants have now, and lets work items follow: an item keeps its identity when
// a record is merged into another or set free again, and when an implant gets
// the id of an earlier billing line. It gives the plans before, so renamed, by
// patient.
func (s *settling) moveWork() (map[string]*surveil.Plan, error) {
	m := &moves{next: s.next, survivor: s.survivor}
	then := map[string]*surveil.Plan{}
	for _, key := range s.keys {
		if old := s.before[key]; old != nil {
			if err := s.plan(m.split(old, then)); err != nil {
				return nil, err
			}
		}
	}
	for _, key := range s.moving {
		if err := s.move(key); err != nil {
			return nil, err
		}
	}
	return then, nil
}

// moves finds new names.
type moves struct {
	next     map[string]*person
	survivor func(string) string
}

// names are what a patient of an earlier plan, and the implants, are called now.
type names struct {
	was, home string            // the patient
	implants  map[string]string // ids now
	owners    map[string]string // patients who have the implants now
}

// differ says whether anything is called otherwise.
func (n *names) differ() bool {
	for was, id := range n.implants {
		if was != id || n.owners[was] != n.was {
			return true
		}
	}
	return n.was != n.home
}

// follow lets what is about the patient follow the implants, where all of them
// are somebody else's now.
func (n *names) follow() {
	to := ""
	for _, owner := range n.owners {
		if owner == n.home || to != "" && to != owner {
			return
		}
		to = owner
	}
	if to != "" {
		n.home = to
	}
}

// work gives a work item its names of now, and says whose it is.
func (n *names) work(w *surveil.Work) (patient string) {
	patient = n.home
	id := w.Implant
	if owner, ok := n.owners[id]; ok {
		patient, id = owner, n.implants[id]
	}
	renameWork(w, n.was, patient, id)
	return patient
}

// split gives the implants and the work of one earlier plan to the patients that
// they belong to now.
func (m *moves) split(old *surveil.Plan, then map[string]*surveil.Plan) *names {
	home := m.survivor(old.Patient)
	n := &names{was: old.Patient, home: home, implants: map[string]string{}, owners: map[string]string{}}
	for i := range old.Implants {
		was := &old.Implants[i]
		to, id := m.home(home, was)
		n.implants[was.ID], n.owners[was.ID] = id, to
		p := planOf(then, to)
		p.Implants = append(p.Implants, renameImplant(was, id))
	}
	n.follow()
	base := planOf(then, n.home)
	if base.Surveillance == "" || n.home == old.Patient {
		keep := *base
		*base = *old
		base.Patient, base.Implants, base.Work, base.Questions = n.home, keep.Implants, keep.Work, nil
	}
	for i := range old.Work {
		w := old.Work[i]
		p := planOf(then, n.work(&w))
		p.Work = append(p.Work, w)
	}
	return n
}

func planOf(then map[string]*surveil.Plan, patient string) *surveil.Plan {
	p := then[patient]
	if p == nil {
		p = &surveil.Plan{Patient: patient}
		then[patient] = p
	}
	return p
}

// home is the patient who has an implant now, and its id now.
func (m *moves) home(first string, was *surveil.Implant) (patient, id string) {
	if p := m.next[first]; p != nil && hasImplant(&p.plan, was.ID) {
		return first, was.ID
	}
	for name, p := range m.next {
		if hasImplant(&p.plan, was.ID) {
			return name, was.ID
		}
	}
	if p := m.next[first]; p != nil {
		if id := renamedTo(&p.plan, was); id != "" {
			return first, id
		}
	}
	return first, was.ID
}

func hasImplant(p *surveil.Plan, id string) bool {
	return slices.ContainsFunc(p.Implants, func(m surveil.Implant) bool { return m.ID == id })
}

// renamedTo finds the implant that one has become: its operation is among those
// that made it, or it is the only one in the same place with an index date no
// more than a few days apart.
func renamedTo(p *surveil.Plan, was *surveil.Implant) string {
	for i := range p.Implants {
		for _, why := range p.Implants[i].Why {
			if slices.Contains(why.Facts, was.ID) {
				return p.Implants[i].ID
			}
		}
	}
	const near = 7 // days; operations of one implant lie at most 3 apart
	found := ""
	for i := range p.Implants {
		m := &p.Implants[i]
		if m.Zone == was.Zone && m.Side == was.Side && m.Index.Known() && was.Index.Known() && m.Index.Apart(was.Index) <= near {
			if found != "" {
				return ""
			}
			found = m.ID
		}
	}
	return found
}

func renameImplant(m *surveil.Implant, id string) surveil.Implant {
	out := *m
	out.ID, out.Visits = id, slices.Clone(m.Visits)
	for i := range out.Visits {
		out.Visits[i].Implant = id
	}
	return out
}

// renameWork gives a work item the names of its patient and implant. One that
// ended as the same as another has a key of somebody else, and keeps it: it is
// needed again by that.
func renameWork(w *surveil.Work, from, to, implant string) {
	rest, ours := strings.CutPrefix(w.Key, from+"|")
	if !ours {
		return
	}
	if w.Implant != "" && w.Implant != implant {
		if tail, ok := strings.CutPrefix(rest, w.Implant+"|"); ok {
			rest = implant + "|" + tail
		}
		if tail, ok := strings.CutPrefix(w.Visit, w.Implant+"/"); ok {
			w.Visit = implant + "/" + tail
		}
		w.Implant = implant
	}
	w.Key = to + "|" + rest
}

// plan notes which work items of a patient, open and closed, get other names.
func (s *settling) plan(n *names) error {
	if !n.differ() {
		return nil
	}
	items, err := store.ItemsOf(s.w.Tx, n.was)
	if err != nil {
		return err
	}
	for i := range items {
		w := items[i].Work
		w.Key = items[i].Now
		patient := n.work(&w)
		if items[i].Now != w.Key || items[i].Patient != patient || items[i].Work.Implant != w.Implant {
			s.moving = append(s.moving, items[i].Key)
			s.to[items[i].Key] = destination{patient, w}
		}
	}
	return nil
}

// destination is what a work item that moves becomes.
type destination struct {
	patient string
	work    surveil.Work
}

// move stores an item under its new key. Where another item has that key, and
// keeps it, this one ends as the same as that, which is open if one of the two
// was.
func (s *settling) move(key string) error {
	to := s.to[key]
	delete(s.to, key)
	before, found, err := store.ReadItem(s.w.Tx, key)
	if err != nil || !found {
		return err
	}
	it := before
	it.Patient, it.Work, it.Now = to.patient, to.work, to.work.Key
	other, taken, err := store.FindItem(s.w.Tx, it.Now)
	if err != nil {
		return err
	}
	if leaves, ok := s.to[other.Key]; taken && ok && leaves.work.Key != it.Now {
		taken = false
	}
	if !taken || other.Key == it.Key {
		return s.w.PutItem(&before, &it, store.Event{What: "moved", Reason: before.Now})
	}
	l := &ledger{w: s.w, plan: &surveil.Plan{Patient: it.Patient}, changes: &s.changes}
	if before.State == store.WorkOpen && other.State != store.WorkOpen {
		open := other
		open.Patient, open.Work, open.State, open.Reason, open.Evidence = it.Patient, it.Work, store.WorkOpen, "", nil
		s.changes.Reopened++
		if _, moves := s.to[other.Key]; moves {
			s.to[other.Key] = destination{it.Patient, it.Work}
		}
		if err := l.put(&other, &open, store.Event{What: "reopened"}); err != nil {
			return err
		}
	}
	return l.closeDouble(&before, &it)
}
