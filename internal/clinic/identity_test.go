package clinic_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"perennial/internal/fhir"
)

// version gives a resource a version and a time.
func version(body string, n int) string {
	meta := fmt.Sprintf(`"meta":{"versionId":"%d","lastUpdated":"2026-01-%02dT00:00:00Z"},`, n, n)
	if i := strings.Index(body, `"meta":{`); i >= 0 {
		j := i + strings.IndexByte(body[i:], '}') + 2
		return body[:i] + meta + body[j:]
	}
	return strings.Replace(body, `"status"`, meta+`"status"`, 1)
}

// about changes whose a resource is.
func about(body, from, reference string) string {
	return strings.Replace(body, `{"reference":"Patient/`+from+`"}`, reference, 1)
}

func link(typ, other string) string {
	return fmt.Sprintf(`,"link":[{"type":%q,"other":{"reference":%q}}]`, typ, other)
}

// tangled are resources whose patients are told in every way that there is.
func tangled() []fhir.Raw {
	plain := []string{
		// by identifier, before or after the record with it; by one that two have
		patient("i1", ""), evar("i1-pr", "i1", "2025-01-10"), about(cta("i1-s", "x", "2025-02-10"), "x", `{"identifier":{"system":"urn:mrn","value":"QUAY-i1"}}`),
		patient("i2", `,"gender":"male"`), strings.Replace(patient("i3", ""), "QUAY-i3", "QUAY-i2", 1),
		about(evar("i2-pr", "x", "2025-01-10"), "x", `{"identifier":{"system":"urn:mrn","value":"QUAY-i2"}}`),
		// by a bare id
		patient("b1", ""), evar("b1-pr", "b1", "2025-01-10"), about(cta("b1-s", "x", "2025-02-11"), "x", `{"reference":"b1"}`),
		// a chain and a circle of links, either end first
		patient("c1", link("replaced-by", "Patient/c2")), patient("c2", ""), patient("c3", link("replaces", "Patient/c2")), evar("c1-pr", "c1", "2025-03-31"), cta("c3-s", "c3", "2025-05-01"),
		patient("o1", link("replaced-by", "Patient/o2")), patient("o2", link("replaced-by", "Patient/o1")), evar("o2-pr", "o2", "2025-04-30"),
		// two records replace one
		patient("t1", ""), evar("t1-pr", "t1", "2025-01-10"), patient("t2", link("replaces", "Patient/t1")), patient("t3", link("replaces", "Patient/t1")),
		// a newer version about another patient
		patient("m1", ""), patient("m2", ""), version(evar("m-pr", "m1", "2025-01-10"), 1), version(evar("m-pr", "m2", "2025-01-10"), 2),
		// a retraction that does not say whose it is, and one of nothing
		patient("r1", ""), evar("r1-pr", "r1", "2025-01-10"), ctaIn("r1-s", "r1", "2025-02-10", "available", "1"),
		`{"resourceType":"Observation","id":"r1-o","meta":{"versionId":"1"},"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"2160-0"}]},"subject":{"reference":"Patient/r1"},"effectiveDateTime":"2025-03-01","valueQuantity":{"value":1.1,"unit":"mg/dL","system":"http://unitsofmeasure.org","code":"mg/dL"}}`,
		`{"resourceType":"Observation","id":"r1-o","meta":{"versionId":"2"},"status":"entered-in-error","code":{"text":"x"}}`,
		`{"resourceType":"Observation","id":"r9-o","meta":{"versionId":"2"},"status":"entered-in-error","code":{"text":"x"}}`,
		// one study of two patients
		patient("u1", ""), evar("u1-pr", "u1", "2025-01-10"), uid(cta("u1-s", "u1", "2025-02-12"), "2.999.7.7"), patient("u2", ""), evar("u2-pr", "u2", "2025-01-10"), uid(cta("u2-s", "u2", "2025-02-12"), "2.999.7.7"),
		// a record without identifiers with the name of another
		patient("n1", ""), evar("n1-pr", "n1", "2025-01-10"), strings.Replace(strings.Replace(patient("n2", ""), `"identifier":[{"system":"urn:mrn","value":"QUAY-n2"}],`, "", 1), "Quay-n2", "QUAY-N1", 1), cta("n2-s", "n2", "2025-02-12"),
		// nobody's
		about(evar("z-pr", "x", "2025-01-10"), "x", `{"reference":"#p"}`),
		// a newer version that cannot be read
		patient("q1", ""), evar("q1-pr", "q1", "2025-01-10"), version(ctaIn("q1-s", "q1", "2025-02-10", "available", "1"), 1), version(ctaIn("q1-s", "q1", "2025-02-10", "finished", "2"), 2),
	}
	list := raws(plain)
	return append(list, addressed()...)
}

func uid(body, uid string) string {
	return strings.Replace(body, `"status"`, `"identifier":[{"system":"urn:dicom:uid","value":"urn:oid:`+uid+`"}],"status"`, 1)
}

// addressed are entries of Bundles and resources that name patients by address.
func addressed() []fhir.Raw {
	const mine, other = "https://fhir.quay.example/r4", "https://fhir.elsewhere.example"
	entry := func(url, body string) fhir.Raw { return fhir.Raw{File: "bundle", FullURL: url, Body: []byte(body)} }
	return []fhir.Raw{
		entry(mine+"/Patient/a1", patient("a1", "")), entry(mine+"/Procedure/a1-pr", evar("a1-pr", "a1", "2025-01-10")),
		{File: "x", Body: []byte(about(cta("a1-s", "x", "2025-02-13"), "x", `{"reference":"`+mine+`/Patient/a1"}`))},
		{File: "x", Body: []byte(about(cta("a2-s", "x", "2025-02-13"), "x", `{"reference":"`+other+`/Patient/a1"}`))},
		entry("urn:uuid:0f1e", patient("a3", "")), entry("urn:uuid:0f2e", about(evar("a3-pr", "x", "2025-01-10"), "x", `{"reference":"urn:uuid:0f1e"}`)),
	}
}

// However a resource tells whose it is, the plans are those of reading all at
// once, in every order and in batches of every size.
func TestTangledIdentity(t *testing.T) {
	t.Parallel()
	for seed := range uint64(20) {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			list := tangled()
			want, tally := atOnce(t, list, r.Today())
			rnd := rand.New(rand.NewPCG(seed, 2))
			if seed > 0 {
				rnd.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
			}
			if _, err := r.Import(t.Context(), "test", batchesOf(list, 1+rnd.IntN(9))); err != nil {
				t.Fatal(err)
			}
			samePlans(t, r.db, want, 12)
			if s := r.sound().Sums.Resources; s != tally || s.Received != len(list) {
				t.Errorf("sums %+v, at once %+v", s, tally)
			}
		})
	}
}
