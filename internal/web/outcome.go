package web

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// outcome is what became of a study. Each has a shape of its own.
type outcome string

// Outcomes.
const (
	outcomeOnTime  outcome = "counted, on time"
	outcomeLate    outcome = "counted, late"
	outcomeWaits   outcome = "waits for a person"
	outcomeUnused  outcome = "not counted for a visit"
	outcomeUnknown outcome = "not recognised"
	outcomeGone    outcome = "taken back"
)

// Path is the shape of an outcome, around 0 0.
func (o outcome) Path() string {
	switch o {
	case outcomeOnTime:
		return "M0-5A5 5 0 1 1 0 5A5 5 0 1 1 0-5z"
	case outcomeLate:
		return "M-4.500-4.500h9v9h-9z"
	case outcomeWaits:
		return "M0-5A5 5 0 1 1 0 5A5 5 0 1 1 0-5zM0-3.600V3.600A3.600 3.600 0 1 1 0-3.600z"
	case outcomeUnknown:
		return "M0-5.500 5.500 4.500h-11zM0-2.600-3 3h6z"
	case outcomeGone:
		return "M-4-5.200 0-1.200 4-5.200 5.200-4 1.200 0 5.200 4 4 5.200 0 1.200-4 5.200-5.200 4-1.200 0-5.200-4z"
	}
	return "M0-4.500A4.500 4.500 0 1 1 0 4.500A4.500 4.500 0 1 1 0-4.500zM0-3.200A3.200 3.200 0 1 0 0 3.200A3.200 3.200 0 1 0 0-3.200z"
}

// Class is the outcome's name in the style sheet.
func (o outcome) Class() string {
	word, _, _ := strings.Cut(string(o), " ")
	if o == outcomeOnTime || o == outcomeLate {
		return "counted"
	}
	return strings.TrimSuffix(word, ",")
}

func outcomes() []outcome {
	return []outcome{outcomeOnTime, outcomeLate, outcomeWaits, outcomeUnused, outcomeUnknown, outcomeGone}
}

// outcomeOf says what became of a study in a plan. One that serves several
// visits is on time where it is so for one of them; the table tells them apart.
func outcomeOf(p *surveil.Plan, st *chart.Study) outcome {
	if st.State == chart.StudyRetracted {
		return outcomeGone
	}
	late := false
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			v := &p.Implants[i].Visits[j]
			if v.Standing == surveil.Done && isStudy(st, v.Study) {
				if v.Timing != "late" {
					return outcomeOnTime
				}
				late = true
			}
		}
	}
	if late {
		return outcomeLate
	}
	if slices.ContainsFunc(p.Questions, func(q surveil.Question) bool {
		return isStudy(st, q.About) && (q.Kind == "study-acceptance" || q.Kind == "study-early" || q.Kind == "partial-date")
	}) {
		return outcomeWaits
	}
	if st.Unrecognised {
		return outcomeUnknown
	}
	return outcomeUnused
}

// isStudy says whether a reference names the study; several studies that serve
// one visit together are named side by side.
func isStudy(st *chart.Study, ref string) bool {
	if ref == "" {
		return false
	}
	one := func(name string) bool {
		return name == ref || slices.Contains(strings.FieldsFunc(ref, func(r rune) bool { return r == '+' || r == ' ' || r == ',' }), name)
	}
	return one(st.Ref) || slices.ContainsFunc(st.Also, one)
}

// serves lists the visits that a study satisfied.
func serves(p *surveil.Plan, st *chart.Study) string {
	var list []string
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Standing == surveil.Done && isStudy(st, v.Study) {
				list = append(list, notice.ClassName(p.Implants[i].Class)+" "+v.Step)
			}
		}
	}
	return strings.Join(list, ", ")
}
