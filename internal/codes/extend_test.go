package codes_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/fault"
)

// cta is a row that is entered in these tests.
func cta() codes.Row {
	return codes.Row{On: "imaging", System: "urn:quay:ris", Code: "CTA7", Means: "CTA 'abdomen' # 1", Set: []codes.Setting{{Key: "kind", Values: []string{"ct-angiogram"}}, {Key: "covers", Values: []string{"abdomen", "pelvis"}}}}
}

const ctaText = "- {system: 'urn:quay:ris', code: 'CTA7', on: imaging, kind: ct-angiogram, covers: [abdomen, pelvis], means: 'CTA ''abdomen'' # 1'}"

// The row comes last in the list; all else stays, letter by letter.
func TestExtend(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, before, after string }{
		{"nothing", "", "codes:\n  ROW\n"},
		{"a remark", "# ours\n", "# ours\ncodes:\n  ROW\n"},
		{"no list", "about: ours\n", "about: ours\ncodes:\n  ROW\n"},
		{"a list", "codes:\n  - {code: A1, kind: mr}\n", "codes:\n  - {code: A1, kind: mr}\n  ROW\n"},
		{"no line end", "codes:\n- {code: A1, kind: mr}", "codes:\n- {code: A1, kind: mr}\nROW\n"},
		{"rows of several lines", "codes:\n  # first\n  - code: A1 # mine\n    kind: mr\n    means: >\n      long\n\n      text\n  # inside\n\n# of the patterns\npatterns:\n  - {match: quay, on: imaging, kind: mr}\n",
			"codes:\n  # first\n  - code: A1 # mine\n    kind: mr\n    means: >\n      long\n\n      text\n  # inside\n  ROW\n\n# of the patterns\npatterns:\n  - {match: quay, on: imaging, kind: mr}\n"},
		{"other line ends", "# ours\r\ncodes:\r\n  - {code: A1, kind: mr}\r\nabout: x\r\n", "# ours\r\ncodes:\r\n  - {code: A1, kind: mr}\r\n  ROW\r\nabout: x\r\n"},
		{"last key", "about: x\ncodes:\n    - {code: A1, kind: mr}\n\n# the end\n", "about: x\ncodes:\n    - {code: A1, kind: mr}\n    ROW\n\n# the end\n"},
		{"the same row", "codes:\n  - {system: 'urn:quay:ris', code: CTA7, kind: ct-angiogram, covers: [pelvis, abdomen], means: x}\n", ""},
	} {
		got, line, err := codes.Extend(config.Files, codes.Document{Name: "ours.yaml", Data: []byte(c.before)}, cta())
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		want := strings.ReplaceAll(c.after, "ROW", ctaText)
		if c.after == "" {
			want = c.before
		}
		if string(got.Data) != want {
			t.Errorf("%s: got\n%s\nwant\n%s", c.name, got.Data, want)
		}
		if lines := strings.Split(want, "\n"); c.after != "" && !strings.Contains(lines[line-1], ctaText) || c.after == "" && line != 0 {
			t.Errorf("%s: line %d", c.name, line)
		}
		book, problems := codes.Load(config.Files, got)
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		if i, _, ok := book.Imaging([]codes.Coding{{System: "urn:quay:ris", Code: "CTA7"}}, ""); !ok || i.Kind != codes.CTAngiogram {
			t.Errorf("%s: the code is not known", c.name)
		}
	}
}

// What the code book refuses is refused, with the place, and nothing is changed.
func TestExtendRefuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, before string
		change       func(*codes.Row)
		says         string
	}{
		{"unknown word", "", func(r *codes.Row) { r.Set[0].Values = []string{"ct-angio"} }, `ours.yaml:2:63: codes[0].kind: unknown word "ct-angio"`},
		{"unknown key", "", func(r *codes.Row) { r.Set[0].Key = "class" }, "unknown key"},
		{"key twice", "", func(r *codes.Row) { r.Set[1].Key = "kind" }, "twice"},
		{"another meaning", "codes:\n  - {system: 'urn:quay:ris', code: CTA7, kind: mr}\n", func(*codes.Row) {}, "the code CTA7 has another meaning at ours.yaml:2:"},
		{"no code of the system", "", func(r *codes.Row) { r.System, r.Code = "http://loinc.org", "36141-9" }, "check digit"},
		{"a near system", "", func(r *codes.Row) { r.System = "loin" }, `did you mean "loinc"`},
		{"a broken map", "codes:\n  - {code: A1}\n", func(*codes.Row) {}, "ours.yaml:2:6"},
		{"in brackets", "codes: [{code: A1, kind: mr}]\n", func(*codes.Row) {}, "ours.yaml:1: the list of codes stands in brackets"},
		{"in brackets, on lines", "codes: [\n  {code: A1, kind: mr}\n]\n", func(*codes.Row) {}, "brackets"},
		{"after the end", "codes:\n  - {code: A1, kind: mr}\n...\n", func(*codes.Row) {}, ""},
		{"no meaning", "", func(r *codes.Row) { r.Set = nil }, "kind is missing"},
	} {
		row := cta()
		c.change(&row)
		got, line, err := codes.Extend(config.Files, codes.Document{Name: "ours.yaml", Data: []byte(c.before)}, row)
		if fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "" || !strings.Contains(err.Error(), c.says) || string(got.Data) != c.before || line != 0 {
			t.Errorf("%s: %v (%s)", c.name, err, fault.HintOf(err))
		}
	}
}

// No row makes a document say anything but that row.
func FuzzExtend(f *testing.F) {
	f.Add("codes:\n  - {code: A1, kind: mr}\n", "urn:x", "C1", "ct-angiogram", "x")
	f.Add("", "'", "a: b}, {code: 'c'", "mr}\n- {", "\x85")
	f.Add("# x\npatterns: []\ncodes:\n", "", "#", "mr", "''")
	// A small book, so that many inputs are tried.
	small := fstest.MapFS{"codes/systems.yaml": {Data: []byte("about: one\nsystems:\n  loinc: {uri: http://loinc.org, form: loinc, licence: none}\n")}}
	f.Fuzz(func(t *testing.T, doc, system, code, kind, means string) {
		row := codes.Row{On: "imaging", System: system, Code: code, Means: means, Set: []codes.Setting{{Key: "kind", Values: []string{kind}}}}
		got, line, err := codes.Extend(small, codes.Document{Name: "ours.yaml", Data: []byte(doc)}, row)
		if err != nil || line == 0 {
			if string(got.Data) != doc {
				t.Error("it is changed all the same")
			}
			return
		}
		if book, problems := codes.Load(small, got); len(problems) > 0 {
			t.Errorf("%v in %q", problems, got.Data)
		} else if _, _, ok := book.Imaging([]codes.Coding{{System: system, Code: code}}, ""); !ok && code != "" && system == "" {
			t.Errorf("the code is not known: %q", got.Data)
		}
	})
}
