package protocol

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/day"
	"perennial/internal/yamldoc"
)

// daysOf is the usual length of an offset in days, rounded down; a month is
// taken as 30.4375 days (a year of 365.25). It serves to compare steps with
// one another, never to make a date. Because months differ, two windows that
// do not overlap by it may share a day or two for some index dates (1 May + 3
// months is 92 days, 31 January + 3 months is 89); the engine then gives a
// study to the visit where it is best placed, so no study counts twice.
func daysOf(o day.Offset) int { return units(o) / 400 }

// units is the usual length of an offset in 400ths of a day, which is exact.
func units(o day.Offset) int { return o.Months*12175 + o.Days*400 }

// point is one visit of a series for the checks.
type point struct {
	name          string
	at            day.Offset
	before, after int
	place         place
}

// check looks for what each part alone cannot show.
func (p *parser) check(top *yamldoc.Section, out *Protocol, rows []row) {
	for i := range rows {
		p.checkOrder(&rows[i])
		p.checkGrid(&rows[i], out.Gap)
	}
	for _, class := range out.Classes {
		p.checkClass(top, out, class, rows)
	}
	p.checkConditional(rows)
	p.checkCircles(out.Triggers)
	p.checkInstead(out)
}

// checkInstead looks whether a series that takes the place of the calendar's
// visits leaves longer without imaging than the protocol allows.
func (p *parser) checkInstead(out *Protocol) {
	for i := range out.Triggers {
		s := out.Triggers[i].Then.Series
		if s == nil || !s.Instead || s.Every == 0 || out.Gap.Zero() || units(day.Offset{Months: s.Every}) <= units(out.Gap) {
			continue
		}
		p.report(p.whenAt[i], "", "the visits of %s come every %s in place of the calendar's, which is longer than the protocol's gap %s: every such patient would show an imaging gap",
			out.Triggers[i].ID, months(s.Every), out.Gap)
	}
}

// checkOrder looks at the steps of a series one after another.
func (p *parser) checkOrder(r *row) {
	last := point{}
	for i := range r.Steps {
		s := &r.Steps[i]
		if s.At.Zero() {
			continue
		}
		if units(s.At) <= units(last.at) {
			p.report(r.stepAt[i], "", "the steps are out of order: %s (%s) does not come after %s (%s)", s.ID, s.At, last.name, last.at)
		}
		if s.Before > daysOf(s.At) {
			p.report(r.stepAt[i], "", "the window opens %d days before %s, before the operation", s.Before, s.At)
		}
		p.checkName(r.stepAt[i], s)
		last = point{name: s.ID, at: s.At}
	}
}

// checkName looks whether an id such as m6 or y1 says what the offset says.
func (p *parser) checkName(w place, s *Step) {
	if len(s.ID) < 2 || s.ID[0] != 'm' && s.ID[0] != 'y' {
		return
	}
	n, err := strconv.Atoi(s.ID[1:])
	if err != nil || n > 2400 {
		return
	}
	if s.ID[0] == 'y' {
		n *= 12
	}
	if diff := units(s.At) - n*12175; diff > 15*400 || diff < -15*400 {
		p.report(w, "", "the id %s says %d months, the offset is %s", s.ID, n, s.At)
	}
}

// points are the visits that every patient of the series has: the steps
// without a condition and the first two of the repeat. There are none where
// an offset could not be read: what lies between is then not known.
func (r *row) points() []point {
	var list []point
	for i := range r.Steps {
		s := &r.Steps[i]
		if s.At.Zero() {
			return nil
		}
		if s.OnlyIf == nil {
			list = append(list, point{s.ID, s.At, s.Before, s.After, r.stepAt[i]})
		}
	}
	if p := r.Repeat; p != nil && !p.From.Zero() {
		second := day.Offset{Months: p.From.Months + p.Every.Months, Days: p.From.Days}
		list = append(list, point{"repeat", p.From, p.Before, p.After, r.repeatAt})
		if p.Every.Months > 0 && (p.Until.Zero() || second.Months <= p.Until.Months) {
			list = append(list, point{"the next repeat", second, p.Before, p.After, r.repeatAt})
		}
	}
	return list
}

// checkGrid looks for windows that overlap, and for years without a visit.
func (p *parser) checkGrid(r *row, gap day.Offset) {
	last := point{name: "the operation"}
	for i, v := range r.points() {
		apart := (units(v.at) - units(last.at)) / 400
		switch {
		case apart <= 0 && v.name == "repeat":
			p.report(v.place, "", "the steps are out of order: the repeat begins (%s) not after %s (%s)", v.at, last.name, last.at)
		case apart <= 0: // checkOrder has said so
		case i > 0 && apart <= last.after+v.before:
			p.report(v.place, "", "the windows of %s and %s overlap: %d days lie between them, at least %d are needed", last.name, v.name, apart, last.after+v.before+1)
		case r.Repeat != nil && r.Repeat.Every.Months > 0 && units(v.at)-units(last.at) > units(r.Repeat.Every):
			p.report(v.place, "", "a gap: nothing between %s and %s, which is longer than the interval %s", placed(last), placed(v), r.Repeat.Every)
		}
		last = v
	}
	if rep := r.Repeat; rep != nil && r.Ladder && !gap.Zero() && units(rep.Every) > units(gap) {
		p.report(r.repeatAt, "", "the interval %s is longer than the protocol's gap %s: every patient would show an imaging gap", rep.Every, gap)
	}
}

func placed(v point) string {
	if v.at.Zero() {
		return v.name
	}
	return fmt.Sprintf("%s (%s)", v.name, v.at)
}

// checkClass looks whether a class has visits that move the ladder, a
// territory, and ids that are each used once.
func (p *parser) checkClass(top *yamldoc.Section, out *Protocol, class string, rows []row) {
	ladder, seen, series := false, map[string]bool{}, map[string]bool{}
	for i := range rows {
		r := &rows[i]
		if !r.For(class) {
			continue
		}
		ladder = ladder || r.Ladder
		if series[r.ID] && r.ID != "" {
			p.report(r.place, "", "the series id %q stands twice for %s", r.ID, class)
		}
		series[r.ID] = true
		p.checkIDs(r, class, seen)
	}
	if !ladder && len(rows) > 0 {
		p.report(at(top, "classes"), "", "no series that moves the ladder is for %s: nobody would notice that its patients are lost", class)
	}
	if out.Need(class, func(string) bool { return false }) == 0 {
		p.report(at(top, "covers"), "", "no territory is named for %s: any study at all would satisfy", class)
	}
}

// checkIDs looks whether the steps of a series, repeats included, have ids
// that no other visit of the class has.
func (p *parser) checkIDs(r *row, class string, seen map[string]bool) {
	use := func(id string, w place) bool {
		if id == "" {
			return true
		}
		if seen[id] {
			p.report(w, "", "the step id %q stands twice for %s", id, class)
			return false
		}
		if strings.HasPrefix(id, "check") {
			p.report(w, "", "the step id %q is one of those that added visits get", id)
		}
		seen[id] = true
		return true
	}
	for i := range r.Steps {
		use(r.Steps[i].ID, r.stepAt[i])
	}
	rep := r.Repeat
	if rep == nil || rep.Every.Months < 12 || r.Prefix == "" {
		return
	}
	for at := rep.From; at.Months <= 12*150 && (rep.Until.Zero() || at.Months <= rep.Until.Months); at.Months += rep.Every.Months {
		if !use(r.RepeatID(at), r.repeatAt) {
			return
		}
	}
}

// checkConditional looks whether each condition on the first scan has a first
// scan: a series for the same classes that begins with the baseline.
func (p *parser) checkConditional(rows []row) {
	for i := range rows {
		r := &rows[i]
		ok := slices.ContainsFunc(rows, func(b row) bool {
			return b.Baseline() && (len(b.Classes) == 0 || len(r.Classes) > 0 && !slices.ContainsFunc(r.Classes, func(c string) bool { return !b.For(c) }))
		})
		for j := range r.Steps {
			if r.Steps[j].OnlyIf != nil && !ok {
				p.report(r.stepAt[j], "", "%s depends on the first scan, but no series for its classes begins with one within three months", r.Steps[j].ID)
			}
		}
	}
}
