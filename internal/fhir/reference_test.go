package fhir_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

func TestParseReference(t *testing.T) {
	t.Parallel()
	tests := []struct {
		in   string
		want fhir.Ref
		text string
	}{
		{"", fhir.Ref{}, ""},
		{" Patient/1 ", fhir.Ref{Kind: fhir.Relative, Type: "Patient", ID: "1"}, "Patient/1"},
		{"Patient/1/", fhir.Ref{Kind: fhir.Relative, Type: "Patient", ID: "1"}, "Patient/1"},
		{"Patient/a_b|c", fhir.Ref{Kind: fhir.Relative, Type: "Patient", ID: "a_b|c"}, "Patient/a_b|c"},
		{"Patient/1/_history/3", fhir.Ref{Kind: fhir.Relative, Type: "Patient", ID: "1", Version: "3"}, "Patient/1"},
		{"https://one.example/fhir/r4/Patient/1/_history/3", fhir.Ref{Kind: fhir.Absolute, Type: "Patient", ID: "1", Base: "https://one.example/fhir/r4", Version: "3"}, "https://one.example/fhir/r4/Patient/1"},
		{"HTTP://one.example//Patient/1", fhir.Ref{Kind: fhir.Absolute, Type: "Patient", ID: "1", Base: "HTTP://one.example"}, "HTTP://one.example/Patient/1"},
		{"https://one.example/Patient", fhir.Ref{Kind: fhir.Odd, ID: "https://one.example/Patient"}, "https://one.example/Patient"},
		{"urn:uuid:0000-1", fhir.Ref{Kind: fhir.URN, ID: "urn:uuid:0000-1"}, "urn:uuid:0000-1"},
		{"URN:OID:1.2.3", fhir.Ref{Kind: fhir.URN, ID: "URN:OID:1.2.3"}, "URN:OID:1.2.3"},
		{"#dev", fhir.Ref{Kind: fhir.Contained, ID: "dev"}, "#dev"},
		{"12345", fhir.Ref{Kind: fhir.Odd, ID: "12345"}, "12345"},
		{"Patient?identifier=a|b", fhir.Ref{Kind: fhir.Odd, ID: "Patient?identifier=a|b"}, "Patient?identifier=a|b"},
		{"patient/1", fhir.Ref{Kind: fhir.Odd, ID: "patient/1"}, "patient/1"},
		{"x/Patient/1", fhir.Ref{Kind: fhir.Odd, ID: "x/Patient/1"}, "x/Patient/1"},
		{"Patient/", fhir.Ref{Kind: fhir.Odd, ID: "Patient/"}, "Patient/"},
	}
	for _, tc := range tests {
		t.Run(tc.in, func(t *testing.T) {
			t.Parallel()
			got := fhir.ParseReference(tc.in)
			if diff := cmp.Diff(tc.want, got); diff != "" || got.String() != tc.text {
				t.Errorf("text %q (-want +got):\n%s", got.String(), diff)
			}
		})
	}
}

func TestLocal(t *testing.T) {
	t.Parallel()
	own := func(base string) bool { return base == "https://one.example/fhir" }
	tests := []struct {
		in, nobody, ours string
	}{
		{"Patient/1/_history/2", "Patient/1", "Patient/1"},
		{"https://one.example/fhir/Patient/1", "", "Patient/1"},
		{"https://other.example/fhir/Patient/1", "", ""},
		{"urn:uuid:1", "", ""},
		{"#1", "", ""},
		{"1", "", ""},
	}
	for _, tc := range tests {
		r := fhir.ParseReference(tc.in)
		if r.Local(nil) != tc.nobody || r.Local(own) != tc.ours {
			t.Errorf("%s: %q, %q", tc.in, r.Local(nil), r.Local(own))
		}
	}
}

func TestUIDKey(t *testing.T) {
	t.Parallel()
	tests := []struct{ in, want string }{
		{"urn:oid:1.2.840.10008.5.1.4.1.1.2", "1.2.840.10008.5.1.4.1.1.2"},
		{"1.2.840.10008.5.1.4.1.1.2", "1.2.840.10008.5.1.4.1.1.2"},
		{" URN:OID:1.2.3\x00", "1.2.3"},
		{"urn:dicom:uid:1.2.3", "1.2.3"},
		{"", ""}, {"12", ""}, {"1..2", ""}, {".1.2", ""}, {"1.2.", ""}, {"1.2a", ""}, {"urn:uuid:1.2", ""},
		{"1." + string(make([]byte, 70)), ""},
	}
	for _, tc := range tests {
		if got := fhir.UIDKey(tc.in); got != tc.want {
			t.Errorf("%q gives %q, want %q", tc.in, got, tc.want)
		}
	}
}

func TestStudyUIDPrefersTheMarkedOne(t *testing.T) {
	t.Parallel()
	ids := []fhir.Identifier{{Value: "9.8.7.6.5.4"}, {Value: "1.2.3"}, {System: "urn:dicom:uid", Value: "1.2.3.4"}}
	if got := fhir.StudyUID(ids); got != "1.2.3.4" {
		t.Errorf("got %q", got)
	}
	if got := fhir.StudyUID(ids[:2]); got != "9.8.7.6.5.4" {
		t.Errorf("bare: got %q", got)
	}
	if got := fhir.StudyUID(ids[1:2]); got != "" {
		t.Errorf("too short to be told from a number: got %q", got)
	}
	if got := fhir.StudyUID([]fhir.Identifier{{System: "urn:harbour:mrn", Value: "9.8.7.6.5.4"}}); got != "" {
		t.Errorf("another system's number: got %q", got)
	}
}
