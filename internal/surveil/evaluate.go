package surveil

import (
	"strconv"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Evaluate decides the plan of one patient on a day. A chart without an
// implant gives a plan without implants and without work.
func Evaluate(c *chart.Chart, r *Rules, asOf day.Day) Plan {
	return Plan{Patient: c.Patient, AsOf: asOf}
}

// Text is the reason in plain words, for people.
func (r Reason) Text() string { return r.Rule }

func visitKey(implant string, clock int, step string) string {
	if clock > 1 {
		return implant + "/" + strconv.Itoa(clock) + "/" + step
	}
	return implant + "/" + step
}
