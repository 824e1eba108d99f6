package protocol_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// Conditions and effects in words, for people who read a protocol.
func TestWords(t *testing.T) {
	t.Parallel()
	for want, c := range map[string]protocol.Condition{
		"endoleak Ia or Ib, seen on duplex":                            {Finding: "endoleak", Types: []string{"Ia", "Ib"}, Seen: []chart.Kind{chart.Duplex}},
		"endoleak of a type that is not told":                          {Finding: "endoleak", Types: []string{"unknown"}},
		"migration of 4.5 mm or more":                                  {Finding: "migration", AtLeast: 45},
		"growth by 5 mm or more against the first or the lowest value": {Growth: 50},
		"growth by 5 mm or more, but measured by another method":       {Growth: 50, Across: true},
		"coils or an embolisation":                                     {Event: "occlusion"},
		"fracture, or branch patency occluded":                         {Any: []protocol.Condition{{Finding: "fracture"}, {Finding: "branch-patency", Types: []string{"occluded"}}}},
	} {
		if got := c.Text(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	for want, e := range map[string]protocol.Effect{
		"a person looks within a day (urgent); routine imaging is not proposed meanwhile, for 30 days at most": {Review: &protocol.Review{Within: 1, Urgency: "urgent"}, Withhold: 30},
		"a visit that confirms it 6 months after it, day 120 to 240":                                           {Visit: &protocol.Added{At: day.Offset{Months: 6}, Open: 120, Close: 240}, Confirm: true},
		"an added visit a year after it, day 1 to 400; look":                                                   {Visit: &protocol.Added{At: day.Offset{Months: 12}, Open: 1, Close: 400}, Note: "look"},
	} {
		if got := e.Text(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// The calendar of an operation on 31 August, typed: months are clamped to the end
// of the month, always from the operation; the five-yearly scan stands beside.
func TestCalendar(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	var got []string
	for _, s := range set["svs-aaa-2018"].Calendar("evar", day.Of(2024, 8, 31), day.Offset{Months: 60}) {
		got = append(got, s.Step+" "+s.Target.String()+" "+s.Opens.String()+" "+s.Closes.String()+" "+s.Needs.String())
	}
	want := []string{
		"m1 2024-09-30 2024-09-15 2024-10-30 abdomen+pelvis", "m6 2025-02-28 2024-12-30 2025-04-29 abdomen+pelvis", "y1 2025-08-31 2025-06-02 2025-11-29 abdomen+pelvis",
		"y2 2026-08-31 2026-06-02 2026-11-29 abdomen+pelvis", "y3 2027-08-31 2027-06-02 2027-11-29 abdomen+pelvis", "y4 2028-08-31 2028-06-02 2028-11-29 abdomen+pelvis",
		"y5 2029-08-31 2029-06-02 2029-11-29 abdomen+pelvis", "aorta5 2029-08-31 2029-03-04 2030-02-27 chest+abdomen+pelvis",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	trial := set["label-1-6-12-trial"].Calendar("evar", day.Of(2024, 8, 31), day.Offset{Months: 120})
	if last := trial[len(trial)-1]; last.Step != "y5" {
		t.Errorf("a study to five years ends with %s", last.Step)
	}
}
