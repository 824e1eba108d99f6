package chart

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/day"
)

// Options say how a chart is put together.
type Options struct {
	Patient string // id of the surviving record
	KnownAt int64  // milliseconds since 1970: statements received later do not exist; zero: all do
	Rulings []Ruling
	Accept  bool // studies on report only count without a person
}

// Tally counts what became of the statements of a patient.
type Tally struct {
	Used       int // in force
	Superseded int // a newer version of the resource counts
	InError    int // in force, and takes back what was said
	Unreadable int // quarantined
	Later      int // received after the known-at time
}

// Assemble makes the chart of one patient from all statements about the
// patient and the records merged into it.
func Assemble(statements []Statement, o Options) (*Chart, Tally) {
	a := assembly{c: &Chart{Patient: o.Patient, Rulings: o.Rulings}, o: o}
	a.keep(byResource(statements, o.KnownAt, &a.tally))
	a.people()
	a.makeRoom()
	for _, s := range a.kept {
		a.take(s)
	}
	a.askOrders()
	a.mergeStudies()
	a.tieReports()
	a.dropReported()
	a.tieFindings()
	a.sort()
	return a.c, a.tally
}

// assembly is a chart in the making.
type assembly struct {
	c      *Chart
	o      Options
	tally  Tally
	kept   []*Statement
	orders map[string]*Order
	gone   []Study // retracted statements about studies
	told   []Study // all statements about studies
}

// keep keeps of each resource the version that counts. The list is used up:
// what is kept takes the places of versions that were looked at.
func (a *assembly) keep(list []*Statement) {
	a.kept = list[:0]
	for i := 0; i < len(list); {
		j := i + 1
		for j < len(list) && list[j].Ref == list[i].Ref && list[i].Ref != "" {
			j++
		}
		if s := a.inForce(list[i:j]); s != nil {
			a.kept = append(a.kept, s)
		}
		i = j
	}
}

// byResource puts the statements of each resource together, the newest version
// last.
func byResource(statements []Statement, knownAt int64, tally *Tally) []*Statement {
	list := make([]*Statement, 0, len(statements))
	for i := range statements {
		if s := &statements[i]; knownAt == 0 || s.Updated <= knownAt {
			list = append(list, s)
		} else {
			tally.Later++
		}
	}
	slices.SortFunc(list, func(a, b *Statement) int {
		if d := strings.Compare(a.Ref, b.Ref); d != 0 {
			return d
		}
		return OlderFirst(a, b)
	})
	return list
}

// OlderFirst orders versions of one resource by meta.lastUpdated, then
// versionId (as a number where both are), then place in the input.
func OlderFirst(a, b *Statement) int {
	if a.Updated != b.Updated {
		return cmp.Compare(a.Updated, b.Updated)
	}
	if d := compareVersions(a.Version, b.Version); d != 0 {
		return d
	}
	return cmp.Compare(a.Seq, b.Seq)
}

func compareVersions(a, b string) int {
	if digits(a) && digits(b) {
		a, b = strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0")
		if len(a) != len(b) {
			return cmp.Compare(len(a), len(b))
		}
	}
	return strings.Compare(a, b)
}

func digits(s string) bool {
	return s != "" && strings.IndexFunc(s, func(r rune) bool { return r < '0' || r > '9' }) < 0
}

// inForce picks the version of a resource that counts: the newest readable
// one. A newer version that could not be read raises a question.
func (a *assembly) inForce(versions []*Statement) *Statement {
	for i := len(versions) - 1; i >= 0; i-- {
		s := versions[i]
		if s.Unreadable == "" {
			a.tally.Superseded += i
			for _, old := range versions[:i] {
				if old.Unreadable != "" {
					a.tally.Superseded--
					a.tally.Unreadable++
				}
			}
			return a.count(s)
		}
		a.tally.Unreadable++
		a.c.Doubts = append(a.c.Doubts, Doubt{Kind: "unreadable", About: s.Ref, Text: "A record could not be read: " + s.Unreadable})
	}
	return nil
}

// count tallies a version in force; of a retraction only what it retracts is
// kept.
func (a *assembly) count(s *Statement) *Statement {
	if !s.Retracted {
		a.tally.Used++
		return s
	}
	a.tally.InError++
	if s.Study != nil {
		gone := *s.Study
		gone.State = StudyRetracted
		a.gone = append(a.gone, gone)
	}
	return nil
}

// people fills in who the patient is from the surviving record; what only a
// merged record knows is kept too.
func (a *assembly) people() {
	c := a.c
	records, tests := 0, 0
	for _, s := range a.kept {
		p := s.Person
		if p == nil {
			continue
		}
		if records++; p.Test {
			tests++
		}
		c.Restricted = c.Restricted || p.Restricted
		c.Identifiers = append(c.Identifiers, p.Identifiers...)
		if p.ID == c.Patient {
			c.Name, c.Sex, c.Phone = p.Name, p.Sex, p.Phone
			c.Born, _ = day.ParseDate(p.Born)
		} else {
			c.Others = append(c.Others, p.ID)
		}
		if p.Dead.Known && (!c.Dead.Known || p.ID == c.Patient || !c.Dead.On.Known()) && !(p.ID != c.Patient && c.Dead.On.Known()) {
			if p.Dead.On.Known() || !c.Dead.On.Known() {
				c.Dead = p.Dead
			}
		}
	}
	c.Test = tests > 0 && tests == records
	slices.Sort(c.Identifiers)
	c.Identifiers = slices.Compact(c.Identifiers)
	slices.Sort(c.Others)
}

// makeRoom makes room for the commonest facts at once.
func (a *assembly) makeRoom() {
	studies, operations, reports, contacts := 0, 0, 0, 0
	for _, s := range a.kept {
		switch {
		case s.Study != nil:
			studies++
		case s.Operation != nil:
			operations++
		case s.Report != nil:
			reports++
		case s.Contact != nil:
			contacts++
		}
	}
	a.c.Studies, a.c.Operations = roomFor[Study](studies+len(a.gone)), roomFor[Operation](operations)
	a.c.Reports, a.c.Contacts = roomFor[Report](reports), roomFor[Contact](contacts)
}

// roomFor is an empty list with room for n; nil for none.
func roomFor[T any](n int) []T {
	if n == 0 {
		return nil
	}
	return make([]T, 0, n)
}

// take adds the facts of one statement.
func (a *assembly) take(s *Statement) {
	c := a.c
	push(&c.Operations, s.Operation)
	push(&c.Studies, s.Study)
	push(&c.Reports, s.Report)
	push(&c.Bookings, s.Booking)
	push(&c.Contacts, s.Contact)
	push(&c.Attempts, s.Attempt)
	push(&c.Devices, s.Device)
	push(&c.Histories, s.History)
	push(&c.Conditions, s.Condition)
	push(&c.Labs, s.Lab)
	push(&c.Enrolments, s.Enrolment)
	push(&c.Allergies, s.Allergy)
	push(&c.Medicines, s.Medicine)
	c.Doses = append(c.Doses, s.Doses...)
	push(&c.WorkStates, s.WorkState)
	c.Devices = append(c.Devices, s.Parts...)
	c.Doubts = append(c.Doubts, s.Doubts...)
	if s.Report == nil || s.Report.State != ReportGone {
		c.Findings = append(c.Findings, s.Findings...)
	}
	if s.Order != nil {
		if a.orders == nil {
			a.orders = map[string]*Order{}
		}
		a.orders[s.Ref] = s.Order
	}
}

func push[T any](list *[]T, item *T) {
	if item != nil {
		*list = append(*list, *item)
	}
}

// askOrders lets the order tell what a study or a booking is, where its own
// code does not.
func (a *assembly) askOrders() {
	for i := range a.c.Studies {
		if s := &a.c.Studies[i]; !s.CodedSeparate {
			a.askOrder(s)
		}
	}
	for i := range a.c.Bookings {
		b := &a.c.Bookings[i]
		for _, ref := range b.Orders {
			if o := a.orders[ref]; o != nil && o.Kind != KindUnknown && !o.NeverCounts {
				b.Imaging, b.Kind, b.Covers, b.How = true, o.Kind, o.Covers, "order "+ref+", "+o.How
				break
			}
		}
	}
}

// askOrder asks the orders of one study. What was ordered is not what was
// done where the images are of another modality: that is for a person.
func (a *assembly) askOrder(s *Study) {
	for _, ref := range s.Orders {
		o := a.orders[ref]
		switch {
		case o == nil || o.Off || o.Unrecognised || o.Kind == KindUnknown:
		case !o.Kind.fromModality(s.Modality):
			a.c.Doubts = append(a.c.Doubts, Doubt{Kind: "study-kind", About: s.Ref, On: s.On,
				Text: "The order asked for " + o.Kind.String() + ", but the images are " + s.Modality + ". What was done?"})
		default:
			s.Kind, s.Covers, s.NeverCounts, s.Unrecognised = o.Kind, s.Covers|o.Covers, o.NeverCounts, false
			s.How, s.CodedSeparate = "order "+ref+", "+o.How, true
			return
		}
	}
}

// sort puts every list in order of date, then reference.
func (a *assembly) sort() {
	c := a.c
	order(c.Operations, func(x *Operation) (day.Span, string) { return x.On, x.Ref })
	slices.SortStableFunc(c.Studies, compareStudies)
	order(c.Reports, func(x *Report) (day.Span, string) { return x.On, x.Ref })
	order(c.Findings, func(x *Finding) (day.Span, string) { return x.On, x.Ref + "|" + x.What + "|" + x.Type })
	order(c.Bookings, func(x *Booking) (day.Span, string) { return day.On(x.On), x.Ref })
	order(c.Contacts, func(x *Contact) (day.Span, string) { return x.On, x.Ref })
	order(c.Attempts, func(x *Attempt) (day.Span, string) { return x.On, x.Ref })
	order(c.Devices, func(x *Device) (day.Span, string) { return day.Span{}, x.Ref })
	order(c.Histories, func(x *History) (day.Span, string) { return day.Span{}, x.Ref })
	order(c.Conditions, func(x *Condition) (day.Span, string) { return x.On, x.Ref })
	order(c.Labs, func(x *Lab) (day.Span, string) { return x.On, x.Ref })
	order(c.Enrolments, func(x *Enrolment) (day.Span, string) { return x.From, x.Ref })
	order(c.Allergies, func(x *Allergy) (day.Span, string) { return x.On, x.Ref })
	order(c.Medicines, func(x *Medicine) (day.Span, string) { return x.On, x.Ref })
	order(c.Doses, func(x *Dose) (day.Span, string) { return x.On, x.Ref })
	order(c.WorkStates, func(x *WorkState) (day.Span, string) { return x.On, x.Ref })
	order(c.Doubts, func(x *Doubt) (day.Span, string) { return x.On, x.About + "|" + x.Kind + "|" + x.Text })
}

func order[T any](list []T, key func(*T) (day.Span, string)) {
	if len(list) < 2 {
		return
	}
	slices.SortStableFunc(list, func(a, b T) int {
		da, ra := key(&a)
		db, rb := key(&b)
		if da != db {
			if da.Before(db) {
				return -1
			}
			return 1
		}
		return strings.Compare(ra, rb)
	})
}

func compareStudies(a, b Study) int {
	if a.On != b.On {
		if a.On.Before(b.On) {
			return -1
		}
		return 1
	}
	if d := cmp.Compare(a.Minute, b.Minute); d != 0 {
		return d
	}
	return strings.Compare(a.Ref, b.Ref)
}
