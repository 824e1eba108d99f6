package clinic

import (
	"context"
	"errors"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/notice"
	"perennial/internal/prompt"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// View is all that is known about one patient, as of today.
type View struct {
	Patient string       // id of the surviving record
	Plan    surveil.Plan // made afresh for today
	Chart   *chart.Chart
	Line    store.Line
	Rulings []chart.Ruling              // those taken back too
	Items   []store.Item                // all work items ever made
	There   map[string]notice.Elsewhere // what people did with their Tasks, by the key of now
	Records []store.Record              // all versions of all resources, in the order received
	Prompts []prompt.Prompt             // what to think of beside a CT angiogram
	Beside  []*surveil.Visit            // the due visits beside which they stand
}

// Patient gives everything about the patient of a record, also where it was
// merged into another. fault.NotFound where nobody knows the id.
func (c *Clinic) Patient(ctx context.Context, id string) (View, error) {
	var v View
	id = strings.TrimPrefix(id, "Patient/")
	err := c.view(ctx, func(r kv.Reader) error {
		known, err := store.Known(r, id)
		if err == nil && !known {
			err = fault.New(fault.NotFound, "find the patient", "Check the id: it is that of the FHIR Patient.", errors.New("no record with this id is there"))
		}
		if err != nil {
			return err
		}
		rd, err := c.look(r, []string{id}, c.Today())
		if err != nil {
			return err
		}
		if err := rd.ask(); err != nil {
			return err
		}
		v, err = rd.show(rd.survivor(id))
		return err
	})
	return v, err
}

// show gives one patient of a round.
func (rd *round) show(id string) (View, error) {
	v := View{Patient: id}
	for i := range rd.now {
		if p := &rd.now[i]; p.id == id {
			v.Plan, v.Chart, v.Line = p.plan, p.chart, store.LineOf(&p.plan, p.chart)
		}
	}
	if v.Chart == nil {
		v.Chart = &chart.Chart{Patient: id}
		v.Plan = surveil.Plan{Patient: id, AsOf: rd.asOf}
	}
	v.Prompts = prompt.For(v.Chart, &v.Plan, &rd.rules.Settings)
	v.Beside = prompt.Beside(&v.Plan, rd.rules.Settings.LeadDays)
	mine := append(slices.Clone(rd.merged[id]), id)
	for _, key := range mine {
		v.Rulings = append(v.Rulings, rd.rulings[key]...)
	}
	for i := range rd.records {
		if slices.Contains(mine, rd.records[i].Patient) {
			v.Records = append(v.Records, rd.records[i])
		}
	}
	var err error
	v.Items, err = store.ItemsOf(rd.r, id)
	v.There = map[string]notice.Elsewhere{}
	for i := 0; err == nil && i < len(v.Items); i++ {
		v.There[v.Items[i].Now], err = elsewhere(rd.r, &v.Items[i])
	}
	return v, err
}
