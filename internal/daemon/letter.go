// Package daemon puts the parts together: the letter that goes out each
// morning is laid out here from what the clinic knows.
package daemon

import (
	"context"
	"slices"
	"strings"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/digest"
	"perennial/internal/notice"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// content gathers what the digest of today says.
func content(ctx context.Context, p *Pages, d Digest) (digest.Input, error) {
	c := p.Clinic
	in := digest.Input{Site: p.Site, On: c.Today(), Names: d.Names, Link: d.Link}
	st, err := c.Status(ctx)
	if err != nil {
		return in, err
	}
	if in.Alarms, err = p.alarms(ctx); err != nil {
		return in, err
	}
	in.Drafts = p.drafts()
	in.Sums, in.Sources = sums(&st), p.sources(&st)
	if !st.Digested.IsZero() {
		in.Since = civil(st.Digested.In(c.Zone()).Date())
	}
	if err := changed(ctx, c, &in); err != nil {
		return in, err
	}
	rows, err := c.Worklist(ctx, clinic.Filter{Snoozed: true, Tests: &in.Tests})
	for i := range rows {
		if rows[i].Snoozed > 0 {
			in.Snoozed++
			continue
		}
		place(&in, &rows[i])
	}
	return in, err
}

// changed adds what changed since the last letter.
func changed(ctx context.Context, c *clinic.Clinic, in *digest.Input) error {
	return c.SinceDigest(ctx, func(pair store.Pair, line store.Line) error {
		for _, ch := range digest.Told(notice.Diff(pair.Then, pair.Now)) {
			if line.Test {
				in.Tests++
				continue
			}
			in.Changed = append(in.Changed, digest.Change{Who: who(&line), Change: ch})
		}
		return nil
	})
}

// place puts a work item into the list of the letter that it belongs to.
func place(in *digest.Input, r *clinic.Row) {
	w := &r.Item.Work
	item := digest.Item{Who: who(&r.Line), What: what(r), By: w.By, Detail: detail(r), Urgency: w.Urgency, Booked: r.Booked}
	switch w.Kind {
	case surveil.WorkArrange, surveil.WorkKidney, surveil.WorkObtain:
		in.Due = append(in.Due, item)
	case surveil.WorkChase:
		in.Overdue = append(in.Overdue, item)
	case surveil.WorkTrace:
		in.Lost = append(in.Lost, item)
	case surveil.WorkQuestion:
		in.Questions = append(in.Questions, item)
	default:
		in.Results = append(in.Results, item)
	}
}

// detail is why, without the title of the work, which stands beside it.
func detail(r *clinic.Row) string {
	why := strings.TrimPrefix(r.Text, notice.Title(r.Item.Work.Kind)+". ")
	if r.Closed { // what people wrote may name somebody, and stays out of letters
		there := notice.Elsewhere{Status: r.There.Status}
		why += " Remark: " + there.Lines(true)[0] + "."
	}
	return why
}

// what names an item without telling a finding: "EVAR y2: arrange imaging".
func what(r *clinic.Row) string {
	title := notice.Title(r.Item.Work.Kind)
	text := strings.ToLower(title[:1]) + title[1:] // titles begin with a letter of ASCII
	if r.Step != "" {
		text = r.Step + ": " + text
	}
	class, _ := implantOf(r)
	names := []string{notice.ClassName(class)}
	if class == "" {
		names = nil
		for _, c := range r.Line.Classes {
			names = append(names, notice.ClassName(c))
		}
	}
	name := strings.Join(slices.DeleteFunc(names, func(n string) bool { return n == "" }), ", ")
	switch {
	case name == "":
		return text
	case r.Step == "":
		return name + ": " + text
	}
	return name + " " + text
}

func who(l *store.Line) digest.Person {
	p := digest.Person{Name: l.Name, Record: l.Patient, Restricted: l.Restricted}
	if len(l.Identifiers) > 0 {
		p.Record = l.Identifiers[0][strings.LastIndexByte(l.Identifiers[0], '|')+1:]
	}
	return p
}

func sums(st *clinic.Status) []digest.Sum {
	r, p, w := st.Sums.Resources, st.Sums.Patients, st.Sums.Work
	return []digest.Sum{
		{Name: "Resources received", Total: r.Received, Parts: []digest.Part{{Name: "used", N: r.Used}, {Name: "superseded", N: r.Superseded}, {Name: "not relevant", N: r.NotRelevant}, {Name: "in error", N: r.InError}, {Name: "quarantined", N: r.Quarantined}}},
		{Name: "Patients with an implant", Total: p.WithImplant, Parts: []digest.Part{{Name: "under surveillance", N: p.Active}, {Name: "paused", N: p.Paused}, {Name: "ended", N: p.Ended}, {Name: "unresolved", N: p.Unresolved}}},
		{Name: "Work items ever made", Total: w.Ever, Parts: []digest.Part{{Name: "open", N: w.Open}, {Name: "completed", N: w.Completed}, {Name: "cancelled", N: w.Cancelled}}},
	}
}

// sources says when each source last came.
func (p *Pages) sources(st *clinic.Status) []digest.Source {
	var list []digest.Source
	for _, s := range p.known(st) {
		out := digest.Source{Name: s.Name, Stale: p.source(&s, st.Made).Stale}
		if !s.Success.IsZero() {
			at := s.Success.In(p.Clinic.Zone())
			out.Last, out.At = civil(at.Date()), at.Format("15:04")
		}
		list = append(list, out)
	}
	return list
}

// civil is a day of the calendar.
func civil(y int, m time.Month, d int) day.Day { return day.Of(y, int(m), d) }
