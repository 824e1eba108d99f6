package intake_test

import (
	"strings"
	"testing"

	"perennial/internal/intake"
)

func TestBesideAScan(t *testing.T) {
	t.Parallel()
	const patient, subject = `"patient":{"reference":"Patient/p"}`, `"subject":{"reference":"Patient/p"}`
	allergy := func(words, more string) string {
		return `{"resourceType":"AllergyIntolerance","id":"a","code":{"text":"` + words + `"}` + more + `,` + patient + `}`
	}
	dose := func(code, value string) string {
		return `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"73569-6"}]},` + subject +
			`,"partOf":[{"reference":"ImagingStudy/s"}],"component":[{"code":{"coding":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"` + code + `"}]},"valueQuantity":` + value + `}]}`
	}
	taken := func(status, medicine string) string {
		return `{"resourceType":"MedicationStatement","id":"m","status":"` + status + `",` + medicine + `,` + subject + `,"effectivePeriod":{"start":"2024-03-05"}}`
	}
	device := func(codes ...string) string {
		body := `{"resourceType":"Device","id":"d","type":{"text":"stent-graft"},` + patient + `,"safety":[`
		for i, c := range codes {
			body += strings.Repeat(",", min(i, 1)) + `{"coding":[{"system":"urn:oid:2.16.840.1.113883.3.26.1.1","code":"` + c + `"}]}`
		}
		return body + "]}"
	}
	for _, c := range []struct{ name, body, want string }{
		// Shellfish and iodine on the skin are no contrast medium (ACR Manual on Contrast Media).
		{"shellfish", allergy("Shellfish", `,"criticality":"high"`), ""},
		{"iodine wipes", allergy("Iodine wipes", ""), ""},
		{"povidone-iodine", allergy("Povidone-iodine skin preparation", ""), ""},
		{"iodine", allergy("Iodine", ""), ""},
		{"contrast by its words", allergy("Iodinated contrast media", `,"reaction":[{"severity":"severe"}]`), "allergy severe true iodinated over false"},
		{"a substance", allergy("iohexol", ""), "allergy severe false iodinated over false"},
		{"shellfish and contrast", allergy("Shellfish, contrast medium", ""), "allergy severe false  over false"},
		{"gadolinium", allergy("Gadobutrol", ""), "allergy severe false gadolinium over false"},
		{"resolved", allergy("Contrast medium", `,"clinicalStatus":{"coding":[{"code":"resolved"}]}`), "allergy severe false  over true"},
		{"none known", allergy("No known allergy to contrast", ""), ""},

		{"dose of a study", dose("113813", `{"value":203.12,"unit":"mGy.cm"}`), "dose 2031 total true of ImagingStudy/s on"},
		{"dose of an acquisition", dose("113838", `{"value":600,"code":"mGy.cm"}`), "dose 6000 total false of ImagingStudy/s on"},
		{"dose in grays", dose("113813", `{"value":1.7,"code":"Gy.cm"}`), "dose 17000 total true of ImagingStudy/s on"},
		{"dose without a unit", dose("113813", `{"value":900}`), "dose 9000 total true of ImagingStudy/s on"},
		{"dose in another unit is asked about", dose("113813", `{"value":9,"unit":"mSv"}`), "doubt other"},
		{"a dose that cannot be", dose("113813", `{"value":-9,"unit":"mGy.cm"}`), "doubt other"},

		{"metformin by its name", taken("active", `"medicationCodeableConcept":{"text":"Metformin 500 mg"}`), "metformin 2024-03-05 to  over false"},
		{"metformin of a reference", taken("active", `"medicationReference":{"reference":"Medication/1","display":"Metformine 850"}`), "metformin 2024-03-05 to  over false"},
		{"metformin by its substance", taken("stopped", `"medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"6809"}]}`), "metformin 2024-03-05 to  over true"},
		{"a local number", taken("active", `"medicationCodeableConcept":{"coding":[{"system":"urn:ours","code":"6809"}]}`), ""},
		{"another medicine", taken("active", `"medicationCodeableConcept":{"text":"Simvastatin"}`), ""},
		{"prescribed", `{"resourceType":"MedicationRequest","id":"m","status":"active","intent":"order","medicationCodeableConcept":{"text":"metformin"},` + subject + `,"authoredOn":"2024-03-05"}`, "metformin 2024-03-05 to  over false"},
		{"not to be taken", `{"resourceType":"MedicationRequest","id":"m","status":"active","intent":"order","doNotPerform":true,"medicationCodeableConcept":{"text":"metformin"},` + subject + `}`, ""},

		// The labels of the FHIR R4 value set device-safety.
		{"MR conditional", device("C106046"), "mr conditional"},
		{"MR safe", device("C106045"), "mr safe"},
		{"MR unsafe wins", device("C106047", "C106045"), "mr unsafe"},
		{"a label without it", device("C113844"), "mr unstated"},
		{"latex is something else", device("C101673"), "mr "},

		// 1 mg/dL of creatinine is 88.4 umol/L.
		{"creatinine in mol", `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"14682-9"}]},` + subject + `,"effectiveDateTime":"2024-03-05","valueQuantity":{"value":88.4,"code":"umol/L"}}`, "creatinine 10000 on 2024-03-05"},
		{"creatinine in another unit is asked about", `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"2160-0"}]},` + subject + `,"effectiveDateTime":"2024-03-05","valueQuantity":{"value":1.2,"code":"g/L"}}`, "doubt other"},
		{"eGFR with its formula", `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"62238-1"}]},` + subject + `,"effectiveDateTime":"2024-03-05","valueQuantity":{"value":52,"code":"mL/min/{1.73_m2}"}}`, "egfr 520000 on 2024-03-05 ckd-epi-2009"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, _ := mapOne(t, &intake.Mapper{Book: book(t)}, c.body)
			got := strings.Join(tellRare(s), "; ")
			if s.Device != nil {
				got = "mr " + s.Device.MR
			}
			if got != c.want {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

// A measurement keeps where it was made and by whom.
func TestMeasuredBy(t *testing.T) {
	t.Parallel()
	s, _ := mapOne(t, &intake.Mapper{Book: book(t)}, `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"urn:perennial:codes","code":"sac-diameter"}]},"subject":{"reference":"Patient/p"},`+
		`"effectiveDateTime":"2024-03-05","bodySite":{"text":"Below the renal arteries"},"performer":[{"display":"Reader two"}],"valueQuantity":{"value":58,"code":"mm"}}`)
	if f := s.Findings[0]; f.Site != "Below the renal arteries" || f.Observer != "Reader two" {
		t.Errorf("site %q, observer %q", f.Site, f.Observer)
	}
}
