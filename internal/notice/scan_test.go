package notice_test

import (
	"testing"

	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// A proposed scan day is said on one line: with the implants where there are
// several, and never with a day that has passed.
func TestScanText(t *testing.T) {
	t.Parallel()
	p := plan(visit(surveil.Open, nil))
	both := plan(visit(surveil.Open, nil))
	both.Implants = append(both.Implants, surveil.Implant{ID: "Procedure/y", Class: "iliac-branch", Side: "left"})
	from, to := on("2026-04-01").First, on("2026-04-30").First
	for want, c := range map[string]struct {
		plan *surveil.Plan
		scan surveil.Scan
	}{
		"One scan day serves: y5, aorta5, any day from 1 Apr 2026 to 30 Apr 2026.":                       {p, surveil.Scan{From: from, To: to, Serves: []string{implant + "/y5", implant + "/aorta5"}}},
		"One scan day serves: m1 (EVAR), check1 (left Iliac branch), any day from today to 30 Apr 2026.": {both, surveil.Scan{From: p.AsOf - 3, To: to, Serves: []string{implant + "/m1", "Procedure/y/2/check1"}}},
		"One scan day serves: y1 (EVAR), y2 (left Iliac branch), on 1 Apr 2026, which is booked.":        {both, surveil.Scan{From: from, To: from, Booked: "Appointment/a", Serves: []string{implant + "/y1", "Procedure/y/y2"}}},
		"One scan day serves: check1, check2, any day from now on.":                                      {p, surveil.Scan{From: p.AsOf - 9, Serves: []string{implant + "/check1", implant + "/check2"}}},
		"A scan day of its own for: y1, on 1 Apr 2026.":                                                  {p, surveil.Scan{From: from, To: from, Serves: []string{implant + "/y1"}}},
	} {
		if got := notice.ScanText(c.plan, &c.scan); got != want {
			t.Errorf("says %q, not %q", got, want)
		}
	}
}
