package yamldoc_test

import (
	"fmt"
	"strings"
	"testing"

	"perennial/internal/yamldoc"
)

// draw writes a tree on one line with the place of every value, so that a
// whole document is compared at once.
func draw(n *yamldoc.Node) string {
	at := fmt.Sprintf("@%d:%d", n.Line, n.Col)
	switch n.Kind {
	case yamldoc.Map:
		var parts []string
		for _, f := range n.Fields {
			parts = append(parts, fmt.Sprintf("%s@%d:%d=%s", f.Key, f.Line, f.Col, draw(f.Value)))
		}
		return "{" + strings.Join(parts, " ") + "}" + at
	case yamldoc.List:
		var parts []string
		for _, item := range n.Items {
			parts = append(parts, draw(item))
		}
		return "[" + strings.Join(parts, " ") + "]" + at
	case yamldoc.Scalar:
		if n.Quoted {
			return fmt.Sprintf("%q%s", n.Value, at)
		}
		return n.Value + at
	}
	return "null" + at
}

func TestParse(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, doc, want string }{
		{"empty", "", "null@1:1"},
		{"only a comment", "# nothing\n", "null@1:1"},
		{"map", "a: 1\nb: two\n", "{a@1:1=1@1:4 b@2:1=two@2:4}@1:1"},
		{"one key", "a: x", "{a@1:1=x@1:4}@1:1"},
		{"nested", "a:\n  b:\n    c: 3\n", "{a@1:1={b@2:3={c@3:5=3@3:8}@3:5}@2:3}@1:1"},
		{"list of maps", "l:\n  - a: 1\n    b: 2\n  - c: 3\n", "{l@1:1=[{a@2:5=1@2:8 b@3:5=2@3:8}@2:5 {c@4:5=3@4:8}@4:5]@2:3}@1:1"},
		{"flow", "l: [a, {b: 'x', c: \"y\"}]\n", "{l@1:1=[a@1:5 {b@1:9=\"x\"@1:12 c@1:17=\"y\"@1:20}@1:9]@1:4}@1:1"},
		{"null values", "a:\nb: ~\nc: null\n", "{a@1:1=null@1:3 b@2:1=null@2:4 c@3:1=null@3:4}@1:1"},
		{"numbers stay text", "a: 0254\nb: 1_000\nc: 0x1F\nd: 36141-0\ne: 1e3\nf: 3.10\n", "{a@1:1=0254@1:4 b@2:1=1_000@2:4 c@3:1=0x1F@3:4 d@4:1=36141-0@4:4 e@5:1=1e3@5:4 f@6:1=3.10@6:4}@1:1"},
		{"words stay text", "a: no\nb: true\nc: 'no'\n", "{a@1:1=no@1:4 b@2:1=true@2:4 c@3:1=\"no\"@3:4}@1:1"},
		{"number as key", "34701: x\n", "{34701@1:1=x@1:8}@1:1"},
		{"comments", "# head\na: 1 # tail\n# foot\n", "{a@2:1=1@2:4}@2:1"},
		{"byte order mark and carriage returns", "\xef\xbb\xbfa: 1\r\nb: 2\r\n", "{a@1:1=1@1:4 b@2:1=2@2:4}@1:1"},
		{"document mark", "---\na: 1\n", "{a@2:1=1@2:4}@2:1"},
		{"block of text", "a: |\n  one\n  two\n", "{a@1:1=\"one\\ntwo\\n\"@1:4}@1:1"},
		{"wide letters count once", "ä: {ö: 1}\n", "{ä@1:1={ö@1:5=1@1:8}@1:5}@1:1"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			n, err := yamldoc.Parse("f.yaml", []byte(tc.doc))
			if err != nil {
				t.Fatalf("refused: %v", err)
			}
			if got := draw(n); got != tc.want {
				t.Errorf("\n got %s\nwant %s", got, tc.want)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, doc, want string }{
		{"anchor and alias", "a: &x 1\nb: *x\n", "f.yaml:1:4: anchors"},
		{"alias", "a: &x 1\nb: *x\n", "f.yaml:2:4: aliases"},
		{"merge key", "<<: {a: 1}\n", "f.yaml:1:1: merge keys"},
		{"tag", "a: !x 1\n", "f.yaml:1:4: tags"},
		{"directive", "%YAML 1.2\n---\na: 1\n", "f.yaml:1:1: directives"},
		{"two documents", "a: 1\n---\nb: 2\n", "f.yaml:3:1: a second document starts here"},
		{"key twice", "a: 1\nb: 2\na: 3\n", `f.yaml:3:1: the key "a" stands twice in this map, first on line 1`},
		{"key twice in a flow map", "x: {a: 1, a: 2}\n", `f.yaml:1:11: the key "a" stands twice`},
		{"bad indentation", "a: 1\n   b: 2\n", "f.yaml:1:4: this is not readable"},
		{"open bracket", "a: [1, 2\n", "not readable as YAML"},
		{"tab", "a:\n\tb: 1\n", "f.yaml:"},
		{"not UTF-8", "a: 1\nb: \xff\n", "f.yaml:2:1: this line is not UTF-8"},
		{"control character", "a: \x00\n", "control character U+0000"},
		{"map as key", "{a: 1}: 2\n", "invalid key"},
		{"too deep", strings.Repeat("[", 100) + strings.Repeat("]", 100), "nested more than 64 deep"},
		{"too deep on one line", strings.Repeat("- ", 200) + "x", "nested more than 64 deep"},
		{"too deep by far", strings.Repeat("- ", 300000) + "x", "nested more than 64 deep"},
		{"too large", strings.Repeat("#", yamldoc.MaxBytes+1), "are not read"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := yamldoc.Parse("f.yaml", []byte(tc.doc))
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), tc.want) {
				t.Errorf("says %q, without %q", err, tc.want)
			}
		})
	}
}

func TestAllDuplicatesAtOnce(t *testing.T) {
	t.Parallel()
	_, err := yamldoc.Parse("f", []byte("a: 1\na: 2\nb: {c: 1, c: 2}\n"))
	ps, ok := err.(yamldoc.Problems)
	if !ok || len(ps) != 2 || ps[0].Line != 2 || ps[1].Line != 3 {
		t.Errorf("got %v", err)
	}
}

const sample = `
name: harbour
count: 12
on: yes
kind: tevra
kinds: [evar, tevr, filter]
wait: P30D
inner:
  x: 1
  colour: red
rows:
  - {code: A1}
  - plain
  - {cod: B2}
`

func TestReaderReportsEverythingAtOnce(t *testing.T) {
	t.Parallel()
	r, top := yamldoc.Open("s.yaml", []byte(sample))
	if got := top.NeedText("name"); got != "harbour" {
		t.Errorf("name %q", got)
	}
	if got := top.Int("count", 0, 1, 10); got != 0 {
		t.Errorf("count %d is out of range and must give the other value", got)
	}
	if !top.Bool("on", false) {
		t.Error("on: yes is not true")
	}
	top.NeedOneOf("kind", "evar", "tevar")
	if got := top.SomeOf("kinds", "evar", "tevar", "filter"); len(got) != 2 {
		t.Errorf("kinds %v", got)
	}
	if got := top.Period("wait"); got != "P30D" {
		t.Errorf("wait %q", got)
	}
	in := top.Map("inner")
	in.Text("x")
	in.Text("color")
	in.Done()
	for _, row := range top.Maps("rows") {
		row.NeedText("code")
		row.Done()
	}
	top.NeedText("zone")
	top.Done()
	want := []string{
		`s.yaml:2:1: zone: is missing; text is expected`,
		`s.yaml:3:8: count: 12 is out of range; from 1 to 10 is allowed`,
		`s.yaml:5:7: kind: unknown word "tevra" (did you mean "tevar"?)`,
		`s.yaml:6:8: kinds: unknown word "tevr" (did you mean "tevar"?)`,
		`s.yaml:10:3: inner: unknown key "colour" (did you mean "color"?)`,
		`s.yaml:13:5: rows[1]: a map (key: value) is expected here, not a single value`,
		`s.yaml:14:6: rows[2].code: is missing; text is expected`,
		`s.yaml:14:6: rows[2]: unknown key "cod" (did you mean "code"?)`,
	}
	got := yamldoc.Problems(r.Problems()).Error()
	if got != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

func TestReaderWrongShapes(t *testing.T) {
	t.Parallel()
	r, top := yamldoc.Open("s", []byte("a: [1]\nb: x\nc: maybe\nd: {x: 1}\ne: P1H\nf: 3.5\ng: [[1]]\nh: 1\n"))
	top.Text("a")
	top.Int("b", 0, 0, 9)
	top.Bool("c", false)
	top.Texts("d")
	top.Period("e")
	top.Int("f", 0, 0, 9)
	top.Texts("g")
	top.Map("h")
	top.Maps("h")
	top.Done()
	if n := len(r.Problems()); n != 9 {
		t.Errorf("%d problems, want 9:\n%v", n, yamldoc.Problems(r.Problems()))
	}
}

func TestReaderTopIsNoMap(t *testing.T) {
	t.Parallel()
	for _, doc := range []string{"- a\n", "text", "a: [", "a: &x 1"} {
		r, top := yamldoc.Open("s", []byte(doc))
		top.NeedText("name") // must not add "is missing" to a document that is wholly wrong
		if n := len(r.Problems()); n != 1 {
			t.Errorf("%q: %d problems, want 1: %v", doc, n, yamldoc.Problems(r.Problems()))
		}
	}
}

func TestPeriod(t *testing.T) {
	t.Parallel()
	for v, want := range map[string]bool{"P30D": true, "P12M": true, "P5Y": true, "P1Y6M": true, "P2W": true,
		"P": false, "30D": false, "PD": false, "P1D1M": false, "PT1H": false, "P1.5M": false, "P-1M": false, "P99999D": false, "p1d": false} {
		r, top := yamldoc.Open("s", []byte("p: "+v))
		if got := top.Period("p") == v; got != want || (len(r.Problems()) == 0) != want {
			t.Errorf("%s: accepted %v, want %v", v, got, want)
		}
	}
}

func TestNearest(t *testing.T) {
	t.Parallel()
	words := []string{"evar", "tevar", "filter", "arch-branch"}
	for in, want := range map[string]string{"evra": "evar", "Tevar": "tevar", "flter": "filter", "arch_branch": "arch-branch",
		"zzzz": "", "": "", "x": "", "archbranch": "arch-branch"} {
		if got := yamldoc.Nearest(in, words); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

// FuzzParse: whatever comes in, a tree whose places lie in the document comes
// out, or a Problems that names the file; never a panic.
func FuzzParse(f *testing.F) {
	for _, s := range []string{sample, "", "a: [", "? a\n: b", "a: |\n  x", "- - - x", "{a: {b: [c, ~]}}", "a: &x 1", "%YAML 1.2\n---\n", "'", "a:\n- b\n-", "!!map {}", "\"\\u00e4\": 1"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, doc []byte) {
		n, err := yamldoc.Parse("f", doc)
		if err != nil {
			if ps, ok := err.(yamldoc.Problems); !ok || len(ps) == 0 || ps[0].File != "f" {
				t.Fatalf("error %#v", err)
			}
			return
		}
		lines := strings.Count(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(doc)), "\n") + 1
		var walk func(n *yamldoc.Node, depth int)
		walk = func(n *yamldoc.Node, depth int) {
			if n.Line < 1 || n.Line > lines || n.Col < 1 || depth > yamldoc.MaxDepth+1 {
				t.Fatalf("place %d:%d of %d lines, depth %d in %q", n.Line, n.Col, lines, depth, doc)
			}
			for _, f := range n.Fields {
				walk(f.Value, depth+1)
			}
			for _, item := range n.Items {
				walk(item, depth+1)
			}
		}
		walk(n, 0)
	})
}

// Files whose lines end in CR LF have the same lines as others.
func TestLinesOfOtherSystems(t *testing.T) {
	t.Parallel()
	for _, doc := range []string{"# a remark\n\na: 1\nb:\n  - c: 2 # another\n", "# a remark\na: 1\nb:\n    d: [\n"} {
		n, plain := yamldoc.Parse("x", []byte(doc))
		m, other := yamldoc.Parse("x", []byte(strings.ReplaceAll(doc, "\n", "\r\n")))
		if fmt.Sprint(plain) != fmt.Sprint(other) || (n == nil) != (m == nil) || n != nil && draw(n) != draw(m) {
			t.Errorf("%v, not %v", other, plain)
		}
	}
}
