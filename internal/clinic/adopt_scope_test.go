package clinic_test

import (
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

const (
	trial  = "label-1-6-12-trial"
	harbor = "ResearchStudy/harbour"
)

// studied are the shipped rules with a study that makes the work, and a device that
// is followed as its labelling says.
func studied(id, label string) *surveil.Rules {
	out := *rules()
	if id != "" {
		out.Studies = []surveil.Study{{Key: harbor, Name: "Harbour", Protocol: out.All[id]}}
		out.StudyCare = []surveil.StudyCare{{Key: harbor, Name: "Harbour", Protocol: out.All[id]}}
	}
	if label != "" {
		out.Labels = []surveil.Label{{Device: "09990000000012", Protocol: out.All[label]}}
	}
	return &out
}

func subject(patient, status, from, to string) string {
	return `{"resourceType":"ResearchSubject","id":"rs-` + patient + `","status":"` + status + `","period":{"start":"` + from + `","end":"` + to + `"},"study":{"reference":"` + harbor + `"},"individual":{"reference":"Patient/` + patient + `"}}`
}

// A study that makes the work, and the labelling of a device, wait as a changed
// protocol does; adopted, they hold from that day on, and what is taken out of the
// settings ends the day before it is adopted. Reports need nobody's word.
func TestChangedScopeWaits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	device := `{"resourceType":"Device","id":"d","status":"active","udiCarrier":[{"deviceIdentifier":"9990000000012"}],"patient":{"reference":"Patient/b"}}`
	placed := strings.Replace(evar("pr2", "b", "2026-01-10"), `"id":"pr2"`, `"id":"pr2","focalDevice":[{"manipulated":{"reference":"Device/d"}}]`, 1)
	r.give(patient("a", ""), evar("pr1", "a", "2026-01-10"), cta("s", "a", "2026-02-09"), strings.Replace(subject("a", "on-study", "2026-01-01", ""), `,"end":""`, "", 1),
		patient("b", ""), device, placed)
	chosen := func() string {
		a, b := r.view("a").Plan.Implants[0], r.view("b").Plan.Implants[0]
		return a.Protocol + " " + a.Chosen + ", " + b.Protocol + " " + b.Chosen
	}
	const none = "svs-aaa-2018@1 default, svs-aaa-2018@1 default"
	if got := chosen(); got != none {
		t.Fatal(got)
	}
	r.o.Rules = studied(trial, "label-1-6-12")
	r.start()
	if got := chosen(); got != none || r.Waiting() == nil {
		t.Errorf("before it was adopted: %s", got)
	}
	if list := r.view("a").Plan.Reports; len(list) != 1 || list[0].Protocol != trial+"@1" || list[0].Care {
		t.Errorf("reports need nobody's word: %+v", list)
	}
	if _, err := r.Adopt(t.Context(), "N. Quay"); err != nil {
		t.Fatal(err)
	}
	if got := chosen(); got != trial+"@1 device study, label-1-6-12@1 device labelling" {
		t.Errorf("adopted: %s", got)
	}
	if c, l := r.Rules().StudyCare[0], r.Rules().Labels[0]; c.From != r.Today() || l.From != r.Today() {
		t.Errorf("in force from %s and %s", c.From.Text(), l.From.Text())
	}
	if v := r.view("a").Plan.Implants[0].Visits[0]; v.Protocol != "svs-aaa-2018@1" || v.Standing != surveil.Done {
		t.Errorf("what was satisfied is %s by %s", v.Standing, v.Protocol)
	}
	r.sound()
	day1 := r.Today()
	r.clock = r.clock.AddDate(0, 0, 20)
	r.start()
	if r.Waiting() != nil || r.Rules().StudyCare[0].From != day1 {
		t.Error("a restart asks again, or forgets the day")
	}
	r.o.Rules = rules()
	r.start()
	if got := chosen(); r.Waiting() == nil || got != trial+"@1 device study, label-1-6-12@1 device labelling" {
		t.Errorf("taken out, not adopted: %s", got)
	}
	if _, err := r.Adopt(t.Context(), "N. Quay"); err != nil {
		t.Fatal(err)
	}
	if got := chosen(); got != none {
		t.Errorf("taken out: %s", got)
	}
	if c, l := r.Rules().StudyCare[0], r.Rules().Labels[0]; c.Until != r.Today()-1 || l.Until != r.Today()-1 {
		t.Errorf("held until %s and %s", c.Until.Text(), l.Until.Text())
	}
	r.sound()
}

// What a study is told is stored with the plan, to the last part.
func TestReportsAreStored(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.o.Rules = studied(trial, "")
	r.o.Rules.Studies[0].Bins = &protocol.Profile{ID: "bins", Rows: []protocol.ProfileRow{{At: day.Offset{Months: 12}, From: day.Offset{Months: 8}, To: day.Offset{Months: 21}}}}
	r.start()
	r.give(patient("a", ""), evar("pr1", "a", "2025-01-10"), cta("s", "a", "2025-02-09"), cta("late", "a", "2025-09-15"), subject("a", "withdrawn", "2025-01-01", "2026-02-01"))
	want := r.view("a").Plan
	err := r.db.View(t.Context(), func(rd kv.Reader) error {
		p, err := store.ReadPlan(rd, "a")
		if err == nil && !p.Same(&want) {
			t.Errorf("stored %+v\nwant %+v", p.Reports, want.Reports)
		}
		return err
	})
	if err != nil || len(want.Reports) != 1 || want.Reports[0].Visits[2].Bin == nil || !want.Reports[0].Visits[2].Bin.Imaging || want.Reports[0].Left != "withdrawn" || !slices.ContainsFunc(want.Reports[0].Visits, func(v surveil.ReportVisit) bool { return v.State == surveil.OutOfWindow }) {
		t.Errorf("%v, %+v", err, want.Reports)
	}
}

// A withdrawal names the study by its reference or its name, or the resource that
// told of it; the care goes on.
func TestWithdrawFromOneStudy(t *testing.T) {
	t.Parallel()
	for _, about := range []string{harbor, "Harbour", "ResearchSubject/rs-a", ""} {
		r := newRig(t)
		r.o.Rules = studied(trial, "")
		r.o.Rules.StudyCare = nil
		r.start()
		r.give(patient("a", ""), evar("pr1", "a", "2025-01-10"), cta("s", "a", "2025-02-09"), strings.Replace(subject("a", "on-study", "2025-01-01", ""), `,"end":""`, "", 1))
		before := r.view("a").Plan
		_, err := r.Rule(t.Context(), chart.Ruling{Patient: "a", Kind: chart.RuleWithdraw, About: about, On: day.Of(2026, 3, 1), Who: "N. Quay", Why: "consent withdrawn"})
		after := r.view("a").Plan
		if err != nil || after.Reports[0].Left != "withdrawn" || after.Reports[0].Until != day.Of(2026, 3, 1) {
			t.Errorf("%q: %v, %+v", about, err, after.Reports[0])
		}
		before.Reports, after.Reports, before.Wake, after.Wake = nil, nil, 0, 0
		if !before.Same(&after) {
			t.Errorf("%q: the care is another", about)
		}
	}
}
