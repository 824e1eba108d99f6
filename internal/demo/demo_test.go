package demo_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/demo"
	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// asOf is the day on which the tests look at the cohort.
func asOf() day.Day { return day.Of(2026, 6, 30) }

// entry is one line of the cohort and what it decodes to.
type entry struct {
	file string
	line []byte
	is   fhir.Resource
}

// cohort is the cohort as of that day, made and read once for all tests.
func cohort(t *testing.T) []entry {
	t.Helper()
	all, err := readOnce()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

var readOnce = sync.OnceValues(func() ([]entry, error) {
	var all []entry
	for file, line := range demo.Cohort(asOf()) {
		r, err := fhir.Decode(line)
		if err != nil {
			return nil, err
		}
		all = append(all, entry{file, line, r})
	}
	return all, nil
})

// digest is a hash over all that is made for one as-of date.
func digest(on day.Day) string {
	sum := sha256.New()
	for name, line := range demo.Cohort(on) {
		sum.Write([]byte(name))
		sum.Write(line)
	}
	sum.Write(demo.OldList(on))
	sum.Write(demo.Rulings(on))
	return hex.EncodeToString(sum.Sum(nil)[:8])
}

// The same as-of date gives the same bytes, on every machine and with every
// release: the constant changes only when the cohort is meant to change.
func TestSameBytes(t *testing.T) {
	t.Parallel()
	const want = "f892e33a51ea0ae0"
	if got := digest(asOf()); got != want {
		t.Errorf("the cohort as of %s is %s, not %s: if it was meant to change, change this constant", asOf(), got, want)
	}
	if a, b := digest(asOf()), digest(asOf()+1); a == b {
		t.Error("another as-of date gives the same cohort")
	}
}

func TestWrite(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "new", "folder")
	counts, err := demo.Write(dir, asOf())
	if err != nil {
		t.Fatal(err)
	}
	lines := demo.Counts{}
	for name, line := range demo.Cohort(asOf()) {
		lines[strings.TrimSuffix(name, ".ndjson")]++
		if bytes.ContainsAny(line, "\r\n") {
			t.Fatalf("%s: a resource takes more than one line", name)
		}
	}
	for typ, n := range counts {
		content, err := os.ReadFile(filepath.Join(dir, typ+".ndjson"))
		if err != nil || bytes.Count(content, []byte("\n")) != n || lines[typ] != n {
			t.Errorf("%s: %d counted, %d lines in the file, %d in the stream (%v)", typ, n, bytes.Count(content, []byte("\n")), lines[typ], err)
		}
	}
	if files, _ := os.ReadDir(dir); len(files) != len(counts) {
		t.Errorf("%d files for %d types", len(files), len(counts))
	}
}

func TestWriteErrors(t *testing.T) {
	t.Parallel()
	if _, err := demo.Write(t.TempDir(), day.Of(1900, 1, 1)); fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "" {
		t.Errorf("as of 1900: %v (%s), want an Invalid one with a hint", err, fault.HintOf(err))
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := demo.Write(filepath.Join(file, "in"), asOf()); err == nil || fault.HintOf(err) == "" {
		t.Errorf("a folder in a file: %v (%s), want an error with a hint", err, fault.HintOf(err))
	}
}

// A stream that nobody wants more of stops.
func TestStop(t *testing.T) {
	t.Parallel()
	n := 0
	for range demo.Cohort(asOf()) {
		if n++; n == 3 {
			break
		}
	}
	if n != 3 {
		t.Errorf("%d lines", n)
	}
}

func TestCounts(t *testing.T) {
	t.Parallel()
	counts := demo.Counts{}
	for _, e := range cohort(t) {
		counts[strings.TrimSuffix(e.file, ".ndjson")]++
	}
	for typ, want := range map[string][2]int{
		"Patient":   {416, 416}, // 400, 12 on the old list, 4 older records
		"Procedure": {440, 520}, "Device": {900, 1100}, "ImagingStudy": {950, 1350}, "DiagnosticReport": {950, 1350},
		"Observation": {2500, 3800}, "Encounter": {800, 1200}, "Appointment": {40, 120}, "ServiceRequest": {300, 550},
		"Communication": {25, 100}, "AllergyIntolerance": {6, 25}, "Condition": {380, 410}, "ResearchSubject": {12, 12}, "MedicationStatement": {25, 40},
	} {
		if n := counts[typ]; n < want[0] || n > want[1] {
			t.Errorf("%d of type %s, want %d to %d", n, typ, want[0], want[1])
		}
		delete(counts, typ)
	}
	if counts.Total() > 0 {
		t.Errorf("types that nobody asked for: %v", counts)
	}
}

// Every resource is valid R4 as far as can be told here: it is read without
// quarantine, holds nothing empty, has the elements that R4 requires, and the
// models generated from the R4 definitions know every member and every code of a
// required value set.
func TestValid(t *testing.T) {
	t.Parallel()
	digits, reference := regexp.MustCompile(`[0-9]+`), regexp.MustCompile(`"reference":"([^"]+)"`)
	seen, shapes := map[string]bool{}, map[string]bool{}
	for _, e := range cohort(t) {
		head := e.is.Head()
		if seen[head.Ref()] || head.ID == "" {
			t.Fatalf("%s is there twice or has no id", head.Ref())
		}
		seen[head.Ref()] = true
		shape := string(digits.ReplaceAll(e.line, []byte("0")))
		if shapes[shape] {
			continue // differs from another in digits only
		}
		shapes[shape] = true
		// A hospital's order is no proposal of ours, nor its call one of ours, which is what Lint knows of these types.
		if problems := fhir.Lint(e.line); len(problems) > 0 && head.ResourceType != "ServiceRequest" && head.ResourceType != "Communication" {
			t.Fatalf("%s: %v", head.Ref(), problems)
		}
		checkRequired(t, head.ResourceType, e.line)
		checkModel(t, head.ResourceType, e.line)
	}
	for _, e := range cohort(t) {
		for _, m := range reference.FindAllSubmatch(e.line, -1) {
			if !seen[string(m[1])] {
				t.Fatalf("%s refers to %s, which is not there", e.is.Head().Ref(), m[1])
			}
		}
	}
}

// checkRequired looks for the elements with a minimum of one (R4 4.0.1, resource
// definitions) and for those that an invariant asks for (con-3, ait-1, app-3).
func checkRequired(t *testing.T, typ string, line []byte) {
	t.Helper()
	required := map[string]string{
		"Patient": "identifier name", "Procedure": "status subject", "Device": "patient", "ImagingStudy": "status subject", "DiagnosticReport": "status code",
		"Observation": "status code", "Encounter": "status class", "Appointment": "status participant start end", "ServiceRequest": "status intent subject",
		"Communication": "status", "AllergyIntolerance": "patient clinicalStatus", "Condition": "subject clinicalStatus", "ResearchSubject": "status study individual", "MedicationStatement": "status subject effectivePeriod",
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(line, &members); err != nil {
		t.Fatal(err)
	}
	for _, name := range strings.Fields(required[typ]) {
		if len(members[name]) == 0 {
			t.Errorf("%s without %s: %s", typ, name, line)
		}
	}
}

func checkModel(t *testing.T, typ string, line []byte) {
	t.Helper()
	var model any
	switch typ {
	case "Patient":
		model = new(models.Patient)
	case "Procedure":
		model = new(models.Procedure)
	case "Device":
		model = new(models.Device)
	case "ImagingStudy":
		model = new(models.ImagingStudy)
	case "DiagnosticReport":
		model = new(models.DiagnosticReport)
	case "Observation":
		model = new(models.Observation)
	case "Encounter":
		model = new(models.Encounter)
	case "Appointment":
		model = new(models.Appointment)
	case "ServiceRequest":
		model = new(models.ServiceRequest)
	case "Communication":
		model = new(models.Communication)
	case "AllergyIntolerance":
		model = new(models.AllergyIntolerance)
	case "Condition":
		model = new(models.Condition)
	case "ResearchSubject":
		model = new(models.ResearchSubject)
	case "MedicationStatement":
		model = new(models.MedicationStatement)
	default:
		t.Fatalf("no model for %s", typ)
	}
	d := json.NewDecoder(bytes.NewReader(bytes.Replace(line, []byte(`"resourceType":"`+typ+`",`), nil, 1)))
	d.DisallowUnknownFields()
	if err := d.Decode(model); err != nil {
		t.Fatalf("%s: %v: %s", typ, err, line)
	}
}

// Every code is in the shipped code book, but for the hospital's own examination
// codes, which nobody is meant to know, and codes that are read by their value
// alone (kinds of identifier, classes of encounter, statuses).
func TestCodesAreKnown(t *testing.T) {
	t.Parallel()
	book, problems := codes.Load(config.Files)
	if book == nil {
		t.Fatal(problems)
	}
	unknown, checked := 0, map[string]bool{}
	for _, e := range cohort(t) {
		var tree any
		if err := json.Unmarshal(e.line, &tree); err != nil {
			t.Fatal(err)
		}
		eachCoding(tree, func(system, code string) {
			switch {
			case system == demo.ImagingSystem:
				unknown++
			case plainHL7(system) || system == "urn:oid:2.16.840.1.113883.3.26.1.1" || checked[system+code]:
			case !known(book, system, code):
				t.Errorf("the code book does not know %s|%s", system, code)
			default:
				checked[system+code] = true
			}
		})
	}
	if unknown < 5 {
		t.Errorf("%d local codes: there should be some for the page of unknown codes", unknown)
	}
}

func plainHL7(system string) bool {
	name, ours := strings.CutPrefix(system, "http://terminology.hl7.org/CodeSystem/")
	return ours && name != "v2-0074" && name != "v3-ParticipationMode"
}

func known(b *codes.Book, system, code string) bool {
	cs := []codes.Coding{{System: system, Code: code}}
	_, _, operation := b.Operation(cs, "")
	_, _, imaging := b.Imaging(cs, "")
	_, _, device := b.Device(cs, "")
	_, _, finding := b.Finding(cs, "")
	_, _, lab := b.Lab(cs)
	_, _, site := b.BodySite(system, code)
	_, _, category := b.Category(cs)
	_, _, channel := b.Channel(cs)
	_, modality := b.Modality(cs[0])
	return operation || imaging || device || finding || lab || site || category || channel || modality
}

func eachCoding(tree any, f func(system, code string)) {
	switch x := tree.(type) {
	case []any:
		for _, v := range x {
			eachCoding(v, f)
		}
	case map[string]any:
		system, _ := x["system"].(string)
		if code, ok := x["code"].(string); ok && system != "http://unitsofmeasure.org" {
			f(system, code)
		}
		for _, v := range x {
			eachCoding(v, f)
		}
	}
}

// Nothing lies after the as-of date but what is booked or ordered and the expiry
// dates on labels.
func TestNothingFromTheFuture(t *testing.T) {
	t.Parallel()
	dates := regexp.MustCompile(`"(\w+)":"(\d{4}-\d\d-\d\d)[T"]`)
	later := map[string]int{}
	for _, e := range cohort(t) {
		for _, m := range dates.FindAllSubmatch(e.line, -1) {
			if string(m[2]) > asOf().String() {
				later[e.file+" "+string(m[1])]++
			}
		}
	}
	for what, n := range later {
		switch what {
		case "Appointment.ndjson start", "Appointment.ndjson end", "ServiceRequest.ndjson occurrenceDateTime", "Device.ndjson expirationDate":
		default:
			t.Errorf("%d times %s lies after the as-of date", n, what)
		}
	}
	if later["Appointment.ndjson start"] < 10 {
		t.Errorf("%d bookings, want some", later["Appointment.ndjson start"])
	}
}

// Labels are GS1 with the right check digit (GS1 General Specifications, 7.9) and
// a prefix that is kept for examples.
func TestLabels(t *testing.T) {
	t.Parallel()
	models := map[string]bool{}
	for _, e := range cohort(t) {
		d, ok := e.is.(*fhir.Device)
		if !ok {
			continue
		}
		u, _ := d.UDI()
		printed := fhir.ParseUDI(d.UDICarrier[0].CarrierHRF)
		if !fhir.GTINValid(u.DI) || !strings.HasPrefix(u.DI, "0952") || len(u.Notes)+len(printed.Notes) > 0 {
			t.Errorf("label %q: %+v", d.UDICarrier[0].CarrierHRF, u)
		}
		if printed.DI != u.DI || printed.Lot != d.LotNumber || printed.Serial != d.SerialNumber || printed.Expires != d.ExpirationDate {
			t.Errorf("label %q does not say what the device says: %+v", d.UDICarrier[0].CarrierHRF, d)
		}
		models[u.DI] = true
	}
	if len(models) < 6 {
		t.Errorf("%d models", len(models))
	}
}

// Names, record numbers and telephone numbers look invented.
func TestInvented(t *testing.T) {
	t.Parallel()
	names := map[string]int{}
	record, phone := regexp.MustCompile(`^SH-\d{6}$`), regexp.MustCompile(`^555-01\d\d$`)
	for _, e := range cohort(t) {
		p, ok := e.is.(*fhir.Patient)
		if !ok {
			continue
		}
		if p.Identifier[0].System != demo.RecordSystem || !record.MatchString(p.Identifier[0].Value) {
			t.Errorf("record number %+v", p.Identifier[0])
		}
		for _, c := range p.Telecom {
			if !phone.MatchString(c.Value) {
				t.Errorf("telephone number %q: 555-0100 to 555-0199 are kept for invention", c.Value)
			}
		}
		names[p.Name[0].Given[0]+" "+p.Name[0].Family]++
	}
	if len(names) < 405 {
		t.Errorf("%d names for 412 people", len(names))
	}
}

func TestOldList(t *testing.T) {
	t.Parallel()
	records := map[string]bool{}
	operated := map[string]bool{}
	for _, e := range cohort(t) {
		switch r := e.is.(type) {
		case *fhir.Patient:
			records[r.Identifier[0].Value] = true
		case *fhir.Procedure:
			operated["SH-"+strings.TrimSuffix(strings.TrimPrefix(r.Subject.Reference, "Patient/sh-"), "-old")] = true
		}
	}
	lines := strings.Split(strings.TrimSpace(string(demo.OldList(asOf()))), "\n")
	if len(lines) != 13 || lines[0] != "patient,class,date,device" {
		t.Fatalf("%d lines, the first is %q", len(lines), lines[0])
	}
	for _, l := range lines[1:] {
		cells := strings.SplitN(l, ",", 4)
		on, err := day.ParseDate(cells[2])
		if !records[cells[0]] || operated[cells[0]] || err != nil || on.Last > asOf() || !slices.Contains(codes.Classes(), codes.Class(cells[1])) {
			t.Errorf("row %q: the record is there %v, with an operation %v, date %v", l, records[cells[0]], operated[cells[0]], err)
		}
	}
}

// Rulings have the form in which they are exported, and are about what is there.
func TestRulings(t *testing.T) {
	t.Parallel()
	refs := map[string]bool{}
	for _, e := range cohort(t) {
		refs[e.is.Head().Ref()] = true
	}
	kinds := map[chart.RulingKind]int{}
	d := json.NewDecoder(bytes.NewReader(demo.Rulings(asOf())))
	d.DisallowUnknownFields()
	for d.More() {
		var r chart.Ruling
		if err := d.Decode(&r); err != nil {
			t.Fatal(err)
		}
		if !slices.Contains(chart.RulingKinds(), r.Kind) || !refs["Patient/"+r.Patient] || r.About != "" && !refs[r.About] || r.Who == "" || r.Why == "" || r.From() > asOf() {
			t.Errorf("ruling %+v", r)
		}
		kinds[r.Kind]++
	}
	if kinds[chart.RuleReviewed] < 500 || kinds[chart.RulePause] != 2 || kinds[chart.RuleTransfer] != 2 || kinds[chart.RuleDecline] != 2 {
		t.Errorf("rulings: %v", kinds)
	}
}

func BenchmarkCohort(b *testing.B) {
	for b.Loop() {
		n := 0
		for _, line := range demo.Cohort(asOf()) {
			n += len(line)
		}
		b.SetBytes(int64(n))
	}
}
