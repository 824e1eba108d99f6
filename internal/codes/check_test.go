package codes_test

import (
	"strings"
	"testing"

	"perennial/internal/codes"
)

// TestCheckDigits: the published examples. LOINC: the Users' Guide works
// through 12345 and gets 12345-5 by Mod 10 (from memory); 2160-0 (serum
// creatinine) and 718-7 (haemoglobin) are codes in wide use. Verhoeff: 236 gets
// 2363 in the literature on the scheme, e.g. W. Winters 1990 (from memory);
// 73211009 (diabetes) and 22298006 (myocardial infarction) are the usual examples
// of SNOMED CT documents (from memory). The bad ones stand in public lists.
func TestCheckDigits(t *testing.T) {
	t.Parallel()
	tests := []struct {
		form, code string
		good       bool
	}{
		{"loinc", "12345-5", true}, {"loinc", "2160-0", true}, {"loinc", "718-7", true}, {"loinc", "LP29684-5", true},
		{"loinc", "12345-6", false}, {"loinc", "24602-7", false}, {"loinc", "24612-6", false}, {"loinc", "24649-8", false},
		{"loinc", "24602-5", true}, {"loinc", "24649-6", true}, {"loinc", "12345", false}, {"loinc", "-0", false}, {"loinc", "1-23", false}, {"loinc", "", false},
		{"loinc", "12345678-2", false}, {"loinc", "L123-4", false},
		{"snomed", "73211009", true}, {"snomed", "22298006", true}, {"snomed", "449567000", true}, {"snomed", "139941000119104", true},
		{"snomed", "445080003", false}, {"snomed", "233689003", false}, {"snomed", "73211008", false}, {"snomed", "37211009", false},
		{"snomed", "2363", false}, {"snomed", "", false}, {"snomed", "073211009", false}, {"snomed", "1234567890123456789", false},
		{"icd10pcs", "04V03DZ", true}, {"icd10pcs", "04V03D", false}, {"icd10pcs", "O4V03DZ", false}, {"icd10pcs", "04V03IZ", false}, {"icd10pcs", "04v03dz", false},
		{"icd10cm", "T82.330A", true}, {"icd10cm", "T82.7XXA", true}, {"icd10cm", "I97.89", true}, {"icd10cm", "I10", true}, {"icd10cm", "T82330A", false}, {"icd10cm", "T82.", false},
		{"icd9", "39.71", true}, {"icd9", "3971", false}, {"icd9", "39.", false},
		{"cpt", "34705", true}, {"cpt", "0254T", true}, {"cpt", "3470", false}, {"cpt", "347055", false},
		{"opcs", "L27.1", true}, {"opcs", "L271", false}, {"opcs", "l27.1", false},
		{"dcm", "122680", true}, {"dcm", "CT", true}, {"dcm", "12268", false}, {"dcm", "ct", false},
		{"any", "x", true}, {"any", "", false}, {"any", " x", false},
	}
	for _, tc := range tests {
		if err := codes.Check(tc.form, tc.code); (err == nil) != tc.good {
			t.Errorf("%s %q: %v", tc.form, tc.code, err)
		}
	}
}

// TestPartition: a number made up here with the partition of a description (01)
// and the right check digit is not the code of a concept.
func TestPartition(t *testing.T) {
	t.Parallel()
	if err := codes.Check("snomed", "12345013"); err == nil || !strings.Contains(err.Error(), "partition") {
		t.Errorf("a description passes, or for another reason: %v", err)
	}
}

// TestOneWrongDigitIsFound: both schemes find every single wrong digit, and
// Verhoeff's every swap of neighbours (that is what they were made for).
func TestOneWrongDigitIsFound(t *testing.T) {
	t.Parallel()
	for form, good := range map[string]string{"loinc": "69908-2", "snomed": "699667004"} {
		for i := range len(good) {
			for d := byte('0'); d <= '9'; d++ {
				bad := []byte(good)
				if bad[i] == '-' || bad[i] == d {
					continue
				}
				bad[i] = d
				if codes.Check(form, string(bad)) == nil {
					t.Errorf("%s: %s passes", form, bad)
				}
			}
			if i == 0 || form != "snomed" || good[i] == good[i-1] {
				continue
			}
			bad := []byte(good)
			bad[i], bad[i-1] = bad[i-1], bad[i]
			if codes.Check(form, string(bad)) == nil {
				t.Errorf("%s: %s passes", form, bad)
			}
		}
	}
}

func TestParseLeak(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]codes.Leak{"II": codes.LeakII, "Type IIIa": codes.LeakIIIa, "type 1b endoleak": codes.LeakIb, "Ia": codes.LeakIa, "type I": codes.LeakI,
		"3": codes.LeakIII, "Endoleak type V": codes.LeakV, "IV": codes.LeakIV, "none": codes.LeakNone, "No endoleak": codes.LeakNone, "Type 3 c": codes.LeakIIIc,
		"type not determined": codes.LeakUnknown, "present": codes.LeakUnknown, "Type unknown": codes.LeakUnknown,
		"": "", "no type I": "", "type II or III": "", "possible type II": "", "IIa": "", "VI": "", "type": "", "0": "", "not excluded": ""} {
		if got, ok := codes.ParseLeak(in); got != want || ok != (want != "") {
			t.Errorf("%q: got %q %v, want %q", in, got, ok, want)
		}
	}
}

func TestParseAnswer(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]codes.Answer{"Present": codes.Present, "no": codes.Absent, "patent": codes.Patent, "Occluded.": codes.Occluded, "not patent": "", "": "", "maybe": ""} {
		if got, ok := codes.ParseAnswer(in); got != want || ok != (want != "") {
			t.Errorf("%q: got %q", in, got)
		}
	}
}
