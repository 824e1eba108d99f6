package fhir_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// FuzzRead: whatever comes in, reading ends, bodies are objects that lie in the input, and how the bytes arrive
// (at once or in small pieces) changes nothing.
func FuzzRead(f *testing.F) {
	a, b := res("Patient", "a"), res("Procedure", "b")
	for _, s := range []string{a, a + "\n" + b, "[" + a + "," + b + "]", `{"entry":[{"resource":` + a + `}],"resourceType":"Bundle"}`,
		`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[{"resource":` + a + `}]}}]}`,
		"{\n\"a\":[{}\n]}\n{\"x", a + b, "\xef\xbb\xbf" + a, "<x/>", string(zipped(a + "\n" + b)), a + "\n{\"resourceType\":\"x\n" + b} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		lim := fhir.Limits{MaxResource: 300}
		at := read(t, bytes.NewReader(in), lim)
		lim.Buffer = 7
		pieces := read(t, bytes.NewReader(in), lim)
		if diff := cmp.Diff(at.got, pieces.got); diff != "" {
			t.Errorf("in pieces:\n%s", diff)
		}
		zip := len(in) > 1 && in[0] == 0x1f && in[1] == 0x8b
		for _, body := range at.bodies {
			if body[0] != '{' || body[len(body)-1] != '}' || !zip && !bytes.Contains(in, []byte(body)) {
				t.Errorf("a body that is no object of the input: %q", body)
			}
		}
	})
}

// FuzzDecode: no input crashes; both ways of decoding agree; what is taken is taken again after Slim, and a body that is
// valid JSON throughout is read as encoding/json reads it.
func FuzzDecode(f *testing.F) {
	for _, line := range everyRecord(f) {
		f.Add([]byte(line))
	}
	f.Add([]byte(`{"resourceType":"Patient","id":"\ud800","name":[null,{"given":[null]}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		r, err := fhir.Decode(body)
		fhir.Salvage(body)
		var d fhir.Decoder
		passing, err2 := d.Decode(body)
		if s, ok := passing.(*fhir.ImagingStudy); ok {
			err2 = d.LoadSeries(s)
		}
		if (err == nil) != (err2 == nil) || err != nil && err.Error() != err2.Error() {
			t.Fatalf("the two ways differ: %v, %v", err, err2)
		}
		if err != nil {
			return
		}
		if diff := cmp.Diff(r, passing, unexported()); diff != "" {
			t.Fatalf("the two ways differ:\n%s", diff)
		}
		out, err := fhir.Slim(r)
		if err != nil {
			t.Fatal(err)
		}
		again, err := fhir.Decode(out)
		if err != nil {
			t.Fatalf("%s is not read again: %v", out, err)
		}
		if twice, _ := fhir.Slim(again); !bytes.Equal(out, twice) {
			t.Fatalf("not stable:\n%s\n%s", out, twice)
		}
		if json.Valid(body) && !folds(body) {
			std := emptyLike(r)
			if err := json.Unmarshal(body, std); err != nil {
				t.Fatalf("encoding/json refuses it: %v", err)
			}
			if diff := cmp.Diff(r, std, unexported()); diff != "" {
				t.Fatalf("encoding/json reads it otherwise:\n%s", diff)
			}
		}
	})
}

// emptyLike makes an empty record of the same type.
func emptyLike(r fhir.Resource) fhir.Resource {
	switch r.(type) {
	case *fhir.Patient:
		return new(fhir.Patient)
	case *fhir.Procedure:
		return new(fhir.Procedure)
	case *fhir.ImagingStudy:
		return new(fhir.ImagingStudy)
	case *fhir.Device:
		return new(fhir.Device)
	case *fhir.Observation:
		return new(fhir.Observation)
	case *fhir.Encounter:
		return new(fhir.Encounter)
	case *fhir.Appointment:
		return new(fhir.Appointment)
	}
	return r
}

// folds says whether a body may hold member names in a case, or repeated, that encoding/json takes otherwise.
func folds(body []byte) bool {
	d := json.NewDecoder(bytes.NewReader(body))
	var seen []map[string]bool
	key := []bool{}
	for {
		tok, err := d.Token()
		if err != nil {
			return false
		}
		switch v := tok.(type) {
		case json.Delim:
			if v == '{' || v == '[' {
				seen, key = append(seen, map[string]bool{}), append(key, v == '{')
				continue
			}
			seen, key = seen[:len(seen)-1], key[:len(key)-1]
		case string:
			if n := len(key); n > 0 && key[n-1] {
				low := strings.ToLower(v)
				if seen[n-1][low] || v != low && strings.ToUpper(v[:1]) == v[:1] {
					return true
				}
				seen[n-1][low] = true
				key[n-1] = false
				continue
			}
		}
		if n := len(key); n > 0 && len(seen[n-1]) > 0 {
			key[n-1] = true
		}
	}
}

// FuzzReference: no text crashes, and a canonical form stays itself.
func FuzzReference(f *testing.F) {
	for _, s := range []string{"Patient/1", "https://h/f/Patient/1/_history/2", "#x", "urn:uuid:1", "Patient?x=y", "//", "A/b/_history/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r := fhir.ParseReference(s)
		again := fhir.ParseReference(r.String())
		if r.Version = ""; again != r {
			t.Errorf("%q gives %+v, then %+v", s, r, again)
		}
		if local := r.Local(nil); (local != "") != (r.Kind == fhir.Relative) {
			t.Errorf("%q is local as %q", s, local)
		}
		fhir.UIDKey(s)
	})
}

// FuzzUDI: no text crashes, and dates are dates.
func FuzzUDI(f *testing.F) {
	for _, s := range []string{"(01)00844588003288(17)141120(10)7654321D(21)10987654d321", "010084458800328817141100\x1d10A",
		"+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C",
		"=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u := fhir.ParseUDI(s)
		for _, d := range []string{u.Expires, u.Manufactured} {
			if d != "" && len(d) != len("2006-01-02") && len(d) != len("2006-01") {
				t.Errorf("%q gives the date %q", s, d)
			}
		}
		if u.Issuer == "" && u.DI != "" {
			t.Errorf("%q gives a device identifier of nobody: %+v", s, u)
		}
	})
}
