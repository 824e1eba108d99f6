package web_test

import (
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/prompt"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// today is the day on which all samples live.
var today = sync.OnceValue(func() day.Day { return day.Of(2026, 3, 3) })

func now() time.Time { return time.Date(2026, 3, 3, 9, 30, 0, 0, time.UTC) }

var rules = sync.OnceValue(func() *surveil.Rules {
	files, err := fs.Sub(config.Files, "protocols")
	if err != nil {
		panic(err)
	}
	set, ps := protocol.Load(files)
	if len(ps) > 0 {
		panic(ps[0].Error())
	}
	numbers := surveil.Defaults()
	numbers.Start = day.Of(2025, 12, 1)
	return &surveil.Rules{All: set, Care: surveil.CareFrom(set, nil), Settings: numbers}
})

// ward is a clinic of invented patients.
type ward struct {
	list      web.Worklist
	patients  map[string]web.Patient
	questions web.Questions
	status    web.Status
	err       error
}

func (w *ward) Worklist(context.Context) (web.Worklist, error)   { return w.list, w.err }
func (w *ward) Questions(context.Context) (web.Questions, error) { return w.questions, w.err }
func (w *ward) Status(context.Context) (web.Status, error)       { return w.status, w.err }
func (w *ward) Patient(_ context.Context, id string) (web.Patient, error) {
	p, ok := w.patients[id]
	if !ok {
		return p, fault.New(fault.NotFound, "find the patient", "", nil)
	}
	return p, w.err
}

func (w *ward) add(p web.Patient) {
	plan := surveil.Evaluate(p.Chart, rules(), today())
	p.Plan, p.Site = &plan, w.list.Site
	p.Prompts, p.Beside = prompt.For(p.Chart, &plan, &rules().Settings), prompt.Beside(&plan, rules().Settings.LeadDays)
	w.patients[plan.Patient] = p
	w.list.Rows = append(w.list.Rows, web.Rows(&p)...)
	for _, q := range plan.Questions {
		w.questions.Rows = append(w.questions.Rows, web.Question{Patient: plan.Patient, Name: p.Chart.Name, Record: web.RecordNumber(plan.Identifiers), Kind: q.Kind,
			Text: q.Why.Text(), About: q.About, Since: q.Since, Hides: q.Hides, Visit: q.Visit})
	}
}

// someWard has invented patients of many kinds, the same every time.
func someWard(n int) *ward {
	w := &ward{patients: map[string]web.Patient{}}
	w.list = web.Worklist{AsOf: today(), Site: "Vascular unit, Example Harbour", Alarms: []string{"No data from fhir.example.org since 26 Feb 2026 22:10. The lists may be out of date."}}
	w.questions = web.Questions{AsOf: today(), Site: w.list.Site}
	w.add(rich())
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range n {
		w.add(some(rng, i))
	}
	w.status = someStatus(w)
	return w
}

func someStatus(w *ward) web.Status {
	st := web.Status{AsOf: today(), Site: w.list.Site, Alarms: w.list.Alarms, Mode: "files", Digested: now().Add(-150 * time.Minute), Ticked: today(),
		Sums: []web.Sum{
			{Name: "resources received", Total: 12480, Parts: []web.Part{{Name: "used", N: 9000}, {Name: "superseded", N: 300}, {Name: "not relevant", N: 3100}, {Name: "in error", N: 60}, {Name: "quarantined", N: 20}}},
			{Name: "patients with an implant", Total: 400, Parts: []web.Part{{Name: "under surveillance", N: 331}, {Name: "paused", N: 4}, {Name: "ended", N: 58}, {Name: "unresolved", N: 7}}},
			{Name: "work items ever made", Total: 960, Parts: []web.Part{{Name: "open", N: 210}, {Name: "completed", N: 700}, {Name: "cancelled", N: 50}}}},
		Sources: []web.Source{{Name: "folder inbox", Success: now().Add(-14 * time.Minute), Tried: now().Add(-14 * time.Minute), New: 8120},
			{Name: "fhir.example.org", Success: now().Add(-107 * time.Hour), Tried: now().Add(-4 * time.Minute), New: 4360, Stale: true, Error: "the server answered 503"}},
		Outbox: []web.Part{{Name: "waiting", N: 12}, {Name: "sent", N: 840}, {Name: "failed", N: 1}, {Name: "held", N: 0}, {Name: "replaced", N: 31}},
		Care:   []web.Care{{Classes: "EVAR, iliac branch", Protocol: "svs-aaa-2018@1", Draft: true, Chosen: "site"}, {Classes: "TEVAR", Protocol: "svs-tevar-2021@1", Draft: true, From: day.Of(2022, 1, 1), Chosen: "site"}}}
	counts := map[string]int{}
	for _, r := range w.list.Rows {
		counts[r.Kind]++
	}
	for _, k := range []string{surveil.WorkReview, surveil.WorkTrace, surveil.WorkChase, surveil.WorkArrange, surveil.WorkReport, surveil.WorkKidney, surveil.WorkQuestion} {
		st.Work = append(st.Work, web.Part{Name: k, N: counts[k]})
	}
	return st
}

const wholeTrunk = chart.Chest | chart.Abdomen | chart.Pelvis

func study(id string, on day.Day, kind chart.Kind) chart.Study {
	return chart.Study{Source: chart.Source{Ref: "ImagingStudy/" + id}, On: day.On(on), Minute: day.NoMinute, Kind: kind, Covers: wholeTrunk, How: "procedure code", Said: "invented description " + id}
}

func operation(id string, on day.Day, role chart.Role, class string) chart.Operation {
	zone := "aorta-abdominal"
	if class == "tevar" {
		zone = "aorta-thoracic"
	}
	return chart.Operation{Source: chart.Source{Ref: "Procedure/" + id}, On: day.On(on), Minute: day.NoMinute, Role: role, Class: class, Zone: zone, How: "procedure code", Devices: []string{"Device/" + id}}
}

// rich is a patient in whose story nearly everything happens.
func rich() web.Patient {
	c := &chart.Chart{Patient: "rich-1", Identifiers: []string{"urn:example:mrn|HB-0044719"}, Name: "Quillfeather, Ada Isolde", Sex: "female", Phone: "+1 555 0100", Born: day.On(day.Of(1947, 6, 11))}
	c.Operations = []chart.Operation{operation("evar", day.Of(2019, 2, 14), chart.RoleImplant, "evar"), operation("tevar", day.Of(2022, 9, 1), chart.RoleImplant, "tevar")}
	c.Devices = []chart.Device{{Source: chart.Source{Ref: "Device/evar"}, Class: "evar", Zone: "aorta-abdominal", IsImplant: true, Name: "Invented main body 28-16", UDI: "(01)00000000000000(10)LOT7", Lot: "LOT7", Serial: "S-4417", Expiry: day.On(day.Of(2023, 1, 31))}}
	lost := study("gone", day.Of(2023, 5, 2), chart.CTAngiogram)
	lost.State = chart.StudyRetracted
	odd := study("odd", day.Of(2025, 10, 20), chart.KindUnknown)
	odd.Unrecognised, odd.Covers = true, 0
	c.Studies = []chart.Study{study("m1", day.Of(2019, 3, 12), chart.CTAngiogram), study("y1", day.Of(2020, 2, 20), chart.Duplex), study("y2", day.Of(2021, 7, 30), chart.CTAngiogram), study("mid", day.Of(2021, 10, 1), chart.CTContrast),
		study("t1", day.Of(2022, 9, 28), chart.CTAngiogram), lost, study("y5", day.Of(2024, 2, 2), chart.CTAngiogram), odd, study("late", day.Of(2026, 1, 20), chart.CTContrast)}
	for _, s := range c.Studies[:5] {
		c.Reports = append(c.Reports, chart.Report{Source: chart.Source{Ref: "DiagnosticReport/" + s.Ref[13:]}, Studies: []string{s.Ref}, On: s.On, Issued: s.On.Plus(3), State: chart.ReportFinal, Imaging: true})
	}
	c.Findings = []chart.Finding{{Source: chart.Source{Ref: "Observation/leak"}, What: "endoleak", Type: "II", Study: "ImagingStudy/y5", Covers: wholeTrunk, On: day.On(day.Of(2024, 2, 2))}}
	c.Bookings = []chart.Booking{{Source: chart.Source{Ref: "Appointment/a"}, On: day.Of(2025, 12, 4), State: chart.BookingMissed, Imaging: true, Kind: chart.Duplex, Covers: wholeTrunk},
		{Source: chart.Source{Ref: "Appointment/b"}, On: day.Of(2026, 4, 14), Imaging: true, Kind: chart.CTAngiogram, Covers: wholeTrunk}}
	c.Attempts = []chart.Attempt{{Source: chart.Source{Ref: "Communication/1"}, On: day.On(day.Of(2025, 12, 9)), Channel: "phone", Outcome: "no-answer"}, {Source: chart.Source{Ref: "Communication/2"}, On: day.On(day.Of(2026, 1, 5)), Channel: "letter", Outcome: "reached", Answered: day.On(day.Of(2026, 1, 9))}}
	c.Contacts = []chart.Contact{{Source: chart.Source{Ref: "Encounter/e"}, On: day.On(day.Of(2026, 1, 20)), What: "encounter"}}
	c.Rulings = []chart.Ruling{{ID: "r1", Patient: "rich-1", Kind: chart.RuleDecline, Visit: "Procedure/evar/y3", Who: "N. Brightwater", When: "2022-01-12T10:20:00Z", Why: "travelling, asked for next year"},
		{ID: "r2", Patient: "rich-1", Kind: chart.RuleRefuse, About: "ImagingStudy/mid", Who: "N. Brightwater", When: "2021-10-09T08:05:00Z", Why: "pelvis not shown", TakenBack: &chart.TakenBack{Who: "Dr Fenwick Oxlip", When: "2021-10-11T12:00:00Z", Why: "it was the wrong study"}}}
	measured(c)
	return web.Patient{Chart: c, BookedGone: day.Of(2025, 12, 4)}
}

// measured adds diameters by CT and duplex, and what matters beside a scan.
func measured(c *chart.Chart) {
	for i, v := range []struct {
		study  string
		tenths int
		method string
	}{{"m1", 580, "ct/sac"}, {"y2", 521, "ct/sac"}, {"mid", 524, "ct/sac"}, {"t1", 541, "ct/sac"}, {"y5", 575, "ct/sac"}, {"y1", 505, "ultrasound/sac"}} {
		for j := range c.Studies {
			if s := &c.Studies[j]; s.Ref == "ImagingStudy/"+v.study {
				c.Findings = append(c.Findings, chart.Finding{Source: chart.Source{Ref: fmt.Sprint("Observation/sac", i)}, What: "sac-diameter", Tenths: v.tenths, Has: true, Method: v.method, Study: s.Ref, Covers: wholeTrunk, On: s.On, Observer: "Reader two"})
				c.Doses = append(c.Doses, chart.Dose{Source: chart.Source{Ref: fmt.Sprint("Observation/dlp", i)}, Study: s.Ref, Tenths: 9000, Total: true})
			}
		}
	}
	c.Labs = []chart.Lab{{Source: chart.Source{Ref: "Observation/creatinine"}, What: "creatinine", Value: 17600, On: day.On(day.Of(2026, 1, 20))}}
	c.Allergies = []chart.Allergy{{Source: chart.Source{Ref: "AllergyIntolerance/a"}, Severe: true, Agent: "iodinated", On: day.On(day.Of(2018, 5, 2))}}
	c.Medicines = []chart.Medicine{{Source: chart.Source{Ref: "MedicationStatement/m"}, What: "metformin", On: day.On(day.Of(2019, 1, 1))}}
}

// some is a patient with one implant and an irregular history.
func some(rng *rand.Rand, i int) web.Patient {
	firsts, lasts := []string{"Bo", "Cyprian", "Dagny", "Egon", "Fenna", "Gideon", "Hedda", "Ivo", "Jorun", "Kasimir"}, []string{"Tinderbox", "Lanternwick", "Saltmarsh", "Oakapple", "Windlestraw", "Thistledown", "Brambling", "Copperleaf"}
	c := &chart.Chart{Patient: fmt.Sprintf("p-%04d", i), Identifiers: []string{fmt.Sprintf("urn:example:mrn|HB-%07d", 51000+i*37)}, Name: lasts[rng.IntN(len(lasts))] + ", " + firsts[rng.IntN(len(firsts))], Sex: "unknown", Born: day.On(day.Of(1935+rng.IntN(30), 1+rng.IntN(12), 1+rng.IntN(28)))}
	if rng.IntN(5) > 0 {
		c.Phone = fmt.Sprintf("+1 555 01%02d", rng.IntN(100))
	}
	class := []string{"evar", "evar", "evar", "tevar", "fenestrated-branched", "open-repair"}[rng.IntN(6)]
	index := today().Plus(-rng.IntN(4000) - 5)
	c.Operations = []chart.Operation{operation(fmt.Sprintf("o%d", i), index, chart.RoleImplant, class)}
	if rng.IntN(14) == 0 {
		c.Operations[0].On = day.Span{First: day.Of(2024, 1, 1), Last: day.Of(2024, 12, 31)}
	}
	for n, at := 0, index.Plus(30); at < today() && n < 14; n++ {
		if rng.IntN(7) > 0 {
			s := study(fmt.Sprintf("s%d-%d", i, n), at.Plus(rng.IntN(120)-40), []chart.Kind{chart.CTAngiogram, chart.CTAngiogram, chart.Duplex, chart.CTContrast}[rng.IntN(4)])
			c.Studies = append(c.Studies, s)
			if rng.IntN(6) > 0 {
				c.Reports = append(c.Reports, chart.Report{Source: chart.Source{Ref: fmt.Sprintf("DiagnosticReport/r%d-%d", i, n)}, Studies: []string{s.Ref}, On: s.On, Issued: s.On.Plus(4), State: chart.ReportFinal, Imaging: true})
			}
		} else if rng.IntN(2) == 0 {
			break
		}
		at = at.Plus(365)
	}
	p := web.Patient{Chart: c}
	switch rng.IntN(9) {
	case 0:
		c.Bookings = []chart.Booking{{Source: chart.Source{Ref: fmt.Sprintf("Appointment/b%d", i)}, On: today().Plus(rng.IntN(90)), Imaging: true, Kind: chart.CTAngiogram, Covers: wholeTrunk}}
	case 1:
		p.BookedGone = today().Plus(-1 - rng.IntN(60))
	case 2:
		c.Dead = chart.Death{Known: true, On: day.On(today().Plus(-rng.IntN(400)))}
	}
	return p
}

func server(t testing.TB, c web.Clinic) *web.Server {
	t.Helper()
	s, err := web.New(web.Options{Clinic: c, Log: slog.New(slog.DiscardHandler), Now: now, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}
