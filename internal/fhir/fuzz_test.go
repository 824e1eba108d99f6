package fhir_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// FuzzRead: whatever comes in, reading ends, bodies begin as objects and lie in the input, and how the bytes arrive
// (at once or in small pieces) changes nothing.
func FuzzRead(f *testing.F) {
	a, b := res("Patient", "a"), res("Procedure", "b")
	for _, s := range []string{a, a + "\n" + b, "[" + a + "," + b + "]", `{"entry":[{"resource":` + a + `}],"resourceType":"Bundle"}`,
		`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[{"resource":` + a + `}]}}]}`,
		"{\n\"a\":[{}\n]}\n{\"x", a + b, "\xef\xbb\xbf" + a, "<x/>", string(zipped(a + "\n" + b)), "\x1f\x8b\bA000000c8A10", a + "\n{\"resourceType\":\"x\n" + b,
		`{"resourceType":"` + strings.Repeat("_", 310) + `","id":"y"}`, `[{"id":"y","pad":"` + strings.Repeat("_", 310) + `","resourceType":"z"},` + a + "]"} {
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
			if body[0] != '{' || !zip && !bytes.Contains(in, []byte(body)) {
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
	names := map[string]string{}
	for _, line := range everyRecord(f) {
		var v any
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			f.Fatal(err)
		}
		addNames(names, v)
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
		if json.Valid(body) && !folds(body, names) {
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

// folds says whether a body has member names that encoding/json takes for others, in another case, or the same name
// twice in one object (it then fills the second into the first).
func folds(body []byte, names map[string]string) bool {
	d := json.NewDecoder(bytes.NewReader(body))
	type level struct {
		object, value bool // value: a member's value comes next
		seen          map[string]bool
	}
	var stack []level
	for {
		tok, err := d.Token()
		if err != nil {
			return false
		}
		if len(stack) > 0 {
			top := &stack[len(stack)-1]
			if name, ok := tok.(string); ok && top.object && !top.value {
				if exact, ok := names[folded(name)]; top.seen[name] || ok && exact != name {
					return true
				}
				top.seen[name], top.value = true, true
				continue
			}
			top.value = false
		}
		switch tok {
		case json.Delim('{'), json.Delim('['):
			stack = append(stack, level{object: tok == json.Delim('{'), seen: map[string]bool{}})
		case json.Delim('}'), json.Delim(']'):
			stack = stack[:len(stack)-1]
		}
	}
}

// folded is a name without its case.
func folded(s string) string { return strings.ToLower(strings.ToUpper(s)) }

// addNames notes the member names in a JSON tree, by their form without case.
func addNames(names map[string]string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for name, value := range v {
			names[folded(name)] = name
			addNames(names, value)
		}
	case []any:
		for _, value := range v {
			addNames(names, value)
		}
	}
}

// FuzzReference: no text crashes, and a canonical form stays itself.
func FuzzReference(f *testing.F) {
	for _, s := range []string{"Patient/1", "https://h/f/Patient/1/_history/2", "#x", "urn:uuid:1", "Patient?x=y", "//", "A/b/_history/", "A/\r/", "A/\u0085/"} {
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
		"=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123", "*+A123BJC5D6E71G+$$+52001510X3GB*", "+$A1234GU",
		"https://udi.example/01/00844588003288/10/7654321D?17=141120", "01 00844588003288 17 141120", "0100844588003288107654D2199", "=G12348965432194"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u := fhir.ParseUDI(s)
		for _, d := range []string{u.Expires, u.Manufactured} {
			if _, err := time.Parse("2006-01-02"[:max(min(len(d), 10), 7)], d); d != "" && err != nil {
				t.Errorf("%q gives the date %q", s, d)
			}
			if d != "" && len(d) != len("2006-01-02") && len(d) != len("2006-01") {
				t.Errorf("%q gives the date %q", s, d)
			}
		}
		if u.Issuer == "" && u.DI != "" {
			t.Errorf("%q gives a device identifier of nobody: %+v", s, u)
		}
	})
}
