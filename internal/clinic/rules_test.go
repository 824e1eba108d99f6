package clinic_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/day"
	"perennial/internal/source"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// rungOf is the stored rung of the only patient.
func rungOf(r *rig) (rung surveil.Rung) {
	r.t.Helper()
	n := 0
	if err := r.Lines(r.t.Context(), func(l store.Line) error {
		rung = l.FollowUp
		n++
		return nil
	}); err != nil || n != 1 {
		r.t.Fatalf("%d patients, %v", n, err)
	}
	return rung
}

// kinds lists the kinds of a patient's work with what each is about.
func kinds(p *surveil.Plan) (list []string) {
	for i := range p.Work {
		list = append(list, strings.TrimSpace(p.Work[i].Kind+" "+p.Work[i].About))
	}
	return list
}

// Reports that nobody read before the store was made are no work, unless they are
// of the implant's latest study, or the site says from when on.
func TestStart(t *testing.T) {
	t.Parallel()
	report := func(study, on string) string {
		return fmt.Sprintf(`{"resourceType":"DiagnosticReport","id":"r-%s","status":"final","subject":{"reference":"Patient/p"},"imagingStudy":[{"reference":"ImagingStudy/%s"}],"code":{"text":"CT angiography"},"effectiveDateTime":%q,"issued":"%sT12:00:00Z"}`, study, study, on, on)
	}
	bodies := []string{patient("p", ""), evar("e", "p", "2022-03-03")}
	for i, on := range []string{"2022-04-04", "2024-03-04", "2025-03-05"} {
		study := fmt.Sprintf("s%d%s", i, strings.Repeat("x", i)) // the study's uid has the length of its id
		bodies = append(bodies, cta(study, "p", on), report(study, on))
	}
	for _, one := range []struct {
		start day.Day
		want  int
	}{{0, 1}, {day.Of(2024, 1, 1), 2}, {day.Of(2020, 1, 1), 3}} {
		r := newRig(t)
		numbers := *r.o.Rules
		numbers.Settings.Start = one.start
		r.o.Rules = &numbers
		r.start()
		r.give(bodies...)
		v, err := r.Patient(t.Context(), "p")
		if err != nil {
			t.Fatal(err)
		}
		got := 0
		for _, k := range kinds(&v.Plan) {
			if strings.HasPrefix(k, surveil.WorkReview) {
				got++
			}
		}
		if got != one.want {
			t.Errorf("start %v: %d reports to read, want %d: %q", one.start, got, one.want, kinds(&v.Plan))
		}
		r.sound()
	}
}

// A feed that is read every day changes nothing: every rung comes on the day on
// which it comes without feeds.
func TestFeedInTime(t *testing.T) {
	t.Parallel()
	bodies := raws([]string{patient("p", ""), evar("e", "p", "2026-03-03")})
	climb := func(feeds ...string) (days []string) {
		r := newRig(t)
		r.o.Feeds = feeds
		r.start()
		if _, err := r.Import(t.Context(), "feed", batchesOf(bodies, 9)); err != nil {
			t.Fatal(err)
		}
		was := surveil.Rung("")
		for range 300 {
			r.clock = r.clock.AddDate(0, 0, 1)
			if _, err := r.Import(t.Context(), "feed", func(func(source.Batch, error) bool) {}); err != nil {
				t.Fatal(err)
			}
			if _, err := r.Tick(t.Context()); err != nil {
				t.Fatal(err)
			}
			if now := rungOf(r); now != was {
				was = now
				days = append(days, r.Today().String()+" "+string(was))
			}
		}
		return days
	}
	with, without := climb("feed"), climb()
	if !slices.Equal(with, without) || len(without) < 2 {
		t.Errorf("with a feed %q, without %q", with, without)
	}
}

// While a feed is silent time raises nobody to presumed lost; once it is heard
// again the next day does.
func TestSilentFeed(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.o.Feeds = []string{"feed"}
	r.start()
	if _, err := r.Import(t.Context(), "feed", batchesOf(raws([]string{patient("p", ""), evar("e", "p", "2026-03-03")}), 9)); err != nil {
		t.Fatal(err)
	}
	rung := func(at time.Time) surveil.Rung {
		r.clock = at
		if _, err := r.Tick(t.Context()); err != nil {
			t.Fatal(err)
		}
		return rungOf(r)
	}
	later := time.Date(2027, 6, 30, 9, 0, 0, 0, time.UTC)
	silent := rung(later)
	if silent == surveil.RungPresumedLost || silent == surveil.RungLost {
		t.Errorf("the feed is silent and the patient is %s", silent)
	}
	if _, err := r.Import(t.Context(), "feed", func(func(source.Batch, error) bool) {}); err != nil {
		t.Fatal(err)
	}
	if got := rung(later.AddDate(0, 0, 1)); got != surveil.RungPresumedLost {
		t.Errorf("the feed was heard again, and the patient is %s", got)
	}
	r.sound()
}
