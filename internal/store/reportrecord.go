package store

import (
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// reportRecord is how what a study is told is stored.
type reportRecord struct {
	Study    string              `json:"study"`
	Name     string              `json:"name"`
	Protocol string              `json:"protocol,omitempty"`
	Draft    bool                `json:"draft,omitempty"`
	Care     bool                `json:"care,omitempty"`
	Implant  string              `json:"implant,omitempty"`
	Class    string              `json:"class,omitempty"`
	From     day.Day             `json:"from,omitempty"`
	Until    day.Day             `json:"until,omitempty"`
	Left     string              `json:"left,omitempty"`
	Facts    []string            `json:"facts,omitempty"`
	Visits   []reportVisitRecord `json:"visits,omitempty"`
}

type reportVisitRecord struct {
	Step      string              `json:"step"`
	Target    spanRec             `json:"target"`
	Opens     spanRec             `json:"opens"`
	Closes    spanRec             `json:"closes"`
	State     surveil.ReportState `json:"state"`
	Study     string              `json:"study,omitempty"`
	StudyDate spanRec             `json:"studyDate,omitempty"`
	Bin       *binRecord          `json:"bin,omitempty"`
}

type binRecord struct {
	From    day.Day `json:"from"`
	To      day.Day `json:"to"`
	Imaging bool    `json:"imaging,omitempty"`
}

func reportRecordsOf(list []surveil.Report) (out []reportRecord) {
	for i := range list {
		r := &list[i]
		one := reportRecord{r.Study, r.Name, r.Protocol, r.Draft, r.Care, r.Implant, r.Class, r.From, r.Until, r.Left, r.Facts, nil}
		for _, v := range r.Visits {
			kept := reportVisitRecord{Step: v.Step, Target: spanOf(v.Target), Opens: spanOf(v.Opens), Closes: spanOf(v.Closes), State: v.State, Study: v.Study, StudyDate: spanOf(v.StudyDate)}
			if v.Bin != nil {
				kept.Bin = &binRecord{v.Bin.From, v.Bin.To, v.Bin.Imaging}
			}
			one.Visits = append(one.Visits, kept)
		}
		out = append(out, one)
	}
	return out
}

func reports(list []reportRecord) (out []surveil.Report) {
	for i := range list {
		r := &list[i]
		one := surveil.Report{Study: r.Study, Name: r.Name, Protocol: r.Protocol, Draft: r.Draft, Care: r.Care, Implant: r.Implant, Class: r.Class, From: r.From, Until: r.Until, Left: r.Left, Facts: r.Facts}
		for _, v := range r.Visits {
			made := surveil.ReportVisit{Step: v.Step, Target: v.Target.span(), Opens: v.Opens.span(), Closes: v.Closes.span(), State: v.State, Study: v.Study, StudyDate: v.StudyDate.span()}
			if v.Bin != nil {
				made.Bin = &surveil.Bin{From: v.Bin.From, To: v.Bin.To, Imaging: v.Bin.Imaging}
			}
			one.Visits = append(one.Visits, made)
		}
		out = append(out, one)
	}
	return out
}
