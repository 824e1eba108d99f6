package fhir_test

import (
	"encoding/base64"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"perennial/internal/fhir"
)

func TestParseUDI(t *testing.T) {
	t.Parallel()
	gs1 := fhir.UDI{Issuer: "gs1", DI: "00844588003288", Expires: "2014-11-20", Lot: "7654321D", Serial: "10987654d321"}
	tests := []struct {
		name, in string
		want     fhir.UDI
	}{
		// Source: the worked GS1 example in the FDA's UDI formats by issuing agency and in the text of FHIR's Device.
		{"GS1 printed", "(01)00844588003288(17)141120(10)7654321D(21)10987654d321", gs1},
		{"GS1 in curly brackets, as an older official example has it", "{01}00844588003288{17}141120{10}7654321D{21}10987654d321", gs1},
		{"GS1 scanned", "010084458800328817141120107654321D\x1d2110987654d321", gs1},
		{"GS1 scanned with symbology and separators", "]d2\x1d0100844588003288\x1d17141120107654321D\x1d2110987654d321", gs1},
		{"GS1 with what HL7 v2 puts behind", "(01)00844588003288(17)141120(10)7654321D(21)10987654d321^^2.16.840.1.113883.3.3719^ISO", gs1},
		// Source: GS1 General Specifications, AI 17: a day of 00 is the last day of the month.
		{"GS1 without a day", "(01)00643169001763(17)280200(11)260300", fhir.UDI{Issuer: "gs1", DI: "00643169001763", Expires: "2028-02-29", Manufactured: "2026-03",
			Notes: []string{"the expiry date names only the month: its last day is taken"}}},
		{"GS1 additional product id, brackets in a lot", "(01)00844588003288(10)A(2)B(240)XY-1", fhir.UDI{Issuer: "gs1", DI: "00844588003288", Lot: "A(2)B", Reference: "XY-1"}},
		{"GS1 with a wrong check digit is kept", "(01)00844588003289", fhir.UDI{Issuer: "gs1", DI: "00844588003289", Notes: []string{"the check digit of the GTIN is wrong"}}},
		{"GS1 with a date that does not exist", "(01)00844588003288(17)141340", fhir.UDI{Issuer: "gs1", DI: "00844588003288", Notes: []string{"the expiry date does not exist"}}},
		// Source: the worked HIBCC example in the FDA's UDI formats by issuing agency (its printed check character fails mod 43).
		{"HIBCC", "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C",
			fhir.UDI{Issuer: "hibcc", DI: "H123PARTNO1234567890120", Expires: "2020-02-02", Lot: "LOT123456789012345", Serial: "XYZ456789012345678",
				Manufactured: "2013-02-02", Notes: []string{"the HIBCC check character was not checked"}}},
		// Source: the worked ICCBBA example for HCT/P in the FDA's UDI formats by issuing agency.
		{"ICCBBA", "=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123",
			fhir.UDI{Issuer: "iccbba", DI: "A9999XYZ100T0944", Serial: "000025", Donation: "A99971312345600", Expires: "2014-02-01",
				Manufactured: "2013-02-01", Lot: "000000000000XYZ123"}},
		// Source: the worked ICCBBA example for blood bags, from memory, fairly sure.
		{"ICCBBA blood bag", "=)1TE123456A&)RZ12345678", fhir.UDI{Issuer: "iccbba", DI: "1TE123456A", Lot: "RZ12345678"}},
		{"nothing", "", fhir.UDI{}},
		{"no UDI", "MODEL 7", fhir.UDI{}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, fhir.ParseUDI(tc.in), cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestDeviceUDI(t *testing.T) {
	t.Parallel()
	aidc := base64.StdEncoding.EncodeToString([]byte("0100844588003288\x1d17141120107654321D"))
	tests := []struct {
		name string
		dev  fhir.Device
		want fhir.UDI
		ok   bool
	}{
		{"scanned form only, the rest from the Device", fhir.Device{UDICarrier: []fhir.UDICarrier{{CarrierAIDC: aidc}}, LotNumber: "other", SerialNumber: "S9"},
			fhir.UDI{Issuer: "gs1", DI: "00844588003288", Expires: "2014-11-20", Lot: "7654321D", Serial: "S9"}, true},
		{"identifier only, issuer with a capital as R4 prints it", fhir.Device{UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: "H123X0", Issuer: "http://hl7.org/fhir/NamingSystem/hibcc-dI"}}},
			fhir.UDI{Issuer: "hibcc", DI: "H123X0"}, true},
		// Source: the official example device-example-udi1, whose device identifier is not in its printed form.
		{"identifier that is not in the carrier", fhir.Device{UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: "00744453425500328", CarrierHRF: "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C"}}},
			fhir.UDI{Issuer: "hibcc", DI: "00744453425500328", Expires: "2020-02-02", Lot: "LOT123456789012345", Serial: "XYZ456789012345678", Manufactured: "2013-02-02",
				Notes: []string{"the HIBCC check character was not checked", "the device identifier sent is not the one in the carrier"}}, true},
		{"a second carrier where the first says nothing", fhir.Device{UDICarrier: []fhir.UDICarrier{{EntryType: "manual"}, {CarrierHRF: "(01)00844588003288"}}},
			fhir.UDI{Issuer: "gs1", DI: "00844588003288"}, true},
		{"no carrier", fhir.Device{LotNumber: "L"}, fhir.UDI{Lot: "L"}, false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got, ok := tc.dev.UDI()
			if diff := cmp.Diff(tc.want, got, cmpopts.EquateEmpty()); diff != "" || ok != tc.ok {
				t.Errorf("ok %v (-want +got):\n%s", ok, diff)
			}
		})
	}
}
