package clinic

import (
	"slices"
	"strings"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// recalled is what a recall tells of one patient.
type recalled struct {
	id   string // of the surviving record
	plan surveil.Plan
	line store.Line
	dead bool
	died day.Span
}

// person finds the patient of a key: from the stored plan, or, where there is
// none or it has ended, by looking again.
func (rc *recalling) person(r kv.Reader, key string) (*recalled, error) {
	if p, ok := rc.people[key]; ok {
		return p, nil
	}
	p := &recalled{id: key}
	plan, err := store.ReadPlan(r, key)
	if err != nil {
		return nil, err
	}
	if plan != nil {
		p.plan = *plan
		if p.line, _, err = store.ReadLine(r, key); err != nil {
			return nil, err
		}
	}
	if plan == nil || plan.Surveillance == surveil.StateEnded || plan.Surveillance == surveil.StateUnresolved {
		if err := rc.lookAgain(r, key, p); err != nil {
			return nil, err
		}
	}
	rc.people[key] = p
	return p, nil
}

// lookAgain finds a patient without a plan, and whether somebody has died.
func (rc *recalling) lookAgain(r kv.Reader, key string, p *recalled) error {
	if key == nobody {
		return nil
	}
	rd, err := rc.c.look(r, []string{key}, rc.c.Today())
	if err != nil {
		return err
	}
	v, err := rd.show(rd.survivor(key))
	if err != nil {
		return err
	}
	p.id, p.plan, p.line, p.dead, p.died = v.Patient, v.Plan, v.Line, v.Chart.Dead.Known, v.Chart.Dead.On
	if p.line.Patient == "" {
		p.line = store.LineOf(&v.Plan, v.Chart)
	}
	return nil
}

// row makes the row of a device and a patient.
func (rc *recalling) row(r kv.Reader, key string, cd *candidate, f *found) error {
	p, err := rc.person(r, key)
	if err != nil {
		return err
	}
	row := RecallRow{Patient: p.id, Line: p.line, Label: *f.label, Found: f.how, State: p.plan.Surveillance, Ended: p.plan.Ended, EndedOn: p.plan.EndedOn,
		Dead: p.dead || p.plan.Ended == surveil.EndDied, DeadOn: p.died, FollowUp: p.plan.FollowUp}
	v := &cd.versions[f.version]
	row.Sure = f.sure && f.version == 0 && !v.Unread && !v.Back && v.Of == key
	row.Remarks = cd.remarks(f, key)
	if p.id != key {
		row.Remarks = append(row.Remarks, "the record "+key+" was merged into "+p.id)
	}
	row.tell(p, cd)
	rc.merge(row)
	return nil
}

// merge adds a row; the same device of the same patient stands once.
func (rc *recalling) merge(row RecallRow) {
	key := row.Patient + "|" + row.Label.Ref
	at, there := rc.at[key]
	if !there {
		rc.at[key] = len(rc.rows)
		rc.rows = append(rc.rows, row)
		return
	}
	old := &rc.rows[at]
	old.Sure = old.Sure || row.Sure
	for _, text := range row.Remarks {
		old.Remarks = appendNew(old.Remarks, text)
	}
}

// tell adds the implant, the next visit and what a person must know.
func (row *RecallRow) tell(p *recalled, cd *candidate) {
	m := implantWith(&p.plan, row.Label.Ref, cd)
	switch {
	case row.Dead && row.DeadOn.Known():
		row.remark("died " + row.DeadOn.Text())
	case row.Dead && row.EndedOn > 0:
		row.remark("died " + row.EndedOn.Text())
	case row.Dead:
		row.remark("died, the day is not known")
	case row.Ended != "":
		row.remark("surveillance ended: " + string(row.Ended))
	case row.State == surveil.StateUnresolved:
		row.remark("surveillance is unresolved: a question must be answered first")
	case strings.HasPrefix(p.id, "=") || strings.HasPrefix(p.id, "?") || p.id == nobody:
		row.remark("no patient record: whose it is cannot be told")
	case len(p.line.Identifiers) == 0 && p.line.Name == "":
		row.remark("no Patient resource of this id is there")
	}
	if m == nil {
		row.remark("tied to no implant on record")
		row.Next = nextOf(p.plan.Implants)
		return
	}
	row.Implant, row.Class, row.Index = m.ID, m.Class, m.Index
	switch {
	case !m.Index.Known():
		row.remark("the day of the operation is not known")
	case row.expired():
		row.remark("had expired when it was implanted")
	}
	if m.Ended != "" && !row.Dead {
		row.remark("implant ended: " + string(m.Ended) + on(m.EndedOn))
	}
	row.Next = nextOf([]surveil.Implant{*m})
	if row.Next == nil {
		row.Next = nextOf(p.plan.Implants)
	}
}

func (row *RecallRow) remark(text string) { row.Remarks = appendNew(row.Remarks, text) }

// expired says whether the device had expired on every day on which it may have
// been implanted.
func (row *RecallRow) expired() bool {
	text := row.Label.Expiry
	until, err := day.ParseDate(text[:min(len(text), 10)])
	return err == nil && until.Known() && until.Last < row.Index.First
}

func on(d day.Day) string {
	if d == 0 {
		return ""
	}
	return " " + d.Text()
}

// implantWith finds the implant that a device belongs to; nil where it is tied
// to none.
func implantWith(p *surveil.Plan, ref string, cd *candidate) *surveil.Implant {
	for i := range p.Implants {
		m := &p.Implants[i]
		for j := range m.Devices {
			if m.Devices[j].Ref == ref {
				return m
			}
		}
	}
	for i := range p.Implants {
		m := &p.Implants[i]
		named := func(u store.Labelled) bool {
			return u.Ref == m.ID || slices.ContainsFunc(m.Why, func(why surveil.Reason) bool { return slices.Contains(why.Facts, u.Ref) })
		}
		if m.ID == ref || slices.ContainsFunc(cd.users, named) || slices.ContainsFunc(cd.versions, named) {
			return m
		}
	}
	return nil
}

// nextOf is the earliest visit that is owed or comes next.
func nextOf(list []surveil.Implant) *surveil.Visit {
	var next *surveil.Visit
	for i := range list {
		m := &list[i]
		if m.Ended != "" || m.Next < 0 || m.Next >= len(m.Visits) {
			continue
		}
		if v := &m.Visits[m.Next]; next == nil || v.Target.First < next.Target.First {
			next = v
		}
	}
	return next
}
