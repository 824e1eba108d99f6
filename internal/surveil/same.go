package surveil

import (
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Same says whether two plans are equal apart from the as-of date, the wake
// day and the day counts in texts.
func (p *Plan) Same(q *Plan) bool { return string(p.trace(nil)) == string(q.trace(nil)) }

// tracer writes everything of a plan that counts, in one row of bytes.
type tracer []byte

func (t *tracer) text(parts ...string) {
	for _, s := range parts {
		*t = append(append(*t, s...), 0)
	}
}

func (t *tracer) days(list ...day.Day) {
	for _, d := range list {
		*t = append(strconv.AppendInt(*t, int64(d), 10), 0)
	}
}

func (t *tracer) span(list ...day.Span) {
	for _, s := range list {
		t.days(s.First, s.Last)
	}
}

func (t *tracer) kinds(list []chart.Kind) {
	for _, k := range list {
		*t = append(*t, byte(k))
	}
	*t = append(*t, 0xff)
}

func (t *tracer) yes(b bool) { *t = strconv.AppendBool(*t, b) }

// trace appends everything that counts to b.
func (p *Plan) trace(b []byte) []byte {
	t := tracer(b)
	t.text(p.Patient, string(p.Surveillance), string(p.Ended), string(p.FollowUp))
	t.text(p.Identifiers...)
	t.days(p.EndedOn, p.PausedUntil, p.RungSince, p.LastSeen, p.LastImaging)
	t.yes(p.ImagingGap)
	for i := range p.Implants {
		t.implant(&p.Implants[i])
	}
	for i := range p.Work {
		w := &p.Work[i]
		t.text(w.Key, w.Kind, w.Urgency, w.Implant, w.Visit, w.About)
		t.days(w.From, w.By, w.Snoozed)
		t.reasons(w.Why)
	}
	for i := range p.Scans {
		s := &p.Scans[i]
		t.text(s.Booked, s.Covers.String())
		t.text(s.Serves...)
		t.days(s.From, s.To)
		t.kinds(s.Kinds)
	}
	for i := range p.Questions {
		q := &p.Questions[i]
		t.text(q.Key, q.Kind, q.About, q.Visit)
		t.days(q.Since)
		t.yes(q.Hides)
		t.reasons([]Reason{q.Why})
	}
	t.reasons(p.Notes)
	for i := range p.Reports {
		t.report(&p.Reports[i])
	}
	return t
}

func (t *tracer) report(r *Report) {
	t.text(r.Study, r.Name, r.Protocol, r.Implant, r.Class, r.Left)
	t.text(r.Facts...)
	t.days(r.From, r.Until)
	t.yes(r.Care)
	t.yes(r.Draft)
	for i := range r.Visits {
		v := &r.Visits[i]
		t.text(v.Step, string(v.State), v.Study)
		t.span(v.Target, v.Opens, v.Closes, v.StudyDate)
		if b := v.Bin; b != nil {
			t.days(b.From, b.To)
			t.yes(b.Imaging)
		}
	}
}

func (t *tracer) implant(m *Implant) {
	t.text(m.ID, m.Class, m.Zone, m.Side, m.Protocol, m.Chosen, string(m.Ended), m.Performer)
	t.yes(m.Draft)
	t.span(m.Index, m.Clock)
	t.days(m.EndedOn, day.Day(m.Clocks), day.Day(m.Next))
	for i := range m.Devices {
		d := &m.Devices[i]
		t.text(d.Ref, d.Version, d.Class, d.Zone, d.UDI, d.Lot, d.Serial, d.Name, d.MR, d.Issuer, d.Part, d.Parent, d.Odd)
		t.yes(d.IsImplant)
		t.span(d.Made, d.Expiry)
	}
	t.reasons(m.Why)
	for i := range m.Visits {
		v := &m.Visits[i]
		t.text(v.Step, v.Series, string(v.Standing), v.Timing, v.Study, v.Result, v.Excuse, v.Protocol, v.Implant, v.Cite, v.Evidence)
		t.yes(v.Added)
		t.yes(v.Contrast)
		t.span(v.Target, v.Opens, v.Closes, v.StudyDate)
		t.days(v.LastDay, day.Day(v.N), day.Day(v.Clock), day.Day(v.Needs))
		t.kinds(v.Kinds)
		if b := v.Booking; b != nil {
			t.text(b.Appointment)
			t.days(b.Date)
			t.yes(b.InWindow)
		}
		t.reasons(v.Why)
	}
}

func (t *tracer) reasons(list []Reason) {
	for i := range list {
		r := &list[i]
		t.text(r.Rule, r.Cite, r.Word)
		t.text(r.Facts...)
		t.span(r.From, r.To)
	}
}
