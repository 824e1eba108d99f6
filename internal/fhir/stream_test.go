package fhir_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// found is what a reading gave: "line Type/id [fullUrl]" for each resource and "line kind" for each issue, in order.
type found struct {
	got    []string
	bodies []string
	issues []fhir.Issue
}

// read reads an input into found.
func read(t testing.TB, r io.Reader, lim fhir.Limits) found {
	t.Helper()
	var f found
	err := fhir.Read("in", r, fhir.Handler{
		Each: func(raw fhir.Raw) error {
			typ, id := fhir.Peek(raw.Body)
			f.got = append(f.got, strings.TrimSpace(fmt.Sprintf("%d %s/%s %s", raw.Line, typ, id, raw.FullURL)))
			f.bodies = append(f.bodies, string(raw.Body))
			return nil
		},
		Issue: func(i fhir.Issue) {
			if i.File != "in" || i.Line < 1 || i.What == "" || i.Fix == "" {
				t.Errorf("an issue leaves something out: %+v", i)
			}
			f.got = append(f.got, strings.TrimSpace(fmt.Sprintf("%d %s %s", i.Line, kindName(i.Kind), i.Ref)))
			f.issues = append(f.issues, i)
		},
		Limits: lim,
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// kindName names a kind for the tables.
func kindName(k fhir.IssueKind) string {
	return [...]string{"unreadable", "oversize", "truncated", "not-fhir"}[k]
}

// res makes a small resource.
func res(typ, id string) string { return `{"resourceType":"` + typ + `","id":"` + id + `"}` }

func TestReadRecognisesByContent(t *testing.T) {
	t.Parallel()
	a, b, c := res("Patient", "a"), res("Procedure", "b"), res("Device", "c")
	late := `{"id":"z","text":{"div":"<div>\"}{ resourceType</div>"},"resourceType":"Patient"}`
	tests := []struct {
		name, in string
		want     []string
	}{
		{"one resource", a, []string{"1 Patient/a"}},
		{"one pretty resource", "{\n  \"resourceType\": \"Patient\",\n  \"id\": \"a\"\n}\n", []string{"1 Patient/a"}},
		{"type last", late, []string{"1 Patient/z"}},
		{"NDJSON, mixed, blank lines, CRLF", a + "\r\n\r\n" + b + "\r\n\n  " + c + "\r\n", []string{"1 Patient/a", "3 Procedure/b", "5 Device/c"}},
		{"NDJSON without last line end", a + "\n" + b, []string{"1 Patient/a", "2 Procedure/b"}},
		{"byte order mark", "\xef\xbb\xbf" + a + "\n" + b + "\n", []string{"1 Patient/a", "2 Procedure/b"}},
		{"array", "[" + a + ",\n" + b + " ]", []string{"1 Patient/a", "2 Procedure/b"}},
		{"pretty array", "[\n  " + a + ",\n  " + b + "\n]\n", []string{"2 Patient/a", "3 Procedure/b"}},
		{"one after the other on a line", a + b + " " + c + "\n" + a + b, []string{"1 Patient/a", "1 Procedure/b", "1 Device/c", "2 Patient/a", "2 Procedure/b"}},
		{"one after the other, pretty", "{\n\"resourceType\":\"Patient\",\"id\":\"a\"}\n{\n\"resourceType\":\"Device\",\n\"id\":\"c\"\n}", []string{"1 Patient/a", "3 Device/c"}},
		{"a pretty one that opens with a whole list element", "{\"name\":[{}\n,{}],\"resourceType\":\"Patient\",\"id\":\"a\"}\n" + b, []string{"1 Patient/a", "3 Procedure/b"}},
		{"Bundle", `{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"urn:uuid:1","resource":` + a + `},{"resource":` + b + `,"fullUrl":"x"}]}`,
			[]string{"1 Patient/a urn:uuid:1", "1 Procedure/b x"}},
		{"Bundle, entries first", `{"link":[{"url":"\\"}],"entry":[{"search":{"mode":"match"},"resource":` + a + `}],"type":"searchset","resourceType":"Bundle"}`, []string{"1 Patient/a"}},
		{"Bundle, pretty", "{\n\"resourceType\":\"Bundle\",\n\"entry\":[\n{\"resource\":" + a + "},\n{\"resource\":\n" + b + "}\n]\n}\n", []string{"4 Patient/a", "6 Procedure/b"}},
		{"Bundle in Bundle", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[{"resource":` + a + `}]}},{"resource":` + b + `}]}`,
			[]string{"1 Patient/a", "1 Procedure/b"}},
		{"Bundle in Bundle in Bundle", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[{"resource":` + a + `}]}}]}},{"resource":` + b + `}]}`,
			[]string{"1 unreadable", "1 Procedure/b"}},
		{"NDJSON of Bundles", `{"resourceType":"Bundle","entry":[{"resource":` + a + `}]}` + "\n" + `{"entry":[{"resource":` + b + `}],"resourceType":"Bundle"}` + "\n",
			[]string{"1 Patient/a", "2 Procedure/b"}},
		{"array of Bundles", `[{"resourceType":"Bundle","entry":[{"resource":` + a + `}]},` + b + `]`, []string{"1 Patient/a", "1 Procedure/b"}},
		{"one entry that is no list", `{"resourceType":"Bundle","entry":{"resource":` + a + `}}`, []string{"1 Patient/a"}},
		{"Bundle without entries", `{"resourceType":"Bundle","type":"searchset","total":0}`, nil},
		{"entries without resources", `{"resourceType":"Bundle","entry":[{"request":{"method":"DELETE"}},{"resource":null},{"resource":` + a + `}]}`, []string{"1 Patient/a"}},
		{"a List is no Bundle", `{"entry":[{"item":{"reference":"Patient/1"}}],"resourceType":"List","id":"l"}`, []string{"1 List/l"}},
		{"empty", "", nil},
		{"only blanks", " \n\r\n\t", nil},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			for _, form := range []string{"plain", "gzip", "byte by byte", "small buffer"} {
				if diff := cmp.Diff(tc.want, read(t, inForm(form, tc.in), limitsFor(form)).got); diff != "" {
					t.Errorf("%s (-want +got):\n%s", form, diff)
				}
			}
		})
	}
}

// limitsFor gives the limits of a form.
func limitsFor(form string) fhir.Limits {
	if form == "small buffer" {
		return fhir.Limits{Buffer: 16}
	}
	return fhir.Limits{}
}

// inForm gives an input in one of the forms in which it may come.
func inForm(form, in string) io.Reader {
	switch form {
	case "gzip":
		return bytes.NewReader(zipped(in))
	case "byte by byte":
		return iotest.OneByteReader(strings.NewReader(in))
	}
	return strings.NewReader(in)
}

// zipped compresses a text.
func zipped(in string) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = io.WriteString(z, in)
	_ = z.Close()
	return b.Bytes()
}

func TestReadGoesOnAfterTrouble(t *testing.T) {
	t.Parallel()
	a, b, c := res("Patient", "a"), res("Procedure", "b"), res("Device", "c")
	big := `{"resourceType":"ImagingStudy","id":"big","subject":{"reference":"Patient/a"},"description":"` + strings.Repeat("x", 3000) + `"}`
	deep := `{"resourceType":"Patient","id":"deep","x":` + strings.Repeat("[", 5000) + strings.Repeat("]", 5000) + `}`
	tests := []struct {
		name, in string
		want     []string
	}{
		{"a cut line", a + "\n" + `{"resourceType":"Procedure","id":"cut","code":{"text":"so` + "\n" + c + "\n", []string{"1 Patient/a", "2 unreadable Procedure/cut", "3 Device/c"}},
		{"a line cut in a list", a + "\n" + `{"resourceType":"Procedure","id":"cut","note":[` + "\n" + b + "\n" + c + "\n", []string{"1 Patient/a", "2 unreadable Procedure/cut", "3 Procedure/b", "4 Device/c"}},
		{"a line without its last bracket", a + "\n" + `{"resourceType":"Procedure","id":"cut"` + "\n" + c + "\n", []string{"1 Patient/a", "2 unreadable Procedure/cut", "3 Device/c"}},
		{"the first line cut", `{"resourceType":"Procedure","id":"cut","note":[{` + "\n" + b + "\n" + c + "\n", []string{"1 unreadable Procedure/cut", "2 Procedure/b", "3 Device/c"}},
		{"the last line cut", a + "\n" + `{"resourceType":"Procedure","id":"cut","no`, []string{"1 Patient/a", "2 truncated Procedure/cut"}},
		{"a line of text", a + "\nEND OF FILE\n" + c + "\n", []string{"1 Patient/a", "2 unreadable", "3 Device/c"}},
		{"text before", "exported today\nby nobody\n" + a + "\n", []string{"1 not-fhir", "3 Patient/a"}},
		{"array of nonsense", `[1,"two",null,[3],` + a + `,true]`, []string{"1 Patient/a", "1 unreadable"}},
		{"array that does not end", `[` + a + `,`, []string{"1 Patient/a", "1 truncated"}},
		{"array cut in a resource", `[` + a + `,{"resourceType":"Device","id":"c","x`, []string{"1 Patient/a", "1 truncated Device/c"}},
		{"pretty array cut in a resource", "[\n" + a + ",\n{\n\"resourceType\":\"Device\",\n\"id\":\"c\",\n\"x\":[\n{", []string{"2 Patient/a", "3 truncated Device/c"}},
		{"array broken in a resource, then more lines", "[" + a + `,{"resourceType":"Device","id":"c","x":"` + "\n" + b + "\n" + b, []string{"1 Patient/a", "1 unreadable Device/c", "1 truncated", "2 Procedure/b", "3 Procedure/b"}},
		{"Bundle cut in an entry", `{"resourceType":"Bundle","entry":[{"resource":` + a + `},{"resource":{"resourceType":"Device","id":"c","x":"`, []string{"1 Patient/a", "1 unreadable Device/c", "1 truncated"}},
		{"Bundle cut between entries", `{"resourceType":"Bundle","entry":[{"resource":` + a + `},`, []string{"1 Patient/a", "1 truncated"}},
		{"Bundle broken, then more lines", `{"resourceType":"Bundle","entry":[{"resource":` + a + "},}\n" + c + "\n" + b, []string{"1 Patient/a", "1 truncated", "2 Device/c", "3 Procedure/b"}},
		{"Bundle broken in an entry, then more lines", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Device","id":"c","x":"` + "\n" + b + "\n" + b, []string{"1 unreadable Device/c", "1 truncated", "2 Procedure/b", "3 Procedure/b"}},
		{"nonsense in a Bundle", `{"resourceType":"Bundle","entry":[7,{"resource":"x"},{"resource":` + a + `}]}`, []string{"1 unreadable", "1 Patient/a", "1 unreadable"}},
		{"a slip inside an entry stays there", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Device","id":"c","x":tru e}},{"resource":` + a + `}]}`, []string{"1 Device/c", "1 Patient/a"}},
		{"a large line", a + "\n" + big + "\n" + c + "\n", []string{"1 Patient/a", "2 oversize ImagingStudy/big", "3 Device/c"}},
		{"a large entry", `{"resourceType":"Bundle","entry":[{"resource":` + big + `},{"resource":` + a + `}]}`, []string{"1 oversize ImagingStudy/big", "1 Patient/a"}},
		{"a large array element", "[" + big + "," + a + "]", []string{"1 oversize ImagingStudy/big", "1 Patient/a"}},
		{"a large last one", a + "\n" + big, []string{"1 Patient/a", "2 oversize ImagingStudy/big"}},
		{"a large one says what it is too late", `{"pad":"` + strings.Repeat("x", 2000) + `","resourceType":"Patient","id":"late"}` + "\n" + a, []string{"1 oversize", "2 Patient/a"}},
		{"a large entry says what it is too late", `{"resourceType":"Bundle","entry":[{"resource":{"pad":"` + strings.Repeat("x", 80<<10) + `","resourceType":"Patient","id":"late"}},{"resource":` + a + `}]}`, []string{"1 oversize", "1 Patient/a"}},
		{"a deep entry", `{"resourceType":"Bundle","entry":[{"resource":` + deep + `},{"resource":` + a + `}]}`, []string{"1 unreadable Patient/deep", "1 Patient/a"}},
		{"XML", "<Patient xmlns=\"http://hl7.org/fhir\"/>", []string{"1 not-fhir"}},
		{"UTF-16", "\xff\xfe{\x00\"\x00", []string{"1 not-fhir"}},
		{"UTF-16 without a mark", "{\x00\"\x00r\x00", []string{"1 not-fhir"}},
		{"ZIP", "PK\x03\x04abc", []string{"1 not-fhir"}},
		{"CSV", "id,name\n1,x\n2,y\n", []string{"1 not-fhir"}},
		{"a bare word", "null", []string{"1 not-fhir"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			for _, form := range []string{"plain", "gzip", "byte by byte", "small buffer"} {
				lim := limitsFor(form)
				lim.MaxResource = 2000
				if diff := cmp.Diff(tc.want, read(t, inForm(form, tc.in), lim).got); diff != "" {
					t.Errorf("%s (-want +got):\n%s", form, diff)
				}
			}
		})
	}
}
