package surveil_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/testkit/second"
)

// This file writes the second engine's charts and protocols in the words of
// the real one, and the real one's plans in the words of the second, so that
// the two can be compared to the key.

func spanOf(text string) day.Span {
	s, err := day.ParseDate(text)
	if err != nil {
		return day.Span{}
	}
	return s
}

func dayOf(text string) day.Day { return spanOf(text).First }

func kindOf(name string) chart.Kind {
	k, _ := chart.ParseKind(name)
	return k
}

func territory(names []string) chart.Territory {
	var t chart.Territory
	for _, n := range names {
		if n == "leg" {
			n = "legs"
		}
		one, ok := chart.ParseTerritory(n)
		if !ok {
			panic("no territory " + n)
		}
		t |= one
	}
	return t
}

// statements writes a chart as what resources say. Resources that the reading
// side gives no facts for are left out here as there.
func statements(c second.Chart, asOf string) ([]chart.Statement, []chart.Ruling) {
	var all []chart.Statement
	add := func(s chart.Statement) {
		s.Seq = int64(len(all))
		all = append(all, s)
	}
	person := &chart.Person{ID: c.ID, Sex: c.Sex, Born: "1950-01-01"}
	if c.DeadTrue || c.DeadDate != "" {
		person.Dead = chart.Death{Known: true, On: spanOf(c.DeadDate)}
	}
	add(chart.Statement{Ref: "Patient/" + c.ID, Person: person})
	for _, op := range c.Operations {
		addOperation(op, add)
	}
	for _, s := range c.Studies {
		addStudy(s, c.Reports, add)
	}
	for _, r := range c.Reports {
		if !slices.ContainsFunc(c.Studies, func(s second.Study) bool { return s.ID == r.ID }) {
			add(reportOf(r))
		}
	}
	for _, f := range c.Findings {
		method := map[string]string{"ct": "ct/", "duplex": "ultrasound/", "mr": "mr/"}[f.Modality] + f.Measure
		one := chart.Finding{Source: chart.Source{Ref: f.ID}, What: f.What, Type: f.Type, Tenths: f.TenthsMM, Has: f.TenthsMM != 0, Method: method, Study: f.Study, On: spanOf(f.Date)}
		add(chart.Statement{Ref: f.ID, Retracted: f.Status == "entered-in-error", Findings: []chart.Finding{one}})
	}
	for _, d := range c.Diagnoses {
		add(chart.Statement{Ref: d.ID, Retracted: d.Status == "entered-in-error", Condition: &chart.Condition{Source: chart.Source{Ref: d.ID}, What: d.What, On: spanOf(d.Date)}})
	}
	for _, b := range c.Bookings {
		state := map[string]chart.BookingState{"fulfilled": chart.BookingKept, "checked-in": chart.BookingKept, "cancelled": chart.BookingOff, "noshow": chart.BookingMissed}[b.Status]
		booking := chart.Booking{Source: chart.Source{Ref: b.ID}, On: dayOf(b.Date), State: state, Imaging: true, Kind: kindOf(b.Kind), Covers: territory(b.Territories)}
		st := chart.Statement{Ref: b.ID, Booking: &booking}
		if b.Status == "arrived" {
			st.Contact = &chart.Contact{Source: booking.Source, On: day.On(booking.On), What: "appointment"}
		}
		add(st)
	}
	for _, e := range c.Encounters {
		if e.Status == "arrived" || e.Status == "in-progress" || e.Status == "finished" {
			add(chart.Statement{Ref: e.ID, Contact: &chart.Contact{Source: chart.Source{Ref: e.ID}, On: spanOf(e.Date), What: "encounter"}})
		}
	}
	for _, a := range c.Attempts {
		add(chart.Statement{Ref: a.ID, Attempt: &chart.Attempt{Source: chart.Source{Ref: a.ID}, On: spanOf(a.Sent), Channel: a.Channel, Answered: spanOf(a.Received)}})
	}
	for _, k := range c.Kidney {
		add(chart.Statement{Ref: k.ID, Lab: &chart.Lab{Source: chart.Source{Ref: k.ID}, What: "egfr", Value: int64(k.Tenths) * 1000, On: spanOf(k.Date)}})
	}
	return all, rulings(c, asOf)
}

func addOperation(op second.Operation, add func(chart.Statement)) {
	if op.Status != "completed" {
		add(chart.Statement{Ref: op.ID, Retracted: op.Status == "entered-in-error"})
		return
	}
	if op.Role == "history" {
		add(chart.Statement{Ref: op.ID, History: &chart.History{Source: chart.Source{Ref: op.ID}, Class: op.Class, Zone: op.Territory, Side: op.Side}})
		return
	}
	role := chart.Role(op.Role)
	if op.Role == "coils" {
		role = chart.RoleOcclusion
	}
	sided := strings.Contains(" carotid iliac leg renal ", " "+op.Territory+" ")
	add(chart.Statement{Ref: op.ID, Operation: &chart.Operation{Source: chart.Source{Ref: op.ID}, On: spanOf(op.Date), Minute: day.NoMinute, Role: role,
		Class: op.Class, Zone: op.Territory, Sided: sided, Side: op.Side}})
}

func addStudy(s second.Study, reports []second.Report, add func(chart.Statement)) {
	one := chart.Study{Source: chart.Source{Ref: s.ID}, On: spanOf(s.Date), Minute: day.NoMinute, Kind: kindOf(s.Kind), Covers: territory(s.Territories),
		Unrecognised: s.Kind == "", ReportOnly: s.OnReport, UID: s.UID, CodedSeparate: true}
	if s.Accession != "" {
		one.Accession = s.Source + "|" + s.Accession
	}
	if at, err := time.Parse(time.RFC3339, s.Updated); err == nil {
		one.Updated = at.UnixMilli()
	}
	switch s.Status {
	case "registered":
		one.State = chart.StudyOrdered
	case "cancelled":
		one.State = chart.StudyRetracted
	}
	st := chart.Statement{Ref: s.ID, Updated: one.Updated, Retracted: s.Status == "entered-in-error", Study: &one}
	for _, r := range reports {
		if r.ID == s.ID { // a study on report only: one resource says both
			st.Report = reportOf(r).Report
			st.Report.Studies, st.Report.Imaging = nil, true
			st.Report.On, st.Report.Kind, st.Report.Covers = one.On, one.Kind, one.Covers
		}
	}
	add(st)
}

func reportOf(r second.Report) chart.Statement {
	state := chart.ReportFinal
	switch r.Status {
	case "registered", "partial", "preliminary":
		state = chart.ReportPreliminary
	case "cancelled", "entered-in-error":
		state = chart.ReportGone
	}
	report := &chart.Report{Source: chart.Source{Ref: r.ID}, Studies: []string{r.Study}, Issued: spanOf(r.Date), State: state}
	return chart.Statement{Ref: r.ID, Retracted: r.Status == "entered-in-error", Report: report}
}

func rulings(c second.Chart, asOf string) []chart.Ruling {
	var list []chart.Ruling
	for _, r := range c.Rulings {
		one := chart.Ruling{ID: r.ID, Patient: c.ID, Kind: chart.RulingKind(r.Kind), About: r.About, On: dayOf(r.Date), Until: dayOf(r.Until), Value: r.Value, Who: "w", When: r.Date, Why: "y"}
		if v := r.Visit; v.Implant != "" {
			one.Visit = v.Implant + "/" + v.Step
			if v.Clock > 1 {
				one.Visit = v.Implant + "/" + strconv.Itoa(v.Clock) + "/" + v.Step
			}
		}
		if r.Kind == "answer" {
			one.About = r.Asked + "|" + r.About
		}
		if r.Back != "" && dayOf(r.Back) <= dayOf(asOf) {
			one.TakenBack = &chart.TakenBack{}
		}
		list = append(list, one)
	}
	return list
}

func ways(list []second.Way) []protocol.Way {
	var out []protocol.Way
	for _, w := range list {
		if w.Part {
			continue // the real engine accepts parts of a territory by itself
		}
		one := protocol.Way{Kinds: []chart.Kind{kindOf(w.Kinds[0])}, Acceptance: w.Accept}
		if len(w.Kinds) == 2 {
			one.With, one.Within = []chart.Kind{kindOf(w.Kinds[1])}, 30
		}
		out = append(out, one)
	}
	return out
}

func protocolOf(p second.Protocol) *protocol.Protocol {
	out := &protocol.Protocol{ID: p.ID, Version: p.Version, Classes: p.Classes, Late: !p.NoLate, KeepClock: p.KeepClock, Gap: day.Offset{Months: p.GapMonths}}
	out.Covers = []protocol.Cover{{Needs: territory(firstStep(p).Territory)}}
	for i, s := range p.Series {
		row := protocol.Series{ID: fmt.Sprint("row", i), Prefix: "y", Ladder: !s.NoLadder}
		for _, step := range s.Steps {
			one := protocol.Step{ID: step.ID, At: day.Offset{Months: step.Months, Days: step.Days}, Before: step.Before, After: step.After, Ways: ways(step.Ways), Needs: territory(step.Territory)}
			if step.OnlyIf != nil {
				when := conditionOf(*step.OnlyIf)
				one.OnlyIf = &when
			}
			row.Steps = append(row.Steps, one)
		}
		if r := s.Repeat; r != nil {
			row.Prefix = r.Name
			row.Repeat = &protocol.Repeat{From: day.Offset{Months: r.First}, Every: day.Offset{Months: r.Every}, Until: day.Offset{Months: r.Until},
				Before: r.Step.Before, After: r.Step.After, Ways: ways(r.Step.Ways), Needs: territory(r.Step.Territory)}
		}
		out.Series = append(out.Series, row)
	}
	for _, t := range p.Triggers {
		out.Triggers = append(out.Triggers, triggerOf(t))
	}
	return out
}

func firstStep(p second.Protocol) second.Step {
	for _, s := range p.Series {
		if len(s.Steps) > 0 {
			return s.Steps[0]
		}
	}
	return p.Series[0].Repeat.Step
}

// triggerOf writes a trigger in the words of the real engine: all but the
// series, which these do not have yet.
func triggerOf(t second.Trigger) protocol.Trigger {
	out := protocol.Trigger{ID: t.ID, When: conditionOf(t.When)}
	if t.Review != nil {
		out.Then.Review = &protocol.Review{Within: t.Review.Days, Urgency: t.Review.Urgency}
	}
	if t.Withhold {
		out.Then.Withhold = 30
	}
	if a := t.Visit; a != nil {
		out.Then.Visit = &protocol.Added{At: day.Offset{Months: a.Months, Days: a.Target}, Open: a.Opens, Close: a.Closes, Ways: ways(a.Ways), Needs: territory(a.Needs)}
	}
	if a := t.Series; a != nil {
		out.Then.Series = &protocol.AddedSeries{Every: a.Every, Until: a.Until, Before: a.Before, After: a.After, Ways: ways(a.Ways), Needs: territory(a.Needs), Instead: a.Instead}
	}
	return out
}

// conditionOf writes a condition.
func conditionOf(c second.Condition) protocol.Condition {
	out := protocol.Condition{Finding: c.What, Types: c.Types, AtLeast: c.AtLeast, Below: c.Below, Growth: c.Growth, Across: c.Across,
		Of: c.Of, Sex: c.Sex, If: c.If, Later: c.NotFirst}
	if c.With != nil {
		with := conditionOf(*c.With)
		out.With = &with
	}
	if c.Operation == "coils" {
		out.Event = "occlusion"
	}
	for _, kind := range c.Seen {
		out.Seen = append(out.Seen, kindOf(kind))
	}
	for _, one := range c.Any {
		out.Any = append(out.Any, conditionOf(one))
	}
	return out
}

// rulesOf gives both engines the same protocols and numbers.
func rulesOf(given []second.Protocol, o second.Options) *surveil.Rules {
	r := &surveil.Rules{Care: map[string][]surveil.InForce{}, Settings: surveil.Defaults()}
	for _, list := range [][]second.Protocol{given, second.Defaults()} {
		for _, p := range list {
			one := protocolOf(p)
			for _, class := range p.Classes {
				if len(r.Care[class]) == 0 {
					r.Care[class] = []surveil.InForce{{Protocol: one}}
				}
			}
		}
	}
	s := &r.Settings
	s.RecordsFrom, s.Start, s.CompleteTo, s.AcceptReports = dayOf(o.RecordsFrom), dayOf(o.SiteStart), dayOf(o.CompleteTo), o.AcceptReports
	s.KidneyDays, s.KidneyLongDays = o.KidneyDays, o.KidneyDays
	return r
}

func texts(s day.Span) (first, last string) {
	if s.Exact() {
		return s.First.String(), ""
	}
	return s.First.String(), s.Last.String()
}

// asSecond writes a plan in the words of the second engine.
func asSecond(p surveil.Plan) second.Plan {
	out := second.Plan{Patient: p.Patient, Surveillance: string(p.Surveillance), Ended: string(p.Ended), FollowUp: string(p.FollowUp),
		LastSeen: p.LastSeen.String(), Wake: p.Wake.String(), Implants: []second.ImplantPlan{}}
	if len(p.Implants) == 0 {
		return second.Plan{Patient: p.Patient, Wake: out.Wake, Implants: out.Implants}
	}
	if p.Surveillance == surveil.StateActive {
		gap := p.ImagingGap
		out.ImagingGap = &gap
	}
	for _, m := range p.Implants {
		one := second.ImplantPlan{ID: m.ID, Class: m.Class, Protocol: m.Protocol}
		one.Index, one.IndexTo = texts(m.Index)
		one.Clock, one.ClockTo = texts(m.Clock)
		for i, v := range m.Visits {
			w := visitAsSecond(v)
			one.Visits = append(one.Visits, w)
			if i == m.Next {
				one.Next = &second.NextPlan{Step: w.Step, Target: w.Target, TargetTo: w.TargetTo, Opens: w.Opens, OpensTo: w.OpensTo, Closes: w.Closes, ClosesTo: w.ClosesTo}
			}
		}
		out.Implants = append(out.Implants, one)
	}
	for _, w := range p.Work {
		out.Work = append(out.Work, workAsSecond(w))
	}
	for _, s := range p.Scans {
		out.Scans = append(out.Scans, second.ScanPlan{From: s.From.String(), To: s.To.String(), Serves: s.Serves})
	}
	for _, q := range p.Questions {
		out.Questions = append(out.Questions, second.QuestionItem{Kind: q.Kind, About: q.About})
	}
	return out
}

func visitAsSecond(v surveil.Visit) second.VisitPlan {
	w := second.VisitPlan{ClockNumber: v.Clock, Step: v.Step, N: v.N, Standing: string(v.Standing), Timing: v.Timing, Study: v.Study, Result: v.Result}
	w.Target, w.TargetTo = texts(v.Target)
	w.Opens, w.OpensTo = texts(v.Opens)
	w.Closes, w.ClosesTo = texts(v.Closes)
	w.StudyDate, w.StudyDateTo = texts(v.StudyDate)
	if b := v.Booking; b != nil {
		w.Booking = &second.BookingPlan{Appointment: b.Appointment, Date: b.Date.String(), InWindow: b.InWindow}
	}
	return w
}

func workAsSecond(w surveil.Work) second.WorkItem {
	out := second.WorkItem{Kind: w.Kind, Implant: w.Implant, About: w.About, Urgency: w.Urgency, From: w.From.String(), By: w.By.String()}
	parts := strings.Split(w.Key, "|")
	switch {
	case w.Kind == surveil.WorkQuestion:
		out.Step = parts[2]
	case w.Visit != "":
		out.Clock, _ = strconv.Atoi(parts[2])
		out.Step = parts[3]
		out.N, _ = strconv.Atoi(parts[4])
	}
	return out
}

// story is one random chart with what it is judged by.
type story struct {
	chart   second.Chart
	given   []second.Protocol
	asOf    string
	options second.Options
}

// language is how much of the trigger language random protocols use: all of it.
const language = second.AllWords

// storyOf makes the story of a seed. Those of odd seeds are stirred, and every
// third is told with many findings, under protocols with random triggers.
func storyOf(seed uint64) story {
	rng := rand.New(rand.NewPCG(seed, 7))
	c := second.Generate(rng)
	told := seed%3 == 2
	if told {
		c = second.Observe(rand.New(rand.NewPCG(seed, 9)), c)
	}
	if seed%2 == 1 {
		c = second.Stir(rand.New(rand.NewPCG(seed, 8)), c)
	}
	for i := range c.Findings {
		for _, s := range c.Studies { // a finding is of the modality of its study
			if m := map[string]string{"ct": "ct", "mr": "mr", "ultrasound": "duplex"}[kindOf(s.Kind).Modality()]; s.ID == c.Findings[i].Study && m != "" {
				c.Findings[i].Modality = m
			}
		}
	}
	o := second.OptionsFor(rng)
	o.KidneyDays, o.WakeDays = 90, 400
	var given []second.Protocol
	switch rng.IntN(6) {
	case 0:
		given = second.Shipped("label-1-6-12-trial")
	case 1:
		given = second.Shipped("label-1-6-12")
	case 2:
		given = second.Shipped("svs-fu-2018")
	case 3:
		given = second.Shipped("accaha-2022")
	}
	if told {
		given = second.RandomRules(rand.New(rand.NewPCG(seed, 10)), language)
		if rng.IntN(3) == 0 {
			return story{c, given, second.AfterFinding(rng, c), o}
		}
		return story{c, given, second.AsOf(rng, c, given...), o}
	}
	return story{c, given, second.AsOf(rng, c), o}
}

// decided is the real engine's plan of a day.
func (s story) decided(on day.Day, decide func(*chart.Chart, *surveil.Rules, day.Day) surveil.Plan) surveil.Plan {
	list, rulings := statements(s.chart, s.asOf)
	ch, _ := chart.Assemble(list, chart.Options{Patient: s.chart.ID, Rulings: rulings})
	return decide(ch, rulesOf(s.given, s.options), on)
}

// compare evaluates one story with both engines.
func compare(s story, wake bool) (want, got second.Plan) {
	s.options.NoWake = !wake
	want = second.Assess(s.chart, s.given, s.asOf, s.options)
	decide := surveil.Decide
	if wake {
		decide = surveil.Evaluate
	}
	got = asSecond(s.decided(dayOf(s.asOf), decide))
	sortWork(want.Work)
	sortWork(got.Work)
	if want.Undivided { // the second engine gave up; the real one never does
		want.Undivided, got.Scans = false, nil
	}
	return want, got
}
