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
			m.split(old, then)
		}
	}
	for _, r := range m.renamed {
		if err := s.rename(r); err != nil {
			return nil, err
		}
	}
	return then, nil
}

// moves finds new names.
type moves struct {
	next     map[string]*person
	survivor func(string) string
	renamed  []renaming
}

// renaming is a work item whose key changes.
type renaming struct{ from, to, patient string }

// split gives the implants and the work of one earlier plan to the patients that
// they belong to now.
func (m *moves) split(old *surveil.Plan, then map[string]*surveil.Plan) {
	home := m.survivor(old.Patient)
	base := planOf(then, home)
	if base.Surveillance == "" || home == old.Patient {
		keep := *base
		*base = *old
		base.Patient, base.Implants, base.Work, base.Questions = home, keep.Implants, keep.Work, nil
	}
	names := map[string]string{}
	owners := map[string]string{}
	for i := range old.Implants {
		was := &old.Implants[i]
		to, id := m.home(home, was)
		names[was.ID], owners[was.ID] = id, to
		p := planOf(then, to)
		p.Implants = append(p.Implants, renameImplant(was, id))
	}
	for i := range old.Work {
		w := old.Work[i]
		to := home
		if owner, ok := owners[w.Implant]; ok {
			to = owner
		}
		id, ok := names[w.Implant]
		if !ok {
			id = w.Implant
		}
		was := w.Key
		renameWork(&w, old.Patient, to, id)
		if w.Key != was {
			m.renamed = append(m.renamed, renaming{was, w.Key, to})
		}
		p := planOf(then, to)
		p.Work = append(p.Work, w)
	}
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

// renameWork gives a work item the names of its patient and implant.
func renameWork(w *surveil.Work, from, to, implant string) {
	rest := strings.TrimPrefix(w.Key, from+"|")
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

// rename gives a work item its new key. Where another item has it, the one that
// moves is closed later, as the same as that one.
func (s *settling) rename(r renaming) error {
	before, found, err := store.FindItem(s.w.Tx, r.from)
	if err != nil || !found {
		return err
	}
	_, taken, err := store.FindItem(s.w.Tx, r.to)
	if err != nil {
		return err
	}
	it := before
	it.Patient = r.patient
	if taken {
		return s.closeDouble(before, it)
	}
	it.Now, it.Work.Key = r.to, r.to
	return s.w.PutItem(&before, &it, store.Event{What: "moved", Reason: r.from})
}
