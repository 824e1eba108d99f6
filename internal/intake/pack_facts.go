package intake

import (
	"perennial/internal/chart"
)

// What a statement holds is told by marks, so that the usual one takes little
// room.
const (
	hasRetracted = 1 << iota
	hasUnreadable
	hasPerson
	hasStudy
	hasOperation
	hasReport
	hasContact
	hasFindings
	hasOthers
)

// slab is room for the facts of one patient, used again for the next.
type slab struct {
	persons    []chart.Person
	operations []chart.Operation
	studies    []chart.Study
	reports    []chart.Report
	bookings   []chart.Booking
	contacts   []chart.Contact
	attempts   []chart.Attempt
	devices    []chart.Device
	histories  []chart.History
	conditions []chart.Condition
	labs       []chart.Lab
	enrolments []chart.Enrolment
	allergies  []chart.Allergy
	medicines  []chart.Medicine
	works      []chart.WorkState
	orders     []chart.Order
}

// statement writes or reads a whole statement but its key.
func (c *coder) statement(s *chart.Statement) {
	c.s = s
	marks := marksOf(s)
	c.uint(&marks)
	c.ref(&s.Ref)
	c.word(&s.Version)
	number(c, &s.Updated)
	number(c, &s.Seq)
	s.Retracted = marks&hasRetracted != 0
	if marks&hasUnreadable != 0 {
		c.word(&s.Unreadable)
	}
	if marks&hasPerson != 0 {
		one(c, &s.Person, &c.slab.persons, c.person)
	}
	if marks&hasStudy != 0 {
		one(c, &s.Study, &c.slab.studies, c.study)
	}
	if marks&hasOperation != 0 {
		one(c, &s.Operation, &c.slab.operations, c.operation)
	}
	if marks&hasReport != 0 {
		one(c, &s.Report, &c.slab.reports, c.report)
	}
	if marks&hasContact != 0 {
		one(c, &s.Contact, &c.slab.contacts, c.contact)
	}
	if marks&hasFindings != 0 {
		list(c, &s.Findings, c.finding)
	}
	if marks&hasOthers != 0 {
		c.others(s)
	}
}

// one writes or reads a fact that is there.
func one[T any](c *coder, v **T, room *[]T, item func(*T)) {
	if c.reading {
		if len(*room) == cap(*room) {
			*room = make([]T, 0, max(8, 2*cap(*room))) // facts already read keep their old room
		}
		*room = append(*room, *new(T))
		*v = &(*room)[len(*room)-1]
	}
	item(*v)
}

func marksOf(s *chart.Statement) uint64 {
	var m uint64
	set := func(mark uint64, there bool) {
		if there {
			m |= mark
		}
	}
	set(hasRetracted, s.Retracted)
	set(hasUnreadable, s.Unreadable != "")
	set(hasPerson, s.Person != nil)
	set(hasStudy, s.Study != nil)
	set(hasOperation, s.Operation != nil)
	set(hasReport, s.Report != nil)
	set(hasContact, s.Contact != nil)
	set(hasFindings, len(s.Findings) > 0)
	set(hasOthers, s.Booking != nil || s.Attempt != nil || s.Device != nil || s.History != nil || s.Condition != nil || s.Lab != nil || s.Enrolment != nil ||
		s.Allergy != nil || s.Medicine != nil || len(s.Doses) > 0 || s.WorkState != nil || s.Order != nil || len(s.Parts) > 0 || len(s.Doubts) > 0)
	return m
}

// others are the facts that are rarer.
func (c *coder) others(s *chart.Statement) {
	r := c.slab
	has(c, &s.Booking, &r.bookings, c.booking)
	has(c, &s.Attempt, &r.attempts, c.attempt)
	has(c, &s.Device, &r.devices, c.device)
	has(c, &s.History, &r.histories, c.history)
	has(c, &s.Condition, &r.conditions, c.condition)
	has(c, &s.Lab, &r.labs, c.lab)
	has(c, &s.Enrolment, &r.enrolments, c.enrolment)
	has(c, &s.Allergy, &r.allergies, c.allergy)
	has(c, &s.Medicine, &r.medicines, c.medicine)
	list(c, &s.Doses, c.dose)
	has(c, &s.WorkState, &r.works, c.workState)
	has(c, &s.Order, &r.orders, c.order)
	list(c, &s.Parts, c.device)
	list(c, &s.Doubts, c.doubt)
}

func (c *coder) person(p *chart.Person) {
	c.idOf(&p.ID)
	c.list(&p.Identifiers)
	c.text(&p.Name)
	c.text(&p.Born)
	c.word(&p.Sex)
	c.text(&p.Phone)
	c.bool(&p.Dead.Known)
	if p.Dead.Known {
		c.span(&p.Dead.On)
		c.source(&p.Dead.Source)
	}
	c.list(&p.ReplacedBy)
	c.list(&p.Replaces)
	c.bool(&p.Inactive)
	c.bool(&p.Test)
	c.bool(&p.Restricted)
}

func (c *coder) operation(o *chart.Operation) {
	c.source(&o.Source)
	c.span(&o.On)
	number(c, &o.Minute)
	named(c, &o.Role)
	c.word(&o.Class)
	c.word(&o.Zone)
	c.bool(&o.Sided)
	c.word(&o.Side)
	c.list(&o.Devices)
	c.word(&o.Doubtful)
	c.word(&o.How)
	c.word(&o.Performer)
}

func (c *coder) study(s *chart.Study) {
	c.source(&s.Source)
	c.span(&s.On)
	number(c, &s.Minute)
	c.shape(s)
	c.uid(&s.UID)
	c.accession(&s.Accession)
	c.list(&s.Orders)
	c.list(&s.Also)
	c.word(&s.Said)
	later := s.Updated - c.s.Updated
	number(c, &later)
	s.Updated = later + c.s.Updated
}

// accession writes "assigner|number" with the assigner as a word.
func (c *coder) accession(v *string) {
	by, no, bar := cutLast(*v)
	c.bool(&bar)
	c.word(&by)
	c.text(&no)
	if c.reading {
		if *v = no; bar {
			*v = c.texts.join(by, '|', no)
		}
	}
}

func cutLast(s string) (before, after string, found bool) {
	for i := len(s) - 1; i >= 0; i-- {
		if s[i] == '|' {
			return s[:i], s[i+1:], true
		}
	}
	return "", s, false
}

func (c *coder) report(r *chart.Report) {
	c.source(&r.Source)
	c.list(&r.Studies)
	c.list(&r.Results)
	c.list(&r.Orders)
	c.accession(&r.Accession)
	c.span(&r.On)
	c.span(&r.Issued)
	number(c, &r.State)
	c.bool(&r.Amended)
	number(c, &r.Kind)
	number(c, &r.Covers)
	c.bool(&r.Imaging)
	c.word(&r.How)
}

func (c *coder) finding(f *chart.Finding) {
	c.source(&f.Source)
	c.word(&f.What)
	c.word(&f.Type)
	number(c, &f.Tenths)
	c.bool(&f.Has)
	c.word(&f.Method)
	c.ref(&f.Study)
	number(c, &f.Covers)
	c.ref(&f.Report)
	c.span(&f.On)
	c.word(&f.Site)
	c.word(&f.Observer)
}

func (c *coder) booking(b *chart.Booking) {
	c.source(&b.Source)
	number(c, &b.On)
	number(c, &b.State)
	c.bool(&b.Imaging)
	c.list(&b.Orders)
	number(c, &b.Kind)
	number(c, &b.Covers)
	c.word(&b.How)
}

func (c *coder) contact(k *chart.Contact) {
	c.source(&k.Source)
	c.span(&k.On)
	c.word(&k.What)
}

func (c *coder) attempt(a *chart.Attempt) {
	c.source(&a.Source)
	c.span(&a.On)
	c.word(&a.Channel)
	c.word(&a.Outcome)
	c.span(&a.Answered)
}

func (c *coder) device(d *chart.Device) {
	c.source(&d.Source)
	c.word(&d.Class)
	c.word(&d.Zone)
	c.bool(&d.IsImplant)
	c.text(&d.UDI)
	c.text(&d.Lot)
	c.text(&d.Serial)
	c.word(&d.Name)
	c.span(&d.Made)
	c.span(&d.Expiry)
	c.word(&d.MR)
	c.word(&d.Issuer)
	c.word(&d.Part)
	c.text(&d.Parent)
	c.word(&d.Odd)
}

func (c *coder) history(h *chart.History) {
	c.source(&h.Source)
	c.word(&h.Class)
	c.word(&h.Zone)
	c.word(&h.Side)
}

func (c *coder) condition(d *chart.Condition) {
	c.source(&d.Source)
	c.word(&d.What)
	c.span(&d.On)
}

func (c *coder) lab(l *chart.Lab) {
	c.source(&l.Source)
	c.word(&l.What)
	number(c, &l.Value)
	c.span(&l.On)
	c.word(&l.Equation)
}

func (c *coder) enrolment(e *chart.Enrolment) {
	c.source(&e.Source)
	c.word(&e.Study)
	c.word(&e.Status)
	c.span(&e.From)
	c.span(&e.To)
}

func (c *coder) allergy(a *chart.Allergy) {
	c.source(&a.Source)
	c.bool(&a.Severe)
	c.span(&a.On)
	c.word(&a.Agent)
	c.bool(&a.Over)
}

func (c *coder) medicine(m *chart.Medicine) {
	c.source(&m.Source)
	c.word(&m.What)
	c.span(&m.On)
	c.span(&m.To)
	c.bool(&m.Over)
}

func (c *coder) dose(d *chart.Dose) {
	c.source(&d.Source)
	c.ref(&d.Study)
	number(c, &d.Tenths)
	c.bool(&d.Total)
	c.span(&d.On)
}

func (c *coder) workState(w *chart.WorkState) {
	c.source(&w.Source)
	c.text(&w.Key)
	c.word(&w.Status)
	c.bool(&w.Person)
	c.span(&w.On)
	c.text(&w.Owner)
	c.text(&w.Business)
	c.text(&w.Why)
	list(c, &w.Notes, c.text)
}

func (c *coder) order(o *chart.Order) {
	c.source(&o.Source)
	number(c, &o.Kind)
	number(c, &o.Covers)
	c.bool(&o.NeverCounts)
	c.bool(&o.Unrecognised)
	c.word(&o.How)
	c.bool(&o.Off)
}

func (c *coder) doubt(d *chart.Doubt) {
	c.word(&d.Kind)
	c.ref(&d.About)
	c.word(&d.Text)
	c.span(&d.On)
}
