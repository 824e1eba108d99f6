package surveil_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"perennial/internal/testkit/second"
)

// The edges on which the two engines once differed, each as a small chart with
// what both must say of it. docs/decisions/001 has the reasons.
func TestAgreesOnEdges(t *testing.T) {
	t.Parallel()
	evar := []second.Operation{{ID: "Procedure/1", Role: "implant", Class: "evar", Territory: "abdominal-aorta", Date: "2024-02-10", Status: "completed"}}
	carotid := []second.Operation{{ID: "Procedure/1", Role: "implant", Class: "carotid-stent", Territory: "carotid", Status: "completed"}}
	history := []second.Operation{{ID: "Procedure/1", Role: "history", Class: "evar", Territory: "abdominal-aorta", Status: "completed"}}
	scan := func(id, date, area string) second.Study {
		return second.Study{ID: id, Status: "available", Kind: "ct-angiogram", Territories: strings.Fields(area), Date: date, OnReport: strings.HasPrefix(id, "Diag")}
	}
	whole, images, report := "abdomen pelvis", scan("ImagingStudy/9", "2024-03-11", "abdomen pelvis"), scan("DiagnosticReport/7", "2024-03-11", "abdomen pelvis")
	twin := scan("DiagnosticReport/8", "2024-03-11", whole)
	told := second.Report{ID: "DiagnosticReport/7", Study: "DiagnosticReport/7", Status: "final", Date: "2024-03-12"}
	registered := func(s second.Study, date string) second.Study {
		s.ID, s.Status, s.Date = "ImagingStudy/10", "registered", date
		return s
	}
	sameUID := images
	sameUID.UID = "2.25.1"
	unknown := second.Study{ID: "ImagingStudy/3", Status: "available", Territories: []string{"abdomen"}, Date: "2024-02-09"}
	dayOf := unknown
	dayOf.Date = "2024-02-10"
	accept := func(about string) second.Ruling {
		return second.Ruling{ID: "1", Kind: "accept", About: about, Date: "2024-03-20"}
	}
	refuse := func(about string) second.Ruling {
		return second.Ruling{ID: "2", Kind: "refuse", About: about, Date: "2024-03-20"}
	}
	out := second.Operation{ID: "Procedure/2", Role: "explant", Territory: "abdominal-aorta", Date: "2024-09", Status: "completed"}
	coils := second.Operation{ID: "Procedure/2", Role: "coils", Territory: "abdominal-aorta", Date: "2024-03-20", Status: "completed"}
	parts := []second.Study{scan("ImagingStudy/1", "2024-03-11", "abdomen"), scan("ImagingStudy/2", "2024-03-11", "pelvis")}
	for name, c := range map[string]struct {
		chart second.Chart
		asOf  string
		want  []string
	}{
		"two parts of one day do a visit together": {second.Chart{Operations: evar, Studies: parts}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/1"}},
		"parts make no event where one study does alone": {second.Chart{Operations: evar, Studies: append(parts, images)}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/9"}},
		"nor where a person accepted one of them": {second.Chart{Operations: evar, Studies: parts, Rulings: []second.Ruling{accept("ImagingStudy/2")}}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/2"}},
		"a part that is refused for the visit makes no event": {second.Chart{Operations: evar, Studies: parts,
			Rulings: []second.Ruling{{ID: "2", Kind: "refuse", About: "ImagingStudy/2", Visit: second.VisitKey{Implant: "Procedure/1", Clock: 1, Step: "m1"}, Date: "2024-03-20"}}}, "2024-04-01",
			[]string{"active", "m1 open", "study-acceptance ImagingStudy/1"}},
		"a report of images that are here is no second study": {second.Chart{Operations: evar, Studies: []second.Study{report, images}, Reports: []second.Report{told}}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/9", "review-finding ImagingStudy/9"}},
		"what was refused on report stays refused when the images come": {second.Chart{Operations: evar, Studies: []second.Study{report, images}, Reports: []second.Report{told},
			Rulings: []second.Ruling{refuse("DiagnosticReport/7")}}, "2024-04-01",
			[]string{"active", "m1 open", "review-finding ImagingStudy/9"}},
		"two reports of one scan are one study": {second.Chart{Operations: evar, Studies: []second.Study{report, twin}}, "2024-04-01",
			[]string{"active", "m1 open", "study-acceptance DiagnosticReport/7"}},
		"an announced study hides no report": {second.Chart{Operations: evar, Studies: []second.Study{report, registered(images, "2024-03-11")}, Reports: []second.Report{told}}, "2024-04-01",
			[]string{"active", "m1 open", "review-finding DiagnosticReport/7", "study-acceptance DiagnosticReport/7"}},
		"what a newer statement says of a study holds from its first day": {second.Chart{Operations: evar, Studies: []second.Study{sameUID, registered(sameUID, "2024-03-13")}}, "2024-03-12",
			[]string{"active", "m1 open"}},
		"an unknown study before the operation is not asked about": {second.Chart{Operations: evar, Studies: []second.Study{unknown}}, "2024-02-20",
			[]string{"active", "m1 upcoming"}},
		"one of the day of the operation is": {second.Chart{Operations: evar, Studies: []second.Study{dayOf}}, "2024-02-20",
			[]string{"active", "m1 upcoming", "study-kind ImagingStudy/3"}},
		"an operation without date and side asks for both": {second.Chart{Operations: carotid}, "2024-04-01",
			[]string{"unresolved", "index-date Procedure/1", "other Procedure/1"}},
		"dead, with no day known at all, ends nothing": {second.Chart{DeadTrue: true, Operations: history}, "2024-04-01",
			[]string{"unresolved", "death-date Patient/x", "index-date Procedure/1"}},
		"dead, and last seen on a day": {second.Chart{DeadTrue: true, Operations: history, Encounters: []second.Encounter{{ID: "Encounter/1", Status: "finished", Date: "2024-01-05"}}}, "2024-04-01",
			[]string{"ended died", "death-date Patient/x", "index-date Procedure/1"}},
		"history of an abdominal graft is not explained by a chest operation": {second.Chart{Operations: []second.Operation{
			{ID: "Procedure/1", Role: "history", Class: "open-repair", Territory: "abdominal-aorta", Status: "completed"},
			{ID: "Procedure/2", Role: "explant", Territory: "thoracic-aorta", Date: "2024-02-10", Status: "completed"}}}, "2024-02-20",
			[]string{"active", "y1 upcoming", "index-date Procedure/1"}},
		"history of a stent on one side does not explain the other": {second.Chart{Operations: []second.Operation{
			{ID: "Procedure/1", Role: "history", Class: "carotid-stent", Territory: "carotid", Side: "left", Status: "completed"},
			{ID: "Procedure/2", Role: "history", Class: "carotid-stent", Territory: "carotid", Side: "right", Status: "completed"}}}, "2024-02-20",
			[]string{"unresolved", "index-date Procedure/1", "index-date Procedure/2"}},
		"history of a graft whose operation has no date is one implant": {second.Chart{Operations: []second.Operation{
			{ID: "Procedure/1", Role: "history", Class: "evar", Territory: "abdominal-aorta", Status: "completed"},
			{ID: "Procedure/2", Role: "implant", Class: "evar", Territory: "abdominal-aorta", Status: "completed"}}}, "2024-02-20",
			[]string{"unresolved", "index-date Procedure/2"}},
		"plain CT and duplex make a pair where one has the month only": {second.Chart{Operations: evar, Studies: []second.Study{
			{ID: "ImagingStudy/1", Status: "available", Kind: "duplex", Territories: strings.Fields(whole), Date: "2024-03"},
			{ID: "ImagingStudy/2", Status: "available", Kind: "ct-plain", Territories: strings.Fields(whole), Date: "2024-03-01"}}}, "2024-04-01",
			[]string{"active", "m1 open", "study-acceptance ImagingStudy/2"}},
		"a scan of the month in which the graft came out may count": {second.Chart{Operations: append(evar, out), Studies: []second.Study{scan("ImagingStudy/9", "2024-09-17", whole)}}, "2024-10-20",
			[]string{"active", "m1 missed", "y1 upcoming", "index-date Procedure/2", "partial-date ImagingStudy/9"}},
		"a scan of the last day of that month may not": {second.Chart{Operations: append(evar, out), Studies: []second.Study{scan("ImagingStudy/9", "2024-09-30", whole)}}, "2024-10-20",
			[]string{"active", "m1 missed", "y1 upcoming", "index-date Procedure/2"}},
		"a scan of the month of coils may count": {second.Chart{Operations: append(evar, coils), Studies: []second.Study{scan("ImagingStudy/9", "2024-03", whole)}}, "2024-04-01",
			[]string{"active", "m1 open", "partial-date ImagingStudy/9"}},
		"a scan of the month of the operation is not asked about": {second.Chart{Operations: []second.Operation{
			{ID: "Procedure/1", Role: "implant", Class: "evar", Territory: "abdominal-aorta", Date: "2024-01-30", Status: "completed"}},
			Studies: []second.Study{scan("ImagingStudy/9", "2024-01", whole)}}, "2024-02-05",
			[]string{"active", "m1 upcoming"}},
		"an explant beside the relining of an open repair is one of its own": {second.Chart{Operations: []second.Operation{
			{ID: "Procedure/1", Role: "implant", Class: "open-repair", Territory: "abdominal-aorta", Date: "2022-02-10", Status: "completed"},
			{ID: "Procedure/2", Role: "implant", Class: "open-repair", Territory: "abdominal-aorta", Date: "2024-02-10", Status: "completed"},
			{ID: "Procedure/3", Role: "explant", Territory: "abdominal-aorta", Date: "2024-02-10", Status: "completed"}}}, "2024-04-20",
			[]string{"active", "y1 missed", "y1 upcoming"}},
		"one study accepted for two visits does the one ruled last": {second.Chart{Operations: evar, Studies: []second.Study{images}, Rulings: []second.Ruling{
			acceptFor("1", "m1", "ImagingStudy/9", "2024-03-20"), acceptFor("2", "y1", "ImagingStudy/9", "2024-03-21")}}, "2024-04-01",
			[]string{"active", "m1 open", "y1 done ImagingStudy/9"}},
		"of two studies accepted for one visit the one ruled last does it": {second.Chart{Operations: evar, Studies: parts, Rulings: []second.Ruling{
			acceptFor("1", "m1", "ImagingStudy/2", "2024-03-20"), acceptFor("2", "m1", "ImagingStudy/1", "2024-03-21")}}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/1"}},
		"a leak that no known study shows, later than the last": {second.Chart{Operations: evar, Studies: []second.Study{images}, Findings: []second.Finding{
			{ID: "Observation/1", Study: "ImagingStudy/5", What: "endoleak", Type: "Ia", Modality: "ct", Date: "2024-03-20", Status: "final"}}}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/9", "review-finding Observation/1"}},
		"and of the same day": {second.Chart{Operations: evar, Studies: []second.Study{images}, Findings: []second.Finding{
			{ID: "Observation/1", What: "endoleak", Type: "Ia", Modality: "ct", Date: "2024-03-11", Status: "final"}}}, "2024-04-01",
			[]string{"active", "m1 done ImagingStudy/9", "review-finding Observation/1"}},
	} {
		c.chart.ID = "x"
		options := second.Options{SiteStart: "2026-01-01", KidneyDays: 90}
		want, got := compare(story{chart: c.chart, asOf: c.asOf, options: options}, false)
		for engine, p := range map[string]second.Plan{"the second engine": want, "the engine": got} {
			if said := sayings(p); !slices.Equal(said, c.want) {
				t.Errorf("%s: %s says %q, want %q", name, engine, said, c.want)
			}
		}
	}
}

// acceptFor is a ruling by which a study counts for a visit of the first clock.
func acceptFor(id, step, study, on string) second.Ruling {
	return second.Ruling{ID: id, Kind: "accept", About: study, Visit: second.VisitKey{Implant: "Procedure/1", Clock: 1, Step: step}, Date: on}
}

// sayings is a plan in a few words: its state, the first visit and those that
// are done, what must be reviewed, its questions.
func sayings(p second.Plan) []string {
	list := []string{strings.TrimSpace(p.Surveillance + " " + p.Ended)}
	for _, m := range p.Implants {
		for i, v := range m.Visits {
			if i == 0 || v.Standing == "done" {
				list = append(list, strings.TrimSpace(v.Step+" "+v.Standing+" "+v.Study))
			}
		}
	}
	for _, w := range p.Work {
		if w.Kind == "review-finding" {
			list = append(list, w.Kind+" "+w.About)
		}
	}
	for _, q := range p.Questions {
		list = append(list, fmt.Sprint(q.Kind, " ", q.About))
	}
	return list
}
