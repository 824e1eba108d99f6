package surveil

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// findFindings takes in the findings that people confirmed. The latest word on
// a finding wins over the record's.
func (e *engine) findFindings() {
	e.findings = e.c.Findings
	for i := range e.rulings {
		if r := &e.rulings[i]; r.Kind == chart.RuleConfirm {
			if f, ok := chart.ParseFinding(r.Value); ok {
				e.confirm(r, f)
			}
		}
	}
}

// confirm puts what a person read in place of the finding that they name. Said
// of a study or a report it stands beside what is on record there, and in place
// only of a finding whose type is not known: nothing that somebody else saw is
// lost unless it is named.
func (e *engine) confirm(r *chart.Ruling, f chart.Finding) {
	list := slices.Clone(e.findings)
	if i := slices.IndexFunc(list, func(o chart.Finding) bool { return o.Ref == r.About }); i >= 0 {
		old := list[i]
		old.What, old.Type, old.Tenths, old.Has, old.Confirmed = f.What, f.Type, f.Tenths, f.Has, r.ID
		list[i] = old
		e.findings = list
		return
	}
	f.Source, f.Study, f.On, f.Confirmed = chart.Source{Ref: "Ruling/" + r.ID}, r.About, day.On(r.From()), r.ID
	if i := slices.IndexFunc(e.c.Reports, func(p chart.Report) bool { return p.Ref == r.About }); i >= 0 {
		if p := &e.c.Reports[i]; len(p.Studies) > 0 {
			f.Report, f.Study = p.Ref, p.Studies[0]
		}
	}
	s := e.seenOn(&f)
	if s != nil {
		f.Study, f.On, f.Covers, f.Method = s.Ref, s.On, s.Covers, s.Kind.Modality()+"/"
		list = slices.DeleteFunc(list, func(o chart.Finding) bool { return o.What == f.What && o.Type == "unknown" && e.seenOn(&o) == s })
	}
	at := slices.IndexFunc(list, func(o chart.Finding) bool { return f.On.Before(o.On) })
	if at < 0 {
		at = len(list)
	}
	e.findings = slices.Insert(list, at, f)
}
