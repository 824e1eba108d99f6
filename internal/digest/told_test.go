package digest_test

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/digest"
	"perennial/internal/notice"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

func rules(t *testing.T) *surveil.Rules {
	t.Helper()
	files, err := fs.Sub(config.Files, "protocols")
	if err != nil {
		t.Fatal(err)
	}
	set, ps := protocol.Load(files)
	if len(ps) > 0 {
		t.Fatal(ps[0].Error())
	}
	return &surveil.Rules{All: set, Care: surveil.CareFrom(set, nil), Settings: surveil.Defaults()}
}

// someChart is an invented patient with one implant and some imaging.
func someChart(rng *rand.Rand) *chart.Chart {
	index := day.Of(2015+rng.IntN(11), 1+rng.IntN(12), 1+rng.IntN(28))
	c := &chart.Chart{Patient: fmt.Sprintf("p%d", rng.IntN(1000)), Name: "Ada Quillfeather", Identifiers: []string{"urn:x|123456"}}
	class, zone := "evar", "aorta-abdominal"
	if rng.IntN(3) == 0 {
		class, zone = "tevar", "aorta-thoracic"
	}
	c.Operations = []chart.Operation{{Source: chart.Source{Ref: "Procedure/a"}, On: day.On(index), Minute: day.NoMinute, Role: chart.RoleImplant, Class: class, Zone: zone}}
	at := index
	for i := 0; i < 1+rng.IntN(8); i++ {
		at = at.Plus(20 + rng.IntN(500))
		s := chart.Study{Source: chart.Source{Ref: fmt.Sprintf("ImagingStudy/s%d", i)}, On: day.On(at), Minute: day.NoMinute, Kind: chart.CTAngiogram,
			Covers: chart.Chest | chart.Abdomen | chart.Pelvis, How: "procedure code"}
		c.Studies = append(c.Studies, s)
		if rng.IntN(2) == 0 {
			on := day.On(at.Plus(rng.IntN(20)))
			c.Reports = append(c.Reports, chart.Report{Source: chart.Source{Ref: fmt.Sprintf("DiagnosticReport/r%d", i)}, Studies: []string{s.Ref}, On: s.On, Issued: on, State: chart.ReportFinal, Imaging: true})
		}
	}
	if rng.IntN(6) == 0 {
		c.Dead = chart.Death{Known: true, On: day.On(at.Plus(rng.IntN(400)))}
	}
	if rng.IntN(3) == 0 {
		c.Bookings = []chart.Booking{{Source: chart.Source{Ref: "Appointment/b"}, On: at.Plus(rng.IntN(500)), Imaging: true, Kind: chart.CTAngiogram, Covers: chart.Chest | chart.Abdomen | chart.Pelvis}}
	}
	return c
}

// facts are what a reader of a plan would call its state, each under the
// subject that a line of the letter is about. It is made from the plans alone.
func facts(p *surveil.Plan) map[string]string {
	out := map[string]string{"state": string(p.Surveillance) + string(p.Ended), "rung": string(p.FollowUp)}
	for i := range p.Implants {
		m := &p.Implants[i]
		out["implant "+m.ID] = "there"
		for j := range m.Visits {
			v := &m.Visits[j]
			out["visit "+v.Key()] = fmt.Sprint(v.Standing, v.Timing, v.Study, v.Result)
		}
	}
	for _, w := range p.Work {
		out["work "+w.Key] = fmt.Sprint(w.Urgency, w.From, w.By, w.About)
	}
	return out
}

// On random days the lines of the letter are the difference between
// yesterday's plan and today's: each line stands for something that differs,
// and for each thing that differs there is a line.
func TestLinesAreTheDifferenceBetweenPlans(t *testing.T) {
	t.Parallel()
	r := rules(t)
	rng := rand.New(rand.NewPCG(7, 7))
	days, quiet := 0, 0
	for days < 100 {
		c := someChart(rng)
		wake := surveil.Evaluate(c, r, day.Of(2015, 1, 1).Plus(rng.IntN(4200))).Wake
		if wake == 0 {
			continue
		}
		today := wake.Plus(rng.IntN(2)) // a day with a change, or the day after
		before, after := surveil.Decide(c, r, today-1), surveil.Decide(c, r, today)
		checkDay(t, &before, &after)
		days++
		if reflectEqual(facts(&before), facts(&after)) {
			quiet++
		}
	}
	if quiet < 10 || quiet > 90 {
		t.Errorf("%d of 100 days were quiet: the test does not test much", quiet)
	}
}

func reflectEqual(a, b map[string]string) bool { return fmt.Sprint(a) == fmt.Sprint(b) }

func checkDay(t *testing.T, before, after *surveil.Plan) {
	t.Helper()
	told := digest.Told(notice.Diff(before, after))
	in := digest.Input{Site: "s", On: after.AsOf, Since: before.AsOf}
	subjects := map[string]bool{}
	for _, c := range told {
		in.Changed = append(in.Changed, digest.Change{Change: c})
		subjects[subject(&c)] = true
	}
	l := write(t, in)
	if n := strings.Count(part(l.Text), "\n- "); n != min(60, len(told)) {
		t.Errorf("%s: %d lines for %d changes\n%s", after.AsOf, n, len(told), l.Text)
	}
	was, now := facts(before), facts(after)
	for s := range subjects {
		if was[s] == now[s] {
			t.Errorf("%s: a line about %s, which did not change", after.AsOf, s)
		}
	}
	for s := range now {
		if was[s] != now[s] && !subjects[s] && !byVisit(s, after, subjects) && !noNews(s, was, now) {
			t.Errorf("%s: %s changed from %q to %q and no line says so", after.AsOf, s, was[s], now[s])
		}
	}
	for s := range was {
		if _, ok := now[s]; !ok && !subjects[s] && !byVisit(s, before, subjects) {
			t.Errorf("%s: %s is gone and no line says so", after.AsOf, s)
		}
	}
}

// noNews says whether something new on the list asks for nothing: a visit that
// is upcoming, a follow-up that begins as current, what is done or booked
// already when an implant becomes known.
func noNews(s string, was, now map[string]string) bool {
	if was[s] != "" {
		return false
	}
	switch {
	case s == "rung":
		return now[s] == "current"
	case strings.HasPrefix(now[s], "upcoming"):
		return true
	}
	asks := strings.HasPrefix(now[s], "open") || strings.HasPrefix(now[s], "overdue") || strings.HasPrefix(now[s], "undecided")
	return strings.HasPrefix(s, "visit ") && was["implant Procedure/a"] == "" && !asks
}

// part is the first list of the letter.
func part(text string) string {
	_, rest, _ := strings.Cut(text, "Changed")
	first, _, _ := strings.Cut(rest, "Due:")
	return first
}

// subject is what a change is about, as facts names it.
func subject(c *notice.Change) string {
	switch c.Kind {
	case notice.State, notice.Rung:
		return string(c.Kind)
	case notice.ImplantNew, notice.ImplantGone:
		return "implant " + c.Implant
	case notice.Visit:
		return "visit " + c.Visit
	}
	return "work " + c.Work.Key
}

// byVisit says whether work on a visit is told by the visit's own line.
func byVisit(s string, p *surveil.Plan, subjects map[string]bool) bool {
	return slices.ContainsFunc(p.Work, func(w surveil.Work) bool {
		return "work "+w.Key == s && w.Visit != "" && w.About == "" && subjects["visit "+w.Visit]
	})
}

// Of a new implant the letter tells the implant and what asks for something.
func TestANewImplantIsNotAFlood(t *testing.T) {
	t.Parallel()
	r := rules(t)
	c := someChart(rand.New(rand.NewPCG(1, 2)))
	c.Dead = chart.Death{}
	p := surveil.Decide(c, r, c.Operations[0].On.First.Plus(1500))
	all := notice.Diff(nil, &p)
	told := digest.Told(all)
	if len(told) >= len(all) || !slices.ContainsFunc(told, func(c notice.Change) bool { return c.Kind == notice.ImplantNew }) {
		t.Errorf("%d of %d changes are told", len(told), len(all))
	}
	for _, c := range told {
		if c.Kind == notice.Visit && c.Was == "" && (strings.HasPrefix(c.Now, "done") || strings.HasPrefix(c.Now, "upcoming")) {
			t.Errorf("told without need: %s", c.Text())
		}
	}
}

// A letter names the protocols in force that nobody has signed off.
func TestLetterNamesDrafts(t *testing.T) {
	t.Parallel()
	in := sample()
	if strings.Contains(write(t, in).Text, "Drafts that") {
		t.Error("drafts are named where there are none")
	}
	in.Drafts = []string{"svs-aaa-2018@1", "svs-fu-2018@1"}
	l := write(t, in)
	for name, text := range map[string]string{"text": l.Text, "html": l.HTML} {
		if flat := strings.Join(strings.Fields(text), " "); !strings.Contains(flat, "Drafts that no clinician has signed off: svs-aaa-2018@1, svs-fu-2018@1.") {
			t.Errorf("%s does not name the drafts", name)
		}
	}
}
