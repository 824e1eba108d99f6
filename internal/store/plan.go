package store

import (
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/surveil"
)

// Line is a patient with an implant on one line, for lists.
type Line struct {
	Patient     string        `json:"patient"`
	Others      []string      `json:"others,omitempty"` // ids of records merged into it
	Identifiers []string      `json:"identifiers,omitempty"`
	Name        string        `json:"name,omitempty"`
	Born        string        `json:"born,omitempty"` // as written
	Sex         string        `json:"sex,omitempty"`
	Phone       string        `json:"phone,omitempty"`
	State       surveil.State `json:"state"`
	Ended       surveil.End   `json:"ended,omitempty"`
	FollowUp    surveil.Rung  `json:"followUp,omitempty"`
	ImagingGap  bool          `json:"imagingGap,omitempty"`
	LastSeen    day.Day       `json:"lastSeen,omitempty"`
	LastImaging day.Day       `json:"lastImaging,omitempty"`
	Classes     []string      `json:"classes,omitempty"`
	Implants    []Implanted   `json:"implants,omitempty"`
	Owed        []Owed        `json:"owed,omitempty"`   // visits overdue, open, booked or next, by close
	Beside      []Owed        `json:"beside,omitempty"` // other visits that work or a question is about, such as missed ones
	Questions   int           `json:"questions,omitempty"`
	BookedGone  day.Day       `json:"bookedGone,omitempty"` // an imaging appointment on this day has passed, and no study came
	NextBooking day.Day       `json:"nextBooking,omitempty"`
	Test        bool          `json:"test,omitempty"`       // made for tests
	Restricted  bool          `json:"restricted,omitempty"` // confidential beyond the usual
}

// Implanted is an implant of a patient with its index date, which may be known
// only as a range.
type Implanted struct {
	ID    string  `json:"id"`
	Class string  `json:"class,omitempty"`
	First day.Day `json:"first,omitempty"`
	Last  day.Day `json:"last,omitempty"`
}

// Index is the index date; unknown where none is recorded.
func (m *Implanted) Index() day.Span { return day.Span{First: m.First, Last: m.Last} }

// Owed is a visit that is owed or comes next, or that something is asked about.
type Owed struct {
	Implant  string           `json:"implant"`
	Class    string           `json:"class,omitempty"`
	Visit    string           `json:"visit"` // key
	Step     string           `json:"step"`
	Standing surveil.Standing `json:"standing"`
	Target   day.Day          `json:"target"` // the first possible day
	Opens    day.Day          `json:"opens"`
	Closes   day.Day          `json:"closes"` // the last possible day
	Booked   day.Day          `json:"booked,omitempty"`
	Added    bool             `json:"added,omitempty"` // a finding made it
}

// lineRecord is how a line is stored.
type lineRecord struct {
	V int `json:"v"`
	Line
}

// LineOf makes the line of a patient from the plan and the chart behind it.
func LineOf(p *surveil.Plan, c *chart.Chart) Line {
	l := Line{Patient: p.Patient, Others: c.Others, Identifiers: p.Identifiers, Name: c.Name, Born: c.Born.String(), Sex: c.Sex, Phone: c.Phone,
		State: p.Surveillance, Ended: p.Ended, FollowUp: p.FollowUp, ImagingGap: p.ImagingGap, LastSeen: p.LastSeen, LastImaging: p.LastImaging,
		Questions: len(p.Questions), Test: c.Test, Restricted: c.Restricted}
	about := map[string]bool{}
	for i := range p.Work {
		about[p.Work[i].Visit] = p.Work[i].Visit != ""
	}
	for i := range p.Implants {
		m := &p.Implants[i]
		l.Classes = append(l.Classes, m.Class)
		l.Implants = append(l.Implants, Implanted{m.ID, m.Class, m.Index.First, m.Index.Last})
		for j := range m.Visits {
			v := &m.Visits[j]
			if owed := v.Standing == surveil.Overdue || v.Standing == surveil.Open || v.Standing == surveil.Booked || j == m.Next; owed && m.Ended == "" {
				l.Owed = append(l.Owed, owedOf(m, v))
			} else if about[v.Key()] {
				l.Beside = append(l.Beside, owedOf(m, v))
			}
		}
	}
	l.bookings(p, c)
	return l
}

func owedOf(m *surveil.Implant, v *surveil.Visit) Owed {
	o := Owed{Implant: m.ID, Class: m.Class, Visit: v.Key(), Step: v.Step, Standing: v.Standing, Target: v.Target.First, Opens: v.Opens.First,
		Closes: v.Closes.Last, Added: v.Added}
	if v.Booking != nil {
		o.Booked = v.Booking.Date
	}
	return o
}

// bookings finds the next appointment for imaging, and the last one that passed
// without a study on or after it.
func (l *Line) bookings(p *surveil.Plan, c *chart.Chart) {
	var gone day.Day
	for i := range c.Bookings {
		b := &c.Bookings[i]
		switch {
		case !b.Imaging || b.State == chart.BookingOff:
		case b.On >= p.AsOf && b.State == chart.BookingComing && (l.NextBooking == 0 || b.On < l.NextBooking):
			l.NextBooking = b.On
		case b.On < p.AsOf:
			gone = max(gone, b.On)
		}
	}
	for i := range c.Studies {
		if s := &c.Studies[i]; s.State == chart.StudyAvailable && s.On.Last >= gone {
			return
		}
	}
	l.BookedGone = gone
}

// Booked gives, on a day, the next appointment for imaging and the last one that
// has passed without a study; zero where there is none.
func (l *Line) Booked(today day.Day) (next, gone day.Day) {
	if l.NextBooking > 0 && l.NextBooking < today {
		return 0, l.NextBooking
	}
	return l.NextBooking, l.BookedGone
}

func planKey(patient string) []byte { return kv.Key("plan", part(patient)) }
func lineKey(patient string) []byte { return kv.Key("patient", part(patient)) }
func thenKey(patient string) []byte { return kv.Key("then", part(patient)) }
func wakeKey(on day.Day, patient string) []byte {
	return kv.Key("wake", int32(on), part(patient))
}

// ReadPlan reads the plan of a patient; nil where there is none.
func ReadPlan(r kv.Reader, patient string) (*surveil.Plan, error) {
	text, err := r.Get(planKey(patient))
	if err != nil || text == nil {
		return nil, err
	}
	return decodePlan(text)
}

// ReadLine reads the line of a patient; false where there is none.
func ReadLine(r kv.Reader, patient string) (Line, bool, error) {
	var l lineRecord
	found, err := get(r, lineKey(patient), &l)
	return l.Line, found, err
}

// Lines reads the lines of up to limit patients from the page on, by id, and
// moves the page. More: there may be others.
func Lines(r kv.Reader, p *Page, limit int) (list []Line, more bool, err error) {
	more, err = p.scan(r, limit, func(_, text []byte) error {
		var l lineRecord
		err := decode(text, &l)
		list = append(list, l.Line)
		return err
	}, "patient")
	return list, more, err
}

// PutPlan stores a plan and its line in place of the one before, which may be
// nil, and the day on which it wakes. Where nothing but the as-of date differs,
// the plan before stays, unless the patient's labels changed.
func (w *Writer) PutPlan(before, p *surveil.Plan, l Line) error {
	old, had, err := ReadLine(w.Tx, p.Patient)
	if err != nil {
		return err
	}
	if err := w.move(before, p); err != nil {
		return err
	}
	if relabelled := had && (old.Test != l.Test || old.Restricted != l.Restricted); before == nil || before.Wake != p.Wake || relabelled || !before.Same(p) {
		if err := w.keepThen(p.Patient, before); err != nil {
			return err
		}
		text, err := encodePlan(p, w.Now.UnixMilli())
		if err != nil {
			return err
		}
		if err := w.putText(planKey(p.Patient), text); err != nil {
			return err
		}
	}
	if before == nil {
		w.counts.Patients.WithImplant++
	}
	if had {
		*w.counts.Patients.of(old.State)--
	}
	*w.counts.Patients.of(l.State)++
	if err := w.putBare(p.Patient, bareImplants(p)); err != nil {
		return err
	}
	return w.put(lineKey(p.Patient), lineRecord{1, l})
}

// bareImplants counts the implants that no device on record belongs to.
func bareImplants(p *surveil.Plan) int {
	n := 0
	for i := range p.Implants {
		if len(p.Implants[i].Devices) == 0 {
			n++
		}
	}
	return n
}

// lineState is the state that the stored line of a patient gives.
func (w *Writer) lineState(patient string) (surveil.State, bool, error) {
	l, found, err := ReadLine(w.Tx, patient)
	return l.State, found, err
}

// move keeps the order of the days on which plans wake.
func (w *Writer) move(before, p *surveil.Plan) error {
	if before != nil && before.Wake > 0 && before.Wake != p.Wake {
		if err := w.drop(wakeKey(before.Wake, p.Patient)); err != nil {
			return err
		}
	}
	if p.Wake == 0 {
		return nil
	}
	return w.putText(wakeKey(p.Wake, p.Patient), []byte(p.Patient))
}

// DropPlan removes the plan of somebody who has no implant any more, or whose
// record was merged into another.
func (w *Writer) DropPlan(before *surveil.Plan) error {
	if before == nil {
		return nil
	}
	if err := w.keepThen(before.Patient, before); err != nil {
		return err
	}
	state, had, err := w.lineState(before.Patient)
	if err != nil {
		return err
	}
	if had {
		*w.counts.Patients.of(state)--
	}
	w.counts.Patients.WithImplant--
	for _, key := range [][]byte{planKey(before.Patient), lineKey(before.Patient), wakeKey(before.Wake, before.Patient), bareKey(before.Patient)} {
		if err := w.drop(key); err != nil {
			return err
		}
	}
	return nil
}

// thenRecord is a plan as it was at the last digest; Plan is empty where there
// was none.
type thenRecord struct {
	V    int         `json:"v"`
	Plan *planRecord `json:"plan,omitempty"`
}

// keepThen keeps the plan as it was at the last digest, the first time that it
// changes after it.
func (w *Writer) keepThen(patient string, before *surveil.Plan) error {
	have, err := w.Tx.Get(thenKey(patient))
	if err != nil || have != nil {
		return err
	}
	rec := thenRecord{V: 1}
	if before != nil {
		text, err := w.Tx.Get(planKey(patient))
		if err != nil {
			return err
		}
		rec.Plan = &planRecord{}
		if err := decode(text, rec.Plan); err != nil {
			return err
		}
	}
	return w.put(thenKey(patient), rec)
}

// Pair is a patient's plan at the last digest and now; either may be nil.
type Pair struct {
	Patient   string
	Then, Now *surveil.Plan
}

// SinceDigest reads the plans of up to limit patients whose plan changed since
// the last digest, from the page on, and moves the page.
func SinceDigest(r kv.Reader, p *Page, limit int) (list []Pair, more bool, err error) {
	more, err = p.scan(r, limit, func(key, text []byte) error {
		var rec thenRecord
		if err := decode(text, &rec); err != nil {
			return err
		}
		patient, err := last(key)
		if err != nil {
			return err
		}
		pair := Pair{Patient: patient}
		if rec.Plan != nil {
			pair.Then = rec.Plan.plan()
			pair.Patient = pair.Then.Patient
		}
		if pair.Now, err = ReadPlan(r, pair.Patient); err == nil && (pair.Then != nil || pair.Now != nil) {
			list = append(list, pair)
		}
		return err
	}, "then")
	return list, more, err
}

// Digested begins the time of the next digest: what changed until now has been
// told.
func (w *Writer) Digested() error {
	var keys [][]byte
	from, to := kv.Prefix("then")
	err := w.Tx.Scan(from, to, func(key, _ []byte) error {
		keys = append(keys, append([]byte(nil), key...))
		return nil
	})
	if err != nil {
		return err
	}
	for _, key := range keys {
		if err := w.drop(key); err != nil {
			return err
		}
	}
	w.Meta.Digested = w.Now
	return nil
}

// Waker is a patient who is to be looked at on a day.
type Waker struct {
	On      day.Day
	Patient string
}

// Waking lists up to limit patients whose plan changes by itself on or before a
// day, the earliest first.
func Waking(r kv.Reader, on day.Day, limit int) ([]Waker, error) {
	var list []Waker
	from, _ := kv.Prefix("wake")
	to := kv.Key("wake", int32(on)+1)
	err := r.Scan(from, to, func(key, patient []byte) error {
		if len(list) >= limit {
			return kv.Stop
		}
		parts, err := kv.Split(key)
		if err != nil || len(parts) != 3 {
			return damaged("a key is not one of ours")
		}
		n, _ := parts[1].(int32)
		list = append(list, Waker{day.Day(n), string(patient)})
		return nil
	})
	return list, err
}

// Wake notes that somebody is to be looked at on a day.
func (w *Writer) Wake(on day.Day, patient string) error {
	return w.putText(wakeKey(on, patient), []byte(patient))
}

// Woken removes a note that Wake or PutPlan made.
func (w *Writer) Woken(k Waker) error { return w.drop(wakeKey(k.On, k.Patient)) }
