package chart_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
)

func on(text string) day.Span {
	s, err := day.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return s
}

func study(ref, uid, accession, date string, updated int64) chart.Statement {
	return chart.Statement{Ref: ref, Updated: updated, Study: &chart.Study{Source: chart.Source{Ref: ref}, UID: uid, Accession: accession, On: on(date),
		Minute: day.NoMinute, Kind: chart.CTAngiogram, Covers: chart.Abdomen | chart.Pelvis, CodedSeparate: true, Updated: updated}}
}

func assemble(o chart.Options, said ...chart.Statement) (*chart.Chart, chart.Tally) {
	o.Patient = "p1"
	for i := range said {
		said[i].Seq = int64(i)
	}
	return chart.Assemble(said, o)
}

// Of two versions of one resource the newer counts: by lastUpdated, then by
// versionId as a number, then by place in the input.
func TestNewerVersionCounts(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		a, b chart.Statement
		want string
	}{
		"lastUpdated":   {study("ImagingStudy/1", "u", "", "2024-05-01", 200), study("ImagingStudy/1", "u", "", "2024-04-01", 100), "2024-05-01"},
		"versionId":     {version(study("ImagingStudy/1", "u", "", "2024-05-01", 0), "10"), version(study("ImagingStudy/1", "u", "", "2024-04-01", 0), "9"), "2024-05-01"},
		"place in file": {study("ImagingStudy/1", "u", "", "2024-04-01", 0), study("ImagingStudy/1", "u", "", "2024-05-01", 0), "2024-05-01"},
	} {
		got, tally := assemble(chart.Options{}, c.a, c.b)
		if len(got.Studies) != 1 || got.Studies[0].On.String() != c.want || tally.Used != 1 || tally.Superseded != 1 {
			t.Errorf("%s: %+v %+v", name, got.Studies, tally)
		}
	}
}

// A study that was taken back is none, though nothing else is said of it.
func TestTakenBackStudyIsNone(t *testing.T) {
	t.Parallel()
	back := study("ImagingStudy/2", "v", "", "2024-05-01", 0)
	back.Study.State = chart.StudyRetracted
	got, _ := assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 0), back)
	if len(got.Studies) != 1 || got.Studies[0].Ref != "ImagingStudy/1" {
		t.Errorf("%+v", got.Studies)
	}
}

func version(s chart.Statement, v string) chart.Statement { s.Version = v; return s }

// An unreadable newer version raises a question and leaves the older in force.
func TestUnreadableVersionLeavesTheOlderInForce(t *testing.T) {
	t.Parallel()
	bad := chart.Statement{Ref: "ImagingStudy/1", Updated: 300, Unreadable: "status is missing"}
	got, tally := assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 100), bad)
	if len(got.Studies) != 1 || len(got.Doubts) != 1 || got.Doubts[0].Kind != "unreadable" || tally.Unreadable != 1 || tally.Used != 1 {
		t.Errorf("%+v %+v %+v", got.Studies, got.Doubts, tally)
	}
	bad.Updated = 50
	got, _ = assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 100), bad)
	if len(got.Doubts) != 0 {
		t.Errorf("an older unreadable version is asked about: %+v", got.Doubts)
	}
}

func TestRetractionTakesBack(t *testing.T) {
	t.Parallel()
	gone := chart.Statement{Ref: "ImagingStudy/1", Updated: 200, Retracted: true}
	got, tally := assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 100), gone)
	if len(got.Studies) != 0 || tally.InError != 1 || tally.Superseded != 1 {
		t.Errorf("%+v %+v", got.Studies, tally)
	}
	other := study("ImagingStudy/2", "u", "", "2024-04-01", 200)
	other.Retracted = true
	if got, _ := assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 100), other); len(got.Studies) != 0 {
		t.Errorf("the same study retracted under another id still counts: %+v", got.Studies)
	}
}

// The same study under two ids is one study, dated by its earliest part.
func TestOneStudyOfManyResources(t *testing.T) {
	t.Parallel()
	got, _ := assemble(chart.Options{}, study("ImagingStudy/1", "u1", "s|A", "2024-04-02", 100), study("ImagingStudy/2", "u1", "", "2024-04-01", 200), study("ImagingStudy/3", "", "s|A", "2024-04-03", 50),
		study("ImagingStudy/4", "", "t|A", "2024-04-01", 50))
	if len(got.Studies) != 2 || got.Studies[0].Ref != "ImagingStudy/2" || got.Studies[0].On.String() != "2024-04-01" || len(got.Studies[0].Also) != 2 {
		t.Errorf("%+v", got.Studies)
	}
}

func TestKnownAt(t *testing.T) {
	t.Parallel()
	got, tally := assemble(chart.Options{KnownAt: 150}, study("ImagingStudy/1", "a", "", "2024-04-01", 100), study("ImagingStudy/2", "b", "", "2024-04-02", 200))
	if len(got.Studies) != 1 || tally.Later != 1 {
		t.Errorf("%+v %+v", got.Studies, tally)
	}
}

// The order tells what a study is where its own code does not.
func TestOrderTellsTheKind(t *testing.T) {
	t.Parallel()
	s := study("ImagingStudy/1", "a", "", "2024-04-01", 0)
	s.Study.Kind, s.Study.Covers, s.Study.Unrecognised, s.Study.CodedSeparate, s.Study.Orders = 0, 0, true, false, []string{"ServiceRequest/9"}
	order := chart.Statement{Ref: "ServiceRequest/9", Order: &chart.Order{Kind: chart.Duplex, Covers: chart.Abdomen | chart.Pelvis, How: "code cpt 93978"}}
	got, _ := assemble(chart.Options{}, s, order)
	if got.Studies[0].Kind != chart.Duplex || got.Studies[0].Unrecognised {
		t.Errorf("%+v", got.Studies[0])
	}
	s.Study.Modality = "ct"
	got, _ = assemble(chart.Options{}, s, order)
	if got.Studies[0].Kind != chart.KindUnknown || len(got.Doubts) != 1 {
		t.Errorf("a duplex was ordered and CT images came: %+v %+v", got.Studies[0], got.Doubts)
	}
}

// A report is tied to its study by reference, accession or being the only one
// of its kind on its day; a study known from a report only goes where its
// images are known.
func TestReportsFindTheirStudies(t *testing.T) {
	t.Parallel()
	reported := func(r chart.Report) []chart.Statement {
		r.Ref, r.State, r.Imaging = "DiagnosticReport/1", chart.ReportFinal, true
		only := &chart.Study{Source: chart.Source{Ref: r.Ref}, On: r.On, Minute: day.NoMinute, Kind: r.Kind, Covers: r.Covers, Accession: r.Accession, ReportOnly: true, CodedSeparate: true}
		return []chart.Statement{study("ImagingStudy/1", "u", "s|A", "2024-04-01", 0), {Ref: r.Ref, Report: &r, Study: only}}
	}
	for name, r := range map[string]chart.Report{
		"by reference": {Studies: []string{"ImagingStudy/1"}, On: on("2024-04-09")},
		"by accession": {Accession: "s|A", On: on("2024-04-09")},
		"by day":       {On: on("2024-04-01"), Kind: chart.CTAngiogram},
	} {
		got, _ := assemble(chart.Options{}, reported(r)...)
		if len(got.Studies) != 1 || len(got.Reports) != 1 || len(got.Reports[0].Studies) != 1 || got.Reports[0].Studies[0] != "ImagingStudy/1" {
			t.Errorf("%s: %+v %+v", name, got.Studies, got.Reports)
		}
	}
	got, _ := assemble(chart.Options{}, reported(chart.Report{On: on("2025-04-01"), Kind: chart.CTAngiogram})...)
	if len(got.Studies) != 2 || !got.Studies[1].ReportOnly {
		t.Errorf("a report of another day is taken for the study: %+v", got.Studies)
	}
}

// A study known from a report goes only where a study that took place is the
// same, and that study is named by both.
func TestReportsWithoutImagesStay(t *testing.T) {
	t.Parallel()
	told := func(ref string, state chart.ReportState) chart.Statement {
		src := chart.Source{Ref: ref}
		report := &chart.Report{Source: src, State: state, Imaging: true, On: on("2024-04-01"), Kind: chart.CTAngiogram}
		return chart.Statement{Ref: ref, Report: report, Study: &chart.Study{Source: src, On: report.On, Minute: day.NoMinute, Kind: report.Kind, ReportOnly: true, CodedSeparate: true}}
	}
	images := func(change func(*chart.Study)) chart.Statement {
		s := study("ImagingStudy/1", "u", "", "2024-04-01", 0)
		change(s.Study)
		return s
	}
	final, cancelled := told("DiagnosticReport/1", chart.ReportFinal), told("DiagnosticReport/1", chart.ReportGone)
	document := told("DocumentReference/1", chart.ReportFinal)
	for name, c := range map[string]struct {
		given []chart.Statement
		want  string
	}{
		"beside images":               {[]chart.Statement{final, images(func(*chart.Study) {})}, "ImagingStudy/1[DiagnosticReport/1]"},
		"beside images, told twice":   {[]chart.Statement{final, document, images(func(*chart.Study) {})}, "ImagingStudy/1[DiagnosticReport/1 DocumentReference/1]"},
		"told twice":                  {[]chart.Statement{final, document}, "DiagnosticReport/1[DocumentReference/1]"},
		"beside an announced study":   {[]chart.Statement{final, images(func(s *chart.Study) { s.State = chart.StudyOrdered })}, "DiagnosticReport/1[] ImagingStudy/1[]"},
		"beside documents in a study": {[]chart.Statement{final, images(func(s *chart.Study) { s.NonImage = true })}, "DiagnosticReport/1[] ImagingStudy/1[]"},
		"cancelled, of two":           {[]chart.Statement{cancelled, document}, "DocumentReference/1[]"},
	} {
		got, _ := assemble(chart.Options{}, c.given...)
		var list []string
		for _, s := range got.Studies {
			list = append(list, fmt.Sprint(s.Ref, s.Also))
		}
		if slices.Sort(list); strings.Join(list, " ") != c.want {
			t.Errorf("%s: %v, want %s", name, list, c.want)
		}
	}
}

// A finding carried by a report belongs to the report's study and has its
// modality.
func TestFindingsFindTheirStudy(t *testing.T) {
	t.Parallel()
	report := chart.Statement{Ref: "DiagnosticReport/1", Report: &chart.Report{Source: chart.Source{Ref: "DiagnosticReport/1"}, State: chart.ReportFinal,
		Studies: []string{"ImagingStudy/1"}, Results: []string{"Observation/1"}, On: on("2024-04-01")}}
	size := chart.Statement{Ref: "Observation/1", Findings: []chart.Finding{{Source: chart.Source{Ref: "Observation/1"}, What: "sac-diameter", Tenths: 520, Has: true}}}
	got, _ := assemble(chart.Options{}, study("ImagingStudy/1", "u", "", "2024-04-01", 0), report, size)
	f := got.Findings[0]
	if f.Study != "ImagingStudy/1" || f.Method != "ct/" || f.On.String() != "2024-04-01" {
		t.Errorf("%+v", f)
	}
}

// Facts of a merged record belong to the surviving one.
func TestMergedRecords(t *testing.T) {
	t.Parallel()
	got, _ := assemble(chart.Options{},
		chart.Statement{Ref: "Patient/p1", Person: &chart.Person{ID: "p1", Identifiers: []string{"urn:a|1"}, Born: "1950-02-03"}},
		chart.Statement{Ref: "Patient/p2", Person: &chart.Person{ID: "p2", Identifiers: []string{"urn:a|2"}, Dead: chart.Death{Known: true, On: on("2024-01-01")}}})
	if len(got.Identifiers) != 2 || len(got.Others) != 1 || got.Born.String() != "1950-02-03" || !got.Dead.Known {
		t.Errorf("%+v", got)
	}
}

func TestNames(t *testing.T) {
	t.Parallel()
	for _, name := range chart.Kinds() {
		if k, ok := chart.ParseKind(name); !ok || k.String() != name {
			t.Errorf("kind %s reads as %v", name, k)
		}
	}
	for _, name := range chart.Territories() {
		if r, ok := chart.ParseTerritory(name); !ok || r.String() != name {
			t.Errorf("region %s reads as %v", name, r)
		}
	}
	if _, ok := chart.ParseKind("unknown"); ok {
		t.Error("unknown is no kind to ask for")
	}
}
