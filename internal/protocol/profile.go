package protocol

import (
	"io/fs"

	"perennial/internal/day"
	"perennial/internal/yamldoc"
)

// Profile is one way to put days around the visits of a calendar. Three
// questions have three profiles, never one: is a visit due (clinic), did it
// keep to the plan of a study (study), and in which column of a report is it
// counted (analysis).
type Profile struct {
	ID, Version, Title, Status string
	Field                      string // clinic, study or analysis
	Rows                       []ProfileRow
}

// ProfileRow is the window or the bin of one visit, or of all visits that come
// again after an interval.
type ProfileRow struct {
	At            day.Offset // of the visit; zero where Each is set
	Each          day.Offset // interval at which visits come again
	Before, After int        // a window: days before and after the target
	From, To      day.Offset // a bin, counted from the operation; zero: a window
	Cite          Cite
}

// On gives the days that the profile has for a visit: at is its offset, every
// the interval where it is one that comes again. False where it has none.
func (p *Profile) On(index day.Day, at, every day.Offset) (from, to day.Day, ok bool) {
	r := p.row(at, every)
	switch {
	case r == nil:
		return 0, 0, false
	case !r.To.Zero():
		return index.Add(r.From), index.Add(r.To), true
	}
	target := index.Add(at)
	return target.Plus(-r.Before), target.Plus(r.After), true
}

// row finds the row of a visit: its own, else that of its interval, which for a
// fixed visit at whole years is a year.
func (p *Profile) row(at, every day.Offset) *ProfileRow {
	if every.Zero() && at.Days == 0 && at.Months > 0 && at.Months%12 == 0 {
		every = day.Offset{Months: 12}
	}
	for i := range p.Rows {
		if r := &p.Rows[i]; !r.At.Zero() && r.At == at {
			return r
		}
	}
	for i := range p.Rows {
		if r := &p.Rows[i]; !r.Each.Zero() && r.Each == every {
			return r
		}
	}
	return nil
}

// Profiles are window profiles by id.
type Profiles map[string]*Profile

// LoadProfiles reads every *.yaml file at the root of a file system as a
// profile.
func LoadProfiles(files fs.FS) (Profiles, []yamldoc.Problem) {
	set := Profiles{}
	problems := eachDocument(files, func(name string, doc []byte) []yamldoc.Problem {
		p, problems := ParseProfile(name, doc)
		if p != nil {
			set[p.ID] = p
		}
		return problems
	})
	return set, problems
}

// eachDocument reads the documents at the root of a file system.
func eachDocument(files fs.FS, read func(name string, doc []byte) []yamldoc.Problem) []yamldoc.Problem {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil || len(names) == 0 {
		return []yamldoc.Problem{{File: ".", Text: "no document (*.yaml) is in this folder"}}
	}
	var all []yamldoc.Problem
	for _, name := range names {
		doc, err := fs.ReadFile(files, name)
		if err != nil {
			all = append(all, yamldoc.Problem{File: name, Text: "the file cannot be read: " + err.Error()})
			continue
		}
		all = append(all, read(name, doc)...)
	}
	return all
}

// ParseProfile reads one profile. With any problem the profile is nil.
func ParseProfile(name string, doc []byte) (*Profile, []yamldoc.Problem) {
	r, top := yamldoc.Open(name, doc)
	if len(r.Problems()) > 0 {
		return nil, r.Problems()
	}
	p := &parser{r: r, file: name, sources: map[string]string{}}
	out := &Profile{ID: p.id(top, "id"), Version: top.NeedText("version"), Title: top.NeedText("title"),
		Status: top.NeedOneOf("status", statuses()...), Field: top.NeedOneOf("field", "clinic", "study", "analysis")}
	p.readSources(top)
	for _, s := range top.Maps("rows") {
		out.Rows = append(out.Rows, p.profileRow(s))
	}
	if len(out.Rows) == 0 {
		top.Report("rows", "a profile without rows says nothing")
	}
	top.Done()
	if ps := yamldoc.Sort(append(r.Problems(), p.own...)); len(ps) > 0 {
		return nil, ps
	}
	return out, nil
}

func (p *parser) profileRow(s *yamldoc.Section) ProfileRow {
	out := ProfileRow{At: p.offset(s, "at", false), Each: p.offset(s, "each", false), From: p.offset(s, "from", false), To: p.offset(s, "to", false)}
	if s.Has("at") == s.Has("each") {
		s.Report("at", `a row is for one visit ("at") or for all of an interval ("each")`)
	}
	if s.Has("from") || s.Has("to") {
		s.Allow("from", "to")
		if units(out.From) >= units(out.To) {
			s.Report("to", "the bin ends (%s) before it begins (%s)", out.To, out.From)
		}
	} else {
		out.Before, out.After = p.days(s, "before", 0), p.days(s, "after", 0)
	}
	out.Cite = p.cite(s)
	s.Done()
	return out
}
