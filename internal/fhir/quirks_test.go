package fhir_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// quirks is the folder of files that show how the resources of real servers look; everything in them is invented.
const quirks = "../../testdata/fhir/quirks"

// quirk is what is expected of one file.
type quirk struct {
	file string
	// probe says what matters about a record; nil says nothing.
	probe func(r fhir.Resource) string
	// want has a line for each resource in order: its reference and what probe says, or why it is refused.
	want []string
}

func TestQuirks(t *testing.T) {
	t.Parallel()
	table := quirkTable()
	files, err := filepath.Glob(filepath.Join(quirks, "*.json"))
	if err != nil || len(files) != len(table) {
		t.Fatalf("%d files and %d rows, error %v", len(files), len(table), err)
	}
	for _, q := range table {
		t.Run(q.file, func(t *testing.T) {
			t.Parallel()
			body, err := os.ReadFile(filepath.Join(quirks, q.file+".json"))
			if err != nil {
				t.Fatal(err)
			}
			var kept, passing []string
			var d fhir.Decoder
			h := fhir.Handler{Each: func(raw fhir.Raw) error {
				kept = append(kept, q.line(fhir.Decode(raw.Body)))
				r, err := d.Decode(raw.Body)
				if s, ok := r.(*fhir.ImagingStudy); ok {
					err = d.LoadSeries(s)
				}
				passing = append(passing, q.line(r, err))
				return nil
			}, Issue: func(i fhir.Issue) { t.Errorf("issue: %+v", i) }}
			if err := fhir.Read(q.file, bytes.NewReader(body), h); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(q.want, kept); diff != "" {
				t.Errorf("Decode (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(kept, passing); diff != "" {
				t.Errorf("Decoder differs from Decode:\n%s", diff)
			}
		})
	}
}

// line is one line of the expectation.
func (q quirk) line(r fhir.Resource, err error) string {
	if err != nil {
		return err.Error()
	}
	out := r.Head().Ref()
	if q.probe != nil {
		out += " " + q.probe(r)
	}
	return out
}

// on makes a probe for one record type.
func on[T fhir.Resource](f func(T) string) func(fhir.Resource) string {
	return func(r fhir.Resource) string {
		if v, ok := r.(T); ok {
			return f(v)
		}
		return "-"
	}
}

// subject says how a record points to its patient.
func subject(r fhir.Resource) string {
	var ref fhir.Ref
	switch r := r.(type) {
	case *fhir.Procedure:
		ref = r.Subject.Parse()
	case *fhir.ImagingStudy:
		ref = r.Subject.Parse()
	}
	kind := [...]string{"none", "relative", "absolute", "urn", "contained", "logical", "odd"}[ref.Kind]
	return strings.TrimSpace(kind + " " + ref.String())
}

const (
	release = "has the shape of another FHIR release than R4"
	invalid = "status is not a status that R4 has for this type"
)

// quirkTable has a row for each file.
func quirkTable() []quirk {
	uid := on(func(s *fhir.ImagingStudy) string { return fhir.StudyUID(s.Identifier) })
	accession := on(func(s *fhir.ImagingStudy) string {
		by, number := fhir.Accession(s.Identifier, "source-1")
		return by + "|" + number
	})
	status := func(r fhir.Resource) string {
		if fhir.InError(r) {
			return "taken back"
		}
		return fhir.Status(r)
	}
	started := on(func(s *fhir.ImagingStudy) string { return s.Started })
	series := on(func(s *fhir.ImagingStudy) string {
		var out []string
		for _, x := range s.Series {
			out = append(out, x.Modality.Code+" "+x.Description)
		}
		return strings.Join(out, ", ")
	})
	const key = "1.2.826.0.1.99999.31.7"
	return []quirk{
		{"q01-series-only", series, []string{"ImagingStudy/q1 CT ARTERIAL 1.0, SR Dose report"}},
		{"q02-shape-of-r5", nil, []string{
			"ImagingStudy/modality: modality " + release, "ImagingStudy/series: series.modality " + release, "ImagingStudy/procedure: procedure " + release,
			"ImagingStudy/display: modality is a coding without a code", "Procedure/occurrence: occurrenceDateTime " + release,
			"Encounter/class: class is a list where an object belongs", "Encounter/period: actualPeriod " + release,
			"DiagnosticReport/study: study " + release, "ServiceRequest/order: code " + release, "Appointment/visit: serviceType " + release}},
		{"q03-local-code", on(func(s *fhir.ImagingStudy) string {
			c := s.ProcedureCode[0]
			return c.Coding[0].System + "|" + c.Coding[0].Code + " " + c.Text
		}), []string{"ImagingStudy/q3 |LOCAL77 CT ANGIO ABD PEL"}},
		{"q04-study-uid", uid, []string{"ImagingStudy/uid0 " + key, "ImagingStudy/uid1 " + key, "ImagingStudy/uid2 " + key, "ImagingStudy/uid3 " + key, "ImagingStudy/uid4 " + key, "ImagingStudy/uid5 "}},
		{"q05-sop-class", series, []string{"ImagingStudy/q5 CT "}},
		{"q06-accession", accession, []string{"ImagingStudy/none source-1|A1", "ImagingStudy/system urn:harbour:ris|A1", "ImagingStudy/assigner Harbour RIS|A1"}},
		{"q07-one-visit-many-studies", accession, []string{"ImagingStudy/chest urn:harbour:ris|A7", "ImagingStudy/abdomen urn:harbour:ris|A7", "ImagingStudy/dose urn:harbour:ris|A7"}},
		{"q08-sent-twice", on(func(s *fhir.ImagingStudy) string {
			return fhir.StudyUID(s.Identifier) + " v" + s.Meta.VersionID + " " + s.Meta.LastUpdated
		}), []string{"ImagingStudy/pacs " + key + " v2 2031-05-03T08:00:00Z", "ImagingStudy/ris " + key + " v9 2031-05-02T08:00:00Z"}},
		{"q09-report-or-document-only", on(func(d *fhir.DocumentReference) string {
			return d.Context.Period.Start + " " + d.Content[0].Attachment.Title
		}), []string{"DiagnosticReport/only -", "DocumentReference/outside 2031-05-02 outside-ct.pdf", "Procedure/billed -"}},
		{"q10-three-times", on(func(r *fhir.DiagnosticReport) string { return r.EffectiveDateTime + " " + r.Issued }),
			[]string{"ImagingStudy/s -", "DiagnosticReport/r 2031-05-03T07:00:00-05:00 2031-05-04T09:00:00-05:00"}},
		{"q11-started-partial", started, []string{"ImagingStudy/month 2031-05", "ImagingStudy/none ", "ImagingStudy/masked "}},
		{"q12-zone", started, []string{"ImagingStudy/none 2031-05-02T23:50:00", "ImagingStudy/z 2031-05-03T04:50:00Z"}},
		{"q13-no-seconds", started, []string{"ImagingStudy/q13 2031-05-02T10:00"}},
		{"q14-performed", on(performed), []string{"Procedure/period 2030-04-01..2030-04-01T18:05:00-05:00", "Procedure/string spring 2019", "Procedure/age 71 a", "Procedure/range 70.0-72", "Procedure/none "}},
		{"q15-statuses", status, []string{"Procedure/not-done not-done", "Procedure/entered-in-error taken back", "Procedure/preparation preparation", "Procedure/unknown unknown",
			"ImagingStudy/registered registered", "ImagingStudy/cancelled cancelled", "ImagingStudy/entered-in-error taken back",
			"DiagnosticReport/partial partial", "DiagnosticReport/appended appended", "DiagnosticReport/cancelled cancelled", "DiagnosticReport/entered-in-error taken back"}},
		{"q16-not-diagnostic", on(func(r *fhir.DiagnosticReport) string { return r.Conclusion }), []string{"ImagingStudy/q16 -", "DiagnosticReport/says Non-diagnostic: no contrast arrived."}},
		{"q17-billed-six-times", on(func(p *fhir.Procedure) string { return p.Code.Coding[0].Code + " " + p.PerformedDateTime }),
			[]string{"Procedure/line0 34705 2030-04-01", "Procedure/line1 34812 2030-04-01", "Procedure/line2 34713 2030-04-01", "Procedure/line3 04V03DZ 2030-03-31", "Procedure/line4 04V03EZ 2030-03-31", "Procedure/line5 invented 2030-04-01"}},
		{"q18-history-only", on(func(c *fhir.Condition) string { return c.Code.Coding[0].Code }), []string{"Condition/history 139941000119104", "Device/undated -"}},
		{"q19-contained", on(contained), []string{"Procedure/q19 #d = d 00844588003288"}},
		{"q20-references", subject, []string{"Procedure/r0 relative Patient/1", "Procedure/r1 absolute https://one.example/fhir/Patient/1", "Procedure/r2 relative Patient/1",
			"Procedure/r3 urn urn:uuid:6a1f0d4e-0000-4000-8000-00000000abcd", "Procedure/r4 contained #p", "Procedure/r5 logical urn:mrn|123", "Procedure/r6 none", "Procedure/r7 odd 12345"}},
		{"q21-other-host", subject, []string{"ImagingStudy/q21 absolute https://pacs.example:8443/r4/Patient/77"}},
		{"q22-no-status", nil, []string{"ImagingStudy/withheld: status is missing: it was withheld", "Procedure/missing: status is missing", "DiagnosticReport/null: status is missing",
			"Task/empty: status is missing", "Appointment/gone: status is missing"}},
		{"q23-unknown-status", nil, []string{"ImagingStudy/r5: " + invalid, "Procedure/vendor: " + invalid, "Task/waiting: " + invalid, "Patient/gender"}},
		{"q24-wrong-types", nil, []string{"ImagingStudy/unread", "ImagingStudy/object: modality is an object where a list belongs", "Procedure/list: code is a list where an object belongs",
			"Procedure/number: status is a number where text belongs", "ImagingStudy/string: subject is text where an object belongs",
			"Observation/quoted: valueQuantity.value is text where a number belongs", "Patient/yes: active is text where true or false belongs",
			"ImagingStudy/series: series.uid is a number where text belongs", "Procedure/nobody: subject is missing, so nobody can tell whose it is"}},
		{"q25-decimals", on(func(o *fhir.Observation) string { return string(o.ValueQuantity.Value) }), []string{"Observation/o0 62.0", "Observation/o1 1e2", "Observation/o2 0.10000000000000000001", "Observation/o3 -0"}},
		{"q26-instances", series, []string{"ImagingStudy/q26 CT ARTERIAL 1.0"}},
	}
}

// performed writes a Procedure's time in whatever form it has.
func performed(p *fhir.Procedure) string {
	switch {
	case p.PerformedPeriod != nil:
		return p.PerformedPeriod.Start + ".." + p.PerformedPeriod.End
	case p.PerformedAge != nil:
		return string(p.PerformedAge.Value) + " " + p.PerformedAge.Unit
	case p.PerformedRange != nil:
		return string(p.PerformedRange.Low.Value + "-" + p.PerformedRange.High.Value)
	}
	return p.PerformedDateTime + p.PerformedString
}

// contained follows a Procedure's focal device to the one that it contains.
func contained(p *fhir.Procedure) string {
	out := p.FocalDevice[0].Manipulated.Reference + " ="
	for _, d := range p.Contained {
		u, _ := d.UDI()
		out += " " + d.ID + " " + u.DI
	}
	return out
}

func TestSalvageOfRefused(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, body string
		want       fhir.Salvaged
	}{
		{"plain text as subject", `{"resourceType":"ImagingStudy","id":"s","meta":{"versionId":"4","lastUpdated":"2031-05-03T08:00:00Z"},"subject":"Patient/p"}`,
			fhir.Salvaged{Type: "ImagingStudy", ID: "s", Version: "4", Updated: "2031-05-03T08:00:00Z", PatientRef: "Patient/p"}},
		{"cut", `{"subject":{"reference":"Patient/p"},"resourceType":"Procedure","id":"c","code":{"te`, fhir.Salvaged{Type: "Procedure", ID: "c", PatientRef: "Patient/p"}},
		{"a Patient", `{"resourceType":"Patient","id":"p","active":3}`, fhir.Salvaged{Type: "Patient", ID: "p", PatientRef: "Patient/p"}},
		{"an allergy", `{"resourceType":"AllergyIntolerance","id":"a","patient":{"reference":"Patient/p"}}`, fhir.Salvaged{Type: "AllergyIntolerance", ID: "a", PatientRef: "Patient/p"}},
		{"a Task", `{"resourceType":"Task","id":"t","for":[{"reference":"Patient/p"}]}`, fhir.Salvaged{Type: "Task", ID: "t", PatientRef: "Patient/p"}},
		{"a study's subject", `{"resourceType":"ResearchSubject","id":"r","individual":{"reference":"Patient/p"}}`, fhir.Salvaged{Type: "ResearchSubject", ID: "r", PatientRef: "Patient/p"}},
		{"an Appointment", `{"resourceType":"Appointment","id":"a","participant":[{"actor":{"reference":"Location/l"}},{"actor":{"reference":"Patient/p"}}]}`,
			fhir.Salvaged{Type: "Appointment", ID: "a", PatientRef: "Patient/p"}},
		{"escapes", `{"resourceType":"Procedure","id":"a\u0062","subject":{"reference":"Patient\/p"}}`, fhir.Salvaged{Type: "Procedure", ID: "ab", PatientRef: "Patient/p"}},
		{"wrong types all over", `{"resourceType":7,"id":{},"meta":[],"subject":8}`, fhir.Salvaged{}},
		{"nothing", ``, fhir.Salvaged{}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, fhir.Salvage([]byte(tc.body))); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
