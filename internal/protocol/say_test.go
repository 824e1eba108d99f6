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
		"migration of 5 mm or more, but less than 10 mm":               {Finding: "migration", AtLeast: 50, Below: 100},
		"sac diameter of 55 mm or more":                                {Finding: "sac-diameter", AtLeast: 550},
		"ascending aortic or aortic arch diameter of 55.5 mm or more":  {Finding: "sac-diameter", AtLeast: 555, Of: []string{"ascending", "arch"}},
		"growth of the isthmus, descending aortic or abdominal aortic diameter by 5 mm or more against the first or the lowest value": {Growth: 50, Of: []string{"isthmus", "descending", "abdominal"}},
		"growth of the sac diameter by 5 mm or more, but measured by another method":                                                  {Growth: 50, Across: true, Of: []string{"sac"}},
		"endoleak II, seen on duplex, together with growth by 5 mm or more against the first or the lowest value on the same scan, not on the first scan after the operation": {
			Finding: "endoleak", Types: []string{"II"}, Seen: []chart.Kind{chart.Duplex}, Later: true, With: &protocol.Condition{Growth: 50}},
		"sac diameter of 50 mm or more, in women and where the sex is not known":                   {Finding: "sac-diameter", AtLeast: 500, Sex: "female"},
		"false lumen patent, in men and where the sex is not known, in patients with a dissection": {Finding: "false-lumen", Types: []string{"patent"}, Sex: "male", If: "dissection"},
		"fracture, or branch patency occluded":                                                     {Any: []protocol.Condition{{Finding: "fracture"}, {Finding: "branch-patency", Types: []string{"occluded"}}}},
	} {
		if got := c.Text(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	for want, e := range map[string]protocol.Effect{
		"a person looks within a day (urgent); routine imaging is not proposed meanwhile, for 30 days at most":                                       {Review: &protocol.Review{Within: 1, Urgency: "urgent"}, Withhold: 30},
		"a visit that confirms it 6 months after it, day 120 to 240":                                                                                 {Visit: &protocol.Added{At: day.Offset{Months: 6}, Open: 120, Close: 240}, Confirm: true},
		"a person looks the same day (stat)":                                                                                                         {Review: &protocol.Review{Urgency: "stat"}},
		"added visits every 6 months for 2 years after it, 60 days before to a day after the target, in place of the calendar's visits of that time": {Series: &protocol.AddedSeries{Every: 6, Until: 24, Before: 60, After: 1, Instead: true}},
		"added visits every year for 3 years after it, 0 days before to 30 days after the target":                                                    {Series: &protocol.AddedSeries{Every: 12, Until: 36, After: 30}},
		"an added visit 6 months after it, 60 days before to 60 days after the target; look":                                                         {Series: &protocol.AddedSeries{Every: 6, Until: 6, Before: 60, After: 60}, Note: "look"},
		"an added visit a year after it, day 1 to 400; look":                                                                                         {Visit: &protocol.Added{At: day.Offset{Months: 12}, Open: 1, Close: 400}, Note: "look"},
	} {
		if got := e.Text(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// What does an added visit by itself is told of both kinds of them; of a rule that
// adds none there is none.
func TestAlone(t *testing.T) {
	t.Parallel()
	ways := []protocol.Way{{Kinds: []chart.Kind{chart.Duplex}}, {Kinds: []chart.Kind{chart.MR}, Acceptance: true}, {Kinds: []chart.Kind{chart.CTPlain}, With: []chart.Kind{chart.DuplexLimited}, Within: 3}, {Kinds: []chart.Kind{chart.CTAngiogram}}}
	want := []chart.Kind{chart.Duplex, chart.CTAngiogram}
	for _, e := range []protocol.Effect{{Visit: &protocol.Added{Ways: ways}}, {Series: &protocol.AddedSeries{Ways: ways}}} {
		if d := cmp.Diff(want, e.Alone()); d != "" {
			t.Errorf("(-want +got)\n%s", d)
		}
	}
	if e := (protocol.Effect{Note: "look"}); e.Alone() != nil {
		t.Errorf("a note is done by %v", e.Alone())
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
