package daemon

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync/atomic"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// Pages answers what the pages ask from a clinic.
type Pages struct {
	Clinic     *clinic.Clinic
	Site       string
	Conflicts  protocol.Conflicts // where the sources differ, shown beside protocols
	Feeds      []string           // names of the sources that are read again and again
	StaleHours int                // without a success for so long a feed is silent; zero: never
	Now        func() time.Time

	trail atomic.Pointer[string] // what is wrong with the AuditEvents; nil or empty: nothing
}

var _ web.Clinic = (*Pages)(nil)

// Worklist gives every open work item.
func (p *Pages) Worklist(ctx context.Context) (web.Worklist, error) {
	out := web.Worklist{AsOf: p.Clinic.Today(), Site: p.Site}
	rows, err := p.Clinic.Worklist(ctx, clinic.Filter{Snoozed: true, Tests: &out.Tests})
	for i := range rows {
		if rows[i].Snoozed > 0 {
			out.Snoozed++
			continue
		}
		out.Rows = append(out.Rows, pageRow(&rows[i]))
	}
	if err == nil {
		out.Alarms, err = p.alarms(ctx)
	}
	return out, err
}

func pageRow(r *clinic.Row) web.Row {
	w := &r.Item.Work
	row := web.Row{Patient: r.Line.Patient, Name: r.Line.Name, Record: web.RecordNumber(r.Line.Identifiers), Phone: r.Line.Phone, Kind: w.Kind, Urgency: w.Urgency,
		Step: r.Step, By: w.By, BookedGone: r.NoShow, LastSeen: r.Line.LastSeen, FollowUp: r.Line.FollowUp, Why: r.Text, There: r.There}
	if o := visitOf(r); o != nil {
		row.Standing, row.Opens, row.Closes, row.Booking = o.Standing, o.Opens, o.Closes, o.Booked
		row.OutOfTime = o.Booked > 0 && (o.Booked < o.Opens || o.Booked > o.Closes)
	}
	row.Class, row.Index = implantOf(r)
	if row.Class == "" && len(r.Line.Classes) > 0 {
		row.Class = r.Line.Classes[0]
	}
	return row
}

// visitOf is the visit that a row is about; nil where it is about none.
func visitOf(r *clinic.Row) *store.Owed {
	for _, list := range [][]store.Owed{r.Line.Owed, r.Line.Beside} {
		for i := range list {
			if list[i].Visit == r.Item.Work.Visit && list[i].Visit != "" {
				return &list[i]
			}
		}
	}
	return nil
}

// implantOf is the class and the index date of the implant that a row is about;
// nothing where it is about the patient, and there are several.
func implantOf(r *clinic.Row) (class string, index day.Span) {
	id := r.Item.Work.Implant
	if o := visitOf(r); o != nil {
		id = o.Implant
	}
	for i := range r.Line.Implants {
		if m := &r.Line.Implants[i]; m.ID == id || len(r.Line.Implants) == 1 {
			return m.Class, m.Index()
		}
	}
	return "", day.Span{}
}

// Patient gives one patient.
func (p *Pages) Patient(ctx context.Context, id string) (web.Patient, error) {
	v, err := p.Clinic.Patient(ctx, id)
	if err != nil {
		return web.Patient{}, err
	}
	return web.Patient{Site: p.Site, Plan: &v.Plan, Chart: v.Chart, Conflicts: p.Conflicts, BookedGone: v.Line.BookedGone, Prompts: v.Prompts, Beside: v.Beside, There: v.There}, nil
}

// Questions gives every question that stands.
func (p *Pages) Questions(ctx context.Context) (web.Questions, error) {
	out := web.Questions{AsOf: p.Clinic.Today(), Site: p.Site}
	rows, err := p.Clinic.Questions(ctx, clinic.Filter{Tests: &out.Tests})
	for i := range rows {
		r, w := &rows[i], &rows[i].Item.Work
		q := web.Question{Patient: r.Line.Patient, Name: r.Line.Name, Record: web.RecordNumber(r.Line.Identifiers), Text: r.Text, About: w.About, Since: w.From, Hides: w.Urgency == "asap", Visit: w.Visit}
		if len(w.Why) > 0 {
			q.Text = w.Why[0].Text()
		}
		q.Kind = questionKind(w.Key)
		out.Rows = append(out.Rows, q)
	}
	return out, err
}

// Status says whether everything adds up and arrives.
func (p *Pages) Status(ctx context.Context) (web.Status, error) {
	st, err := p.Clinic.Status(ctx)
	if err != nil {
		return web.Status{}, err
	}
	out := web.Status{AsOf: st.Today, Site: p.Site, Mode: string(st.Mode), Live: st.Live, LiveBy: st.LiveBy, Digested: st.Digested, Ticked: st.Ticked}
	for _, s := range sums(&st) {
		sum := web.Sum{Name: s.Name, Total: s.Total}
		for _, part := range s.Parts {
			sum.Parts = append(sum.Parts, web.Part{Name: part.Name, N: part.N})
		}
		out.Sums = append(out.Sums, sum)
	}
	for _, s := range p.known(&st) {
		out.Sources = append(out.Sources, p.source(&s, st.Made))
	}
	out.Alarms = p.warnings(&st)
	out.Care, out.Conflicts = p.care(), p.Conflicts
	for _, c := range st.ClosedWays(p.Clinic.Zone()) {
		if c.Meant { // else it is an alarm
			out.Remarks = append(out.Remarks, c.Text)
		}
		out.Remarks = append(out.Remarks, c.Hint)
	}
	out.Outbox = []web.Part{{Name: "waiting", N: st.Outbox.Pending}, {Name: "sent", N: st.Outbox.Sent}, {Name: "failed", N: st.Outbox.Failed}}
	if st.Removed > 0 {
		out.Outbox = append(out.Outbox, web.Part{Name: "Tasks that people removed there, not made again", N: st.Removed})
	}
	open, err := p.Clinic.Preview(ctx)
	for _, kind := range slices.Sorted(maps.Keys(open.Open)) {
		out.Work = append(out.Work, web.Part{Name: kind, N: open.Open[kind]})
	}
	return out, err
}

func (p *Pages) alarms(ctx context.Context) ([]string, error) {
	st, err := p.Clinic.Status(ctx)
	if err != nil {
		return nil, err
	}
	return p.warnings(&st), nil
}

// known lists the sources, with the feeds that were never read yet.
func (p *Pages) known(st *clinic.Status) []store.Source {
	list := slices.Clone(st.Sources)
	for _, name := range p.Feeds {
		if !slices.ContainsFunc(list, func(s store.Source) bool { return s.Name == name }) {
			list = append(list, store.Source{Name: name})
		}
	}
	return list
}

// warnings say what people must look at: they name no patient.
func (p *Pages) warnings(st *clinic.Status) (list []string) {
	for _, s := range sums(st) {
		if !s.Holds() {
			list = append(list, "A sum does not hold: "+s.Name+".")
		}
	}
	for _, s := range p.known(st) {
		if p.source(&s, st.Made).Stale {
			list = append(list, "The source "+s.Name+" is silent.")
		}
	}
	for _, c := range st.ClosedWays(p.Clinic.Zone()) {
		if !c.Meant {
			list = append(list, c.Text)
		}
	}
	if text := p.trail.Load(); text != nil && *text != "" {
		list = append(list, *text)
	}
	if st.Waiting {
		list = append(list, "The protocols in the settings have changed and are not in force yet; until somebody adopts them the old ones hold. See perennial protocol adopt --help.")
	}
	if n := st.Outbox.Failed; n > 0 {
		list = append(list, fmt.Sprintf("Could not be sent, and is not tried again: %d. See perennial send --help.", n))
	}
	if now := p.Now(); st.Digested.Sub(now) > time.Hour || st.Ticked > civil(now.In(p.Clinic.Zone()).Date()) {
		list = append(list, "The clock of this computer went back. Put it right: until it has caught up no digest goes out.")
	}
	return list
}

// source says when a source was last read. Only a feed can be silent: what was
// imported once is not expected again.
func (p *Pages) source(s *store.Source, made time.Time) web.Source {
	last := s.Success
	if last.IsZero() {
		last = made
	}
	stale := p.StaleHours > 0 && slices.Contains(p.Feeds, s.Name) && p.Now().Sub(last).Hours() > float64(p.StaleHours)
	return web.Source{Name: s.Name, Success: s.Success, Tried: s.Tried, Error: s.Error, Waits: s.Waits, New: s.New, Stale: stale}
}

// drafts are the protocols in force that nobody has signed off.
func (p *Pages) drafts() []string {
	var list []string
	for _, c := range p.care() {
		if c.Draft && !slices.Contains(list, c.Protocol) {
			list = append(list, c.Protocol)
		}
	}
	slices.Sort(list)
	return list
}

// care lists the protocols in force.
func (p *Pages) care() []web.Care {
	seen := map[string]int{}
	var list []web.Care
	rules := p.Clinic.Rules()
	for _, class := range classes(rules) {
		for _, era := range rules.Care[class] {
			key := era.Protocol.Ref() + "|" + era.From.String()
			if i, ok := seen[key]; ok {
				list[i].Classes += ", " + class
				list[i].Of = append(list[i].Of, class)
				continue
			}
			seen[key] = len(list)
			list = append(list, web.Care{Classes: class, Of: []string{class}, Protocol: era.Protocol.Ref(), Draft: era.Protocol.Status == "draft", From: era.From, Chosen: era.Chosen})
		}
	}
	return append(list, scoped(rules)...)
}

// scoped lists the protocols that go before those of the site for some patients.
func scoped(rules *surveil.Rules) (list []web.Care) {
	add := func(who, chosen string, by *protocol.Protocol, from day.Day) {
		one := web.Care{Classes: who, Protocol: by.Ref(), Draft: by.Status == "draft", From: from, Chosen: chosen}
		for _, other := range list {
			if other.Classes == one.Classes && other.Protocol == one.Protocol && other.From == from {
				return
			}
		}
		list = append(list, one)
	}
	for _, s := range rules.StudyCare {
		if s.Until == 0 {
			add("on the study "+s.Name, "device study", s.Protocol, s.From)
		}
	}
	for _, l := range rules.Labels {
		if l.Until == 0 {
			add("devices followed by their labelling", "device labelling", l.Protocol, l.From)
		}
	}
	return list
}
