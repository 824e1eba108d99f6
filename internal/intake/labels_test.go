package intake_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/fhir"
	"perennial/internal/intake"
)

// Numbers are compared without case, separators and zeros in front; a device
// identifier of digits has 14 of them.
func TestMarkForm(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		sort     chart.MarkSort
		in, want string
	}{
		{chart.MarkLot, "765-43 21d", "7654321D"}, {chart.MarkLot, "000XYZ123", "XYZ123"}, {chart.MarkLot, "0000", "0000"}, {chart.MarkLot, " -/", ""},
		{chart.MarkModel, "844588003288", "00844588003288"}, {chart.MarkModel, "(01)", "1"}, {chart.MarkModel, "H123-X0", "H123X0"}, {chart.MarkSerial, "ünï-7", "ÜNÏ7"},
	} {
		if got := chart.MarkForm(tc.sort, tc.in); got != tc.want {
			t.Errorf("%s %q: %q, want %q", tc.sort, tc.in, got, tc.want)
		}
	}
}

// Words in a text: those with a digit, without the words before a number.
func TestMention(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		"main body, lot L-77":          {"LOTL77", "L77"},
		"SN:0012345":                   {"SN0012345", "12345"},
		"no number here":               nil,
		"(01)00844588003288(10)7654":   {"844588003288", "7654"},
		"graft S/N 98 765":             {"SN98", "98765", "765"},
		"+A123BJC5D6E71G on the label": {"A123BJC5D6E71"},
	} {
		got := map[string]bool{}
		if l := intake.Mention("Procedure/x", text); l != nil {
			for _, m := range l.List[0].Marks {
				got[m.Value] = true
			}
		}
		for _, w := range want {
			if !got[w] {
				t.Errorf("%q gives %v, not %q", text, got, w)
			}
		}
		if want == nil && len(got) > 0 {
			t.Errorf("%q gives %v", text, got)
		}
	}
}

// FuzzRawLabels: a body of any kind gives marks in their form, not too many, and
// crashes nothing; a lot that a Device has is found in it when it is cut.
func FuzzRawLabels(f *testing.F) {
	for _, s := range []string{`{"resourceType":"Device","id":"d","lotNumber":"7654321D","status":7}`, `{"lotNumber":123456`, `{"udiCarrier":[{"carrierHRF":"(01)00844588003288(10)L`, `"Device"`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		s = s[:min(len(s), 400)]
		lists := []*chart.Labels{intake.RawLabels("Device/d", []byte(s)), intake.Mention("x", s),
			intake.Labels("Device/d", &fhir.Device{LotNumber: s, SerialNumber: s, UDICarrier: []fhir.UDICarrier{{CarrierHRF: s, CarrierAIDC: s, DeviceIdentifier: s}}})}
		for _, l := range lists {
			if l.None() {
				continue
			}
			for _, m := range l.List[0].Marks {
				if m.Value == "" || chart.MarkForm(m.Sort, m.Value) != m.Value {
					t.Errorf("%q gives %+v", s, m)
				}
			}
			if n := len(l.List[0].Marks); n > 250 {
				t.Errorf("%d marks", n)
			}
		}
	})
}

// What is cut in the middle still tells its lot.
func TestRawLabels(t *testing.T) {
	t.Parallel()
	l := intake.RawLabels("Device/d", []byte(`{"resourceType":"Device","lotNumber": 7654321,"deviceIdentifier":"844588003288","note":[{"text":"SN S-99`))
	want := []chart.Mark{{Sort: chart.MarkLot, Value: "7654321"}, {Sort: chart.MarkModel, Value: "00844588003288"}}
	if diff := cmp.Diff(want, l.List[0].Marks[:2]); diff != "" || !l.List[0].Has(chart.MarkText) {
		t.Errorf("%v (-want +got):\n%s", l.List[0].Marks, diff)
	}
	if l := intake.RawLabels("Observation/o", []byte(`{"resourceType":"Observation","valueString":"12345"}`)); l != nil {
		t.Errorf("an Observation gives %+v", l)
	}
}
