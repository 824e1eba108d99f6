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
				Manufactured: "2013-02-02", Notes: []string{"the HIBCC check character is wrong: H was expected"}}},
		// Source: the worked ICCBBA example for HCT/P in the FDA's UDI formats by issuing agency.
		{"ICCBBA", "=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123",
			fhir.UDI{Issuer: "iccbba", DI: "A9999XYZ100T0944", Serial: "000025", Donation: "A99971312345600", Expires: "2014-02-01",
				Manufactured: "2013-02-01", Lot: "000000000000XYZ123"}},
		// Source: the worked ICCBBA example for blood bags, from memory, fairly sure.
		{"ICCBBA blood bag", "=)1TE123456A&)RZ12345678", fhir.UDI{Issuer: "iccbba", DI: "1TE123456A", Lot: "RZ12345678"}},
		{"nothing", "", fhir.UDI{}},
		{"GS1 as typed from a label, with blanks", "01 00844588003288 17 141120 10 7654321D 21 10987654d321", gs1},
		{"GS1 printed with blanks", "(01) 00844588003288 (17) 141120 (10) 7654321D (21) 10987654d321", gs1},
		{"GS1 whose separators a scanner wrote out", "010084458800328817141120107654321D<GS>2110987654d321", gs1},
		// Source: GS1 Digital Link URI syntax, from memory, sure.
		{"GS1 as a web address", "https://udi.example/01/00844588003288/10/7654321D/21/10987654d321?17=141120", gs1},
		// Source: GS1 General Specifications, section 3 (lengths of AI 410, 310n, 8012), from memory, sure.
		{"GS1 with other identifiers between", "0100844588003288" + "4101234567890128" + "3103000250" + "8012V2\x1d" + "10A1", fhir.UDI{Issuer: "gs1", DI: "00844588003288", Lot: "A1"}},
		// Source: the examples in an HL7 v2 guide's text on OBX, with what FHIR's Device names as the form of HL7 v2.
		{"GS1 of the HL7 v2 guide", "(01)00643169001763(17)160712(21)21A11F4855^^2.16.840.1.113883.3.3719^ISO", fhir.UDI{Issuer: "gs1", DI: "00643169001763", Expires: "2016-07-12", Serial: "21A11F4855"}},
		{"ICCBBA with the ampersand of HL7 v2", `=/A9999XYZ100T0944=>014032\T\,1000000000000XYZ123`, fhir.UDI{Issuer: "iccbba", DI: "A9999XYZ100T0944", Expires: "2014-02-01", Lot: "000000000000XYZ123"}},
		// Source: ISBT 128, expiry and production with a time of day (from memory, sure).
		{"ICCBBA with times of day", "=/A9999XYZ100T0944&>0140322359&}0130320815", fhir.UDI{Issuer: "iccbba", DI: "A9999XYZ100T0944", Expires: "2014-02-01", Manufactured: "2013-02-01"}},
		// Source: ISO/IEC 7064, MOD 37-2: G123489654321 has the check character Y, 34; with 60 added it stands in the flags.
		{"ICCBBA donation number with its check character", "=G12348965432194=/A9999XYZ100T0944", fhir.UDI{Issuer: "iccbba", DI: "A9999XYZ100T0944", Donation: "G12348965432194"}},
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

// Source: ANSI/HIBC 2.6, its worked examples: the sections are named beside them.
func TestParseHIBC(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, in string
		want     fhir.UDI
	}{
		{"4.3.1 primary", "+A123BJC5D6E71G", fhir.UDI{DI: "A123BJC5D6E71"}},
		{"4.3.1 in the frame of Code 39", "*+A123BJC5D6E71G*", fhir.UDI{DI: "A123BJC5D6E71"}},
		{"C.3 primary", "+H123ABC01234567890D", fhir.UDI{DI: "H123ABC01234567890"}},
		{"4.3.2 second line alone, with link and check characters", "+$$52001510X3GD", fhir.UDI{Expires: "2020-01-15", Lot: "10X3"}},
		{"E1.1 lot without a date", "+$A1234GU", fhir.UDI{Lot: "A1234"}},
		{"two lines", "+A123BJC5D6E71G+$$52001510X3GD", fhir.UDI{DI: "A123BJC5D6E71", Expires: "2020-01-15", Lot: "10X3"}},
		{"two lines, serial", "+A123BJC5D6E71G+$$+52001510X3GB", fhir.UDI{DI: "A123BJC5D6E71", Expires: "2020-01-15", Serial: "10X3"}},
		{"two lines, the oldest form", "+A123BJC5D6E71G+2001510X3GG", fhir.UDI{DI: "A123BJC5D6E71", Expires: "2020-01-15", Lot: "10X3"}},
		{"4.3.3 joined", "+A123BJC5D6E71/$$52001510X3C", fhir.UDI{DI: "A123BJC5D6E71", Expires: "2020-01-15", Lot: "10X3"}},
		{"2.3.2 production and serial", "+A99912345/$$52001510X3/16D20111212/S77DEFG457", fhir.UDI{DI: "A99912345", Expires: "2020-01-15", Lot: "10X3", Serial: "77DEFG45", Manufactured: "2011-12-12"}},
		{"2.3.2.3 production and expiry", "+A99912345/$10X3/16D20111231/14D202001313", fhir.UDI{DI: "A99912345", Expires: "2020-01-31", Lot: "10X3", Manufactured: "2011-12-31"}},
		{"2.3.2.4 quantity", "+A99912349/$10X3/16D20111231/14D20200131/Q500Z", fhir.UDI{DI: "A99912349", Expires: "2020-01-31", Lot: "10X3", Manufactured: "2011-12-31"}},
		{"quantity before the lot", "+A99912345/$$90234510X3/16D20111212/14D20200906/S77DEFG458", fhir.UDI{DI: "A99912345", Expires: "2020-09-06", Lot: "10X3", Serial: "77DEFG45", Manufactured: "2011-12-12"}},
		{"month only", "+J123AQ3451/$$0225BC34567/S4012M", fhir.UDI{DI: "J123AQ3451", Expires: "2025-02-28", Lot: "BC34567", Serial: "4012", Notes: []string{"the expiry date names only the month: its last day is taken", "the HIBCC check character is wrong: L was expected"}, Also: []string{"0225BC34567", "4012M"}}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			tc.want.Issuer = "hibcc"
			if diff := cmp.Diff(tc.want, fhir.ParseUDI(tc.in), cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// What goes wrong with labels, and what is told of it. Nothing of it loses what can be read.
func TestUDIMistakes(t *testing.T) {
	t.Parallel()
	const gtin = "(01)00844588003288"
	tests := []struct {
		name, in string
		want     fhir.UDI
	}{
		{"a day that does not exist", gtin + "(17)230230(10)L", fhir.UDI{DI: "00844588003288", Lot: "L", Notes: []string{"the expiry date does not exist"}}},
		{"29 Feb of a year without one", gtin + "(17)270229", fhir.UDI{DI: "00844588003288", Notes: []string{"the expiry date does not exist"}}},
		{"day 00 in a leap year", gtin + "(17)280200", fhir.UDI{DI: "00844588003288", Expires: "2028-02-29", Notes: []string{"the expiry date names only the month: its last day is taken"}}},
		{"day 00 of month 00", gtin + "(17)280000", fhir.UDI{DI: "00844588003288", Notes: []string{"the expiry date does not exist"}}},
		{"a date of four digits", gtin + "(17)2811(10)L", fhir.UDI{DI: "00844588003288", Lot: "L", Notes: []string{"the expiry date is not six digits"}}},
		{"a year of the last century", gtin + "(11)991231", fhir.UDI{DI: "00844588003288", Manufactured: "1999-12-31"}},
		{"two digits swapped in the GTIN", "(01)00844588002388", fhir.UDI{DI: "00844588002388", Notes: []string{"the check digit of the GTIN is wrong"}}},
		{"a GTIN of 13 digits", "(01)0844588003288", fhir.UDI{DI: "0844588003288", Notes: []string{"the check digit of the GTIN is wrong"}}},
		{"the identifier alone", "00844588003288", fhir.UDI{DI: "00844588003288", Notes: []string{"it holds the device identifier only"}}},
		{"a swallowed separator", "0100844588003288107654D2199", fhir.UDI{DI: "00844588003288", Lot: "7654D2199", Also: []string{"7654D", "99"}}},
		{"a swallowed separator, too long", "010084458800328810ABCDEFGHIJKLMNOP21QRSTUVW", fhir.UDI{DI: "00844588003288", Lot: "ABCDEFGHIJKLMNOP21QRSTUVW",
			Also: []string{"ABCDEFGHIJKLMNOP", "QRSTUVW"}, Notes: []string{"the value behind 10 is too long: a separator may be missing"}}},
		{"an identifier that is not known", "01008445880032888999X", fhir.UDI{DI: "00844588003288", Notes: []string{"an application identifier is not known: what stands behind it was not read"}}},
		{"text behind the identifiers", gtin + "(10)L) x", fhir.UDI{DI: "00844588003288", Lot: "L) x"}},
		{"cut in the GTIN", "(01)0084458", fhir.UDI{DI: "0084458", Notes: []string{"the check digit of the GTIN is wrong"}}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			tc.want.Issuer = "gs1"
			if diff := cmp.Diff(tc.want, fhir.ParseUDI(tc.in), cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	if u := fhir.ParseUDI("=G12348965432193=/A9999XYZ100T0944"); len(u.Notes) != 1 || u.Notes[0] != "the check character of the donation number is wrong" {
		t.Errorf("a wrong donation number: %+v", u)
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
			fhir.UDI{Issuer: "gs1", DI: "00844588003288", Expires: "2014-11-20", Lot: "7654321D", Serial: "S9", Also: []string{"76543", "D"}}, true},
		{"identifier only, issuer with a capital as R4 prints it", fhir.Device{UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: "H123X0", Issuer: "http://hl7.org/fhir/NamingSystem/hibcc-dI"}}},
			fhir.UDI{Issuer: "hibcc", DI: "H123X0"}, true},
		// Source: the official example device-example-udi1, whose device identifier is not in its printed form.
		{"identifier that is not in the carrier", fhir.Device{UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: "00744453425500328", CarrierHRF: "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C"}}},
			fhir.UDI{Issuer: "hibcc", DI: "00744453425500328", Expires: "2020-02-02", Lot: "LOT123456789012345", Serial: "XYZ456789012345678", Manufactured: "2013-02-02",
				Notes: []string{"the HIBCC check character is wrong: H was expected", "the device identifier sent is not the one in the carrier"}}, true},
		{"a second carrier where the first says nothing", fhir.Device{UDICarrier: []fhir.UDICarrier{{EntryType: "manual"}, {CarrierHRF: "(01)00844588003288"}}},
			fhir.UDI{Issuer: "gs1", DI: "00844588003288"}, true},
		{"a whole UDI as the device identifier", fhir.Device{UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: "(01)00844588003288(10)L1"}}},
			fhir.UDI{Issuer: "gs1", DI: "00844588003288", Lot: "L1", Notes: []string{"a whole UDI stands in the field of the device identifier"}}, true},
		{"a whole UDI as the lot", fhir.Device{LotNumber: "(01)00844588003288(17)271120(10)L1", SerialNumber: "S1"},
			fhir.UDI{Issuer: "gs1", DI: "00844588003288", Lot: "L1", Serial: "S1", Expires: "2027-11-20", Notes: []string{"a whole UDI stands in the field of the lot"}}, true},
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
