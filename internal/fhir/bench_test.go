package fhir_test

import (
	"bytes"
	"strconv"
	"strings"
	"testing"

	"perennial/internal/fhir"
)

// itoa is short for tables.
func itoa(n int) string { return strconv.Itoa(n) }

// line gives the line of one type in the file that has every field.
func line(b *testing.B, typ string) []byte {
	b.Helper()
	for _, l := range everyRecord(b) {
		if strings.HasPrefix(l, `{"resourceType":"`+typ+`"`) {
			return []byte(l)
		}
	}
	b.Fatal("no line of " + typ)
	return nil
}

// typical gives lines as hospitals send them: most of their bytes are in members that are not kept. All invented.
func typical(b *testing.B, typ string) []byte {
	const head = `"meta":{"versionId":"1","lastUpdated":"2031-01-01T08:00:00-05:00","profile":["urn:invented:profile"]}`
	div := `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">` + strings.Repeat("words ", 30) + `</div>"}`
	ext := `"extension":[{"url":"urn:invented:a","extension":[{"url":"b","valueCoding":{"system":"urn:oid:1.2.3","code":"x","display":"invented"}},{"url":"text","valueString":"invented"}]}]`
	code := `{"coding":[{"system":"urn:invented:codes","code":"C77","display":"CT angiography, invented"},{"system":"urn:oid:1.2.3.4","code":"L77"}],"text":"CT angiography, invented"}`
	subject := `"subject":{"reference":"Patient/6a1f0d4e-0000-4000-8000-00000000abcd","display":"A Person"}`
	switch typ {
	case "Patient":
		return []byte(`{"resourceType":"Patient","id":"6a1f0d4e-0000-4000-8000-00000000abcd",` + head + `,` + div + `,` + ext + `,"identifier":[{"system":"urn:invented:mrn","value":"4711"}],"active":true,"name":[{"use":"official","family":"Invented","given":["A","B"]}],"telecom":[{"system":"phone","value":"000"}],"gender":"female","birthDate":"1950-02-01","address":[{"line":["1 Quay"],"city":"Harbour"}],"communication":[{"language":` + code + `}]}`)
	case "Procedure":
		return []byte(`{"resourceType":"Procedure","id":"p",` + head + `,` + div + `,"status":"completed","category":` + code + `,"code":` + code + `,` + subject + `,"performedDateTime":"2030-04-01T10:00:00-05:00","performer":[{"actor":{"reference":"Practitioner/1"}}],"reasonCode":[` + code + `],"bodySite":[` + code + `],"note":[{"text":"` + strings.Repeat("words ", 60) + `"}]}`)
	}
	instance := `{"uid":"1.2.3.4.5.6.7.8.9","sopClass":{"system":"urn:ietf:rfc:3986","code":"urn:oid:1.2.840.10008.5.1.4.1.1.2"},"number":1},`
	series := `{"uid":"1.2.3.4.5.6","number":1,"modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"},"description":"ARTERIAL 1.0","bodySite":{"code":"ABDOMEN"},"started":"2031-01-01T10:00:00-05:00","instance":[` + strings.TrimSuffix(strings.Repeat(instance, 4), ",") + `]}`
	return []byte(`{"resourceType":"ImagingStudy","id":"s",` + head + `,"identifier":[{"system":"urn:dicom:uid","value":"urn:oid:1.2.3.4.5"}],"status":"available","modality":[{"code":"CT"}],` + subject + `,"started":"2031-01-01T10:00:00-05:00","endpoint":[{"reference":"Endpoint/1"}],"procedureCode":[` + code + `],"description":"CT angiography","series":[` + series + `,` + series + `]}`)
}

// BenchmarkDecoder is the bulk path on one line.
func BenchmarkDecoder(b *testing.B) {
	for _, typ := range []string{"Patient", "Procedure", "ImagingStudy"} {
		body := typical(b, typ)
		b.Run(typ, func(b *testing.B) {
			var d fhir.Decoder
			b.SetBytes(int64(len(body)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := d.Decode(body); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	body := typical(b, "ImagingStudy")
	b.Run("ImagingStudy-with-series", func(b *testing.B) {
		var d fhir.Decoder
		b.SetBytes(int64(len(body)))
		b.ReportAllocs()
		for b.Loop() {
			r, err := d.Decode(body)
			if err != nil {
				b.Fatal(err)
			}
			if err := d.LoadSeries(r.(*fhir.ImagingStudy)); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkDecode is the same with copies, to keep, on lines where every field is filled.
func BenchmarkDecode(b *testing.B) {
	for _, typ := range []string{"Patient", "Procedure", "ImagingStudy", "Observation"} {
		body := line(b, typ)
		b.Run(typ, func(b *testing.B) {
			b.SetBytes(int64(len(body)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := fhir.Decode(body); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRead takes inputs apart without decoding.
func BenchmarkRead(b *testing.B) {
	study := string(typical(b, "ImagingStudy"))
	for _, in := range []struct{ name, text string }{
		{"NDJSON", strings.Repeat(study+"\n", 4000)},
		{"Bundle", `{"resourceType":"Bundle","entry":[` + strings.TrimSuffix(strings.Repeat(`{"resource":`+study+`},`, 4000), ",") + `]}`},
	} {
		b.Run(in.name, func(b *testing.B) {
			b.SetBytes(int64(len(in.text)))
			for b.Loop() {
				n := 0
				h := fhir.Handler{Each: func(fhir.Raw) error { n++; return nil }}
				if err := fhir.Read("in", bytes.NewReader([]byte(in.text)), h); err != nil || n != 4000 {
					b.Fatal(n, err)
				}
			}
		})
	}
}

// BenchmarkSlim writes records for a store.
func BenchmarkSlim(b *testing.B) {
	r, err := fhir.Decode(typical(b, "ImagingStudy"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fhir.Slim(r); err != nil {
			b.Fatal(err)
		}
	}
}
