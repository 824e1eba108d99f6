package store

import (
	"encoding/json"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// planRecord is how a plan is stored.
type planRecord struct {
	V           int              `json:"v"`
	Patient     string           `json:"patient"`
	AsOf        day.Day          `json:"asOf"`
	Identifiers []string         `json:"identifiers,omitempty"`
	State       surveil.State    `json:"state,omitempty"`
	Ended       surveil.End      `json:"ended,omitempty"`
	EndedOn     day.Day          `json:"endedOn,omitempty"`
	PausedUntil day.Day          `json:"pausedUntil,omitempty"`
	FollowUp    surveil.Rung     `json:"followUp,omitempty"`
	RungSince   day.Day          `json:"rungSince,omitempty"`
	ImagingGap  bool             `json:"imagingGap,omitempty"`
	LastSeen    day.Day          `json:"lastSeen,omitempty"`
	LastImaging day.Day          `json:"lastImaging,omitempty"`
	Wake        day.Day          `json:"wake,omitempty"`
	Implants    []implantRecord  `json:"implants,omitempty"`
	Work        []workRecord     `json:"work,omitempty"`
	Scans       []scanRecord     `json:"scans,omitempty"`
	Questions   []questionRecord `json:"questions,omitempty"`
	Notes       []reasonRecord   `json:"notes,omitempty"`
	Reports     []reportRecord   `json:"reports,omitempty"`
	Changed     int64            `json:"changed,omitempty"` // milliseconds since 1970: when this plan took the place of the one before
}

type implantRecord struct {
	ID        string         `json:"id"`
	Class     string         `json:"class,omitempty"`
	Index     spanRec        `json:"index,omitempty"`
	Clock     spanRec        `json:"clock,omitempty"`
	Clocks    int            `json:"clocks"`
	Zone      string         `json:"zone,omitempty"`
	Side      string         `json:"side,omitempty"`
	Protocol  string         `json:"protocol,omitempty"`
	Chosen    string         `json:"chosen,omitempty"`
	Draft     bool           `json:"draft,omitempty"`
	Devices   []deviceRecord `json:"devices,omitempty"`
	Ended     surveil.End    `json:"ended,omitempty"`
	EndedOn   day.Day        `json:"endedOn,omitempty"`
	Visits    []visitRecord  `json:"visits,omitempty"`
	Next      int            `json:"next"`
	Performer string         `json:"performer,omitempty"`
	Why       []reasonRecord `json:"why,omitempty"`
}

type deviceRecord struct {
	Ref     string  `json:"ref"`
	Version string  `json:"version,omitempty"`
	Class   string  `json:"class,omitempty"`
	Zone    string  `json:"zone,omitempty"`
	Implant bool    `json:"implant,omitempty"`
	UDI     string  `json:"udi,omitempty"`
	Lot     string  `json:"lot,omitempty"`
	Serial  string  `json:"serial,omitempty"`
	Name    string  `json:"name,omitempty"`
	Made    spanRec `json:"made,omitempty"`
	Expiry  spanRec `json:"expiry,omitempty"`
	Issuer  string  `json:"issuer,omitempty"`
	Part    string  `json:"part,omitempty"`
	Parent  string  `json:"parent,omitempty"`
	Odd     string  `json:"odd,omitempty"`
}

type visitRecord struct {
	Implant   string           `json:"implant"`
	Clock     int              `json:"clock"`
	Series    string           `json:"series,omitempty"`
	Step      string           `json:"step"`
	N         int              `json:"n"`
	Target    spanRec          `json:"target"`
	Opens     spanRec          `json:"opens"`
	Closes    spanRec          `json:"closes"`
	LastDay   day.Day          `json:"lastDay,omitempty"`
	Standing  surveil.Standing `json:"standing"`
	Timing    string           `json:"timing,omitempty"`
	Study     string           `json:"study,omitempty"`
	StudyDate spanRec          `json:"studyDate,omitempty"`
	Result    string           `json:"result,omitempty"`
	Booking   *bookingRecord   `json:"booking,omitempty"`
	Excuse    string           `json:"excuse,omitempty"`
	Added     bool             `json:"added,omitempty"`
	Contrast  bool             `json:"contrast,omitempty"`
	Kinds     []string         `json:"kinds,omitempty"`
	Needs     uint16           `json:"needs,omitempty"`
	Cite      string           `json:"cite,omitempty"`
	Evidence  string           `json:"evidence,omitempty"`
	Protocol  string           `json:"protocol,omitempty"`
	Why       []reasonRecord   `json:"why,omitempty"`
}

type bookingRecord struct {
	Appointment string  `json:"appointment"`
	Date        day.Day `json:"date"`
	InWindow    bool    `json:"inWindow"`
}

type workRecord struct {
	Key     string         `json:"key"`
	Kind    string         `json:"kind"`
	Urgency string         `json:"urgency"`
	From    day.Day        `json:"from,omitempty"`
	By      day.Day        `json:"by,omitempty"`
	Implant string         `json:"implant,omitempty"`
	Visit   string         `json:"visit,omitempty"`
	About   string         `json:"about,omitempty"`
	Snoozed day.Day        `json:"snoozed,omitempty"`
	Why     []reasonRecord `json:"why,omitempty"`
}

type scanRecord struct {
	From   day.Day  `json:"from"`
	To     day.Day  `json:"to,omitempty"`
	Serves []string `json:"serves"`
	Kinds  []string `json:"kinds,omitempty"`
	Covers uint16   `json:"covers,omitempty"`
	Booked string   `json:"booked,omitempty"`
}

type questionRecord struct {
	Key   string       `json:"key"`
	Kind  string       `json:"kind"`
	About string       `json:"about,omitempty"`
	Since day.Day      `json:"since,omitempty"`
	Hides bool         `json:"hides,omitempty"`
	Visit string       `json:"visit,omitempty"`
	Why   reasonRecord `json:"why"`
}

// encodePlan writes a plan as it is stored, with the moment of its change.
func encodePlan(p *surveil.Plan, changed int64) ([]byte, error) {
	r := planRecord{V: 1, Changed: changed, Patient: p.Patient, AsOf: p.AsOf, Identifiers: p.Identifiers, State: p.Surveillance, Ended: p.Ended, EndedOn: p.EndedOn,
		PausedUntil: p.PausedUntil, FollowUp: p.FollowUp, RungSince: p.RungSince, ImagingGap: p.ImagingGap, LastSeen: p.LastSeen,
		LastImaging: p.LastImaging, Wake: p.Wake, Notes: reasonsOf(p.Notes)}
	for i := range p.Implants {
		r.Implants = append(r.Implants, implantRecordOf(&p.Implants[i]))
	}
	for i := range p.Work {
		r.Work = append(r.Work, workRecordOf(&p.Work[i]))
	}
	for _, s := range p.Scans {
		r.Scans = append(r.Scans, scanRecord{s.From, s.To, s.Serves, kindNames(s.Kinds), uint16(s.Covers), s.Booked})
	}
	for _, q := range p.Questions {
		r.Questions = append(r.Questions, questionRecord{q.Key, q.Kind, q.About, q.Since, q.Hides, q.Visit, reasonsOf([]surveil.Reason{q.Why})[0]})
	}
	r.Reports = reportRecordsOf(p.Reports)
	return json.Marshal(r)
}

// decodePlan reads a stored plan.
func decodePlan(text []byte) (*surveil.Plan, error) {
	var r planRecord
	if err := decode(text, &r); err != nil {
		return nil, err
	}
	return r.plan(), nil
}

func (r *planRecord) plan() *surveil.Plan {
	p := &surveil.Plan{Patient: r.Patient, AsOf: r.AsOf, Identifiers: r.Identifiers, Surveillance: r.State, Ended: r.Ended, EndedOn: r.EndedOn,
		PausedUntil: r.PausedUntil, FollowUp: r.FollowUp, RungSince: r.RungSince, ImagingGap: r.ImagingGap, LastSeen: r.LastSeen,
		LastImaging: r.LastImaging, Wake: r.Wake, Notes: reasons(r.Notes), Reports: reports(r.Reports)}
	for i := range r.Implants {
		p.Implants = append(p.Implants, r.Implants[i].implant())
	}
	for i := range r.Work {
		p.Work = append(p.Work, r.Work[i].work())
	}
	for _, s := range r.Scans {
		p.Scans = append(p.Scans, surveil.Scan{From: s.From, To: s.To, Serves: s.Serves, Kinds: kindsNamed(s.Kinds), Covers: chart.Territory(s.Covers), Booked: s.Booked})
	}
	for _, q := range r.Questions {
		p.Questions = append(p.Questions, surveil.Question{Key: q.Key, Kind: q.Kind, About: q.About, Since: q.Since, Hides: q.Hides, Visit: q.Visit,
			Why: reasons([]reasonRecord{q.Why})[0]})
	}
	return p
}

func implantRecordOf(m *surveil.Implant) implantRecord {
	r := implantRecord{ID: m.ID, Class: m.Class, Index: spanOf(m.Index), Clock: spanOf(m.Clock), Clocks: m.Clocks, Zone: m.Zone, Side: m.Side,
		Protocol: m.Protocol, Chosen: m.Chosen, Draft: m.Draft, Ended: m.Ended, EndedOn: m.EndedOn, Next: m.Next, Performer: m.Performer, Why: reasonsOf(m.Why)}
	for _, d := range m.Devices {
		r.Devices = append(r.Devices, deviceRecord{d.Ref, d.Version, d.Class, d.Zone, d.IsImplant, d.UDI, d.Lot, d.Serial, d.Name, spanOf(d.Made), spanOf(d.Expiry),
			d.Issuer, d.Part, d.Parent, d.Odd})
	}
	for i := range m.Visits {
		r.Visits = append(r.Visits, visitRecordOf(&m.Visits[i]))
	}
	return r
}

func (r *implantRecord) implant() surveil.Implant {
	m := surveil.Implant{ID: r.ID, Class: r.Class, Index: r.Index.span(), Clock: r.Clock.span(), Clocks: r.Clocks, Zone: r.Zone, Side: r.Side,
		Protocol: r.Protocol, Chosen: r.Chosen, Draft: r.Draft, Ended: r.Ended, EndedOn: r.EndedOn, Next: r.Next, Performer: r.Performer, Why: reasons(r.Why)}
	for _, d := range r.Devices {
		m.Devices = append(m.Devices, chart.Device{Source: chart.Source{Ref: d.Ref, Version: d.Version}, Class: d.Class, Zone: d.Zone, IsImplant: d.Implant,
			UDI: d.UDI, Lot: d.Lot, Serial: d.Serial, Name: d.Name, Made: d.Made.span(), Expiry: d.Expiry.span(),
			Issuer: d.Issuer, Part: d.Part, Parent: d.Parent, Odd: d.Odd})
	}
	for i := range r.Visits {
		m.Visits = append(m.Visits, r.Visits[i].visit())
	}
	return m
}

func visitRecordOf(v *surveil.Visit) visitRecord {
	r := visitRecord{Implant: v.Implant, Clock: v.Clock, Series: v.Series, Step: v.Step, N: v.N, Target: spanOf(v.Target), Opens: spanOf(v.Opens),
		Closes: spanOf(v.Closes), LastDay: v.LastDay, Standing: v.Standing, Timing: v.Timing, Study: v.Study, StudyDate: spanOf(v.StudyDate),
		Result: v.Result, Excuse: v.Excuse, Added: v.Added, Contrast: v.Contrast, Needs: uint16(v.Needs), Cite: v.Cite, Evidence: v.Evidence,
		Protocol: v.Protocol, Why: reasonsOf(v.Why)}
	if b := v.Booking; b != nil {
		r.Booking = &bookingRecord{b.Appointment, b.Date, b.InWindow}
	}
	r.Kinds = kindNames(v.Kinds)
	return r
}

func kindNames(kinds []chart.Kind) (names []string) {
	for _, k := range kinds {
		names = append(names, k.String())
	}
	return names
}

func kindsNamed(names []string) (kinds []chart.Kind) {
	for _, name := range names {
		k, _ := chart.ParseKind(name)
		kinds = append(kinds, k)
	}
	return kinds
}

func (r *visitRecord) visit() surveil.Visit {
	v := surveil.Visit{Implant: r.Implant, Clock: r.Clock, Series: r.Series, Step: r.Step, N: r.N, Target: r.Target.span(), Opens: r.Opens.span(),
		Closes: r.Closes.span(), LastDay: r.LastDay, Standing: r.Standing, Timing: r.Timing, Study: r.Study, StudyDate: r.StudyDate.span(),
		Result: r.Result, Excuse: r.Excuse, Added: r.Added, Contrast: r.Contrast, Needs: chart.Territory(r.Needs), Cite: r.Cite, Evidence: r.Evidence,
		Protocol: r.Protocol, Why: reasons(r.Why)}
	if b := r.Booking; b != nil {
		v.Booking = &surveil.VisitBooking{Appointment: b.Appointment, Date: b.Date, InWindow: b.InWindow}
	}
	v.Kinds = kindsNamed(r.Kinds)
	return v
}

func workRecordOf(w *surveil.Work) workRecord {
	return workRecord{w.Key, w.Kind, w.Urgency, w.From, w.By, w.Implant, w.Visit, w.About, w.Snoozed, reasonsOf(w.Why)}
}

func (r *workRecord) work() surveil.Work {
	return surveil.Work{Key: r.Key, Kind: r.Kind, Urgency: r.Urgency, From: r.From, By: r.By, Implant: r.Implant, Visit: r.Visit, About: r.About, Snoozed: r.Snoozed, Why: reasons(r.Why)}
}
