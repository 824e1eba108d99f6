package protocol_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"perennial/internal/chart"
	"perennial/internal/protocol"
)

const schemaFile = "../../docs/protocol.schema.json"

// schema is the schema for editors, with its document.
func schema(t *testing.T) (*jsonschema.Schema, map[string]any) {
	t.Helper()
	text, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("protocol.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("protocol.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s, doc.(map[string]any)
}

// valid asks the schema about a document as an editor does.
func valid(t *testing.T, s *jsonschema.Schema, doc []byte) error {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(doc, &v); err != nil {
		t.Fatal(err)
	}
	return s.Validate(asJSON(v))
}

// asJSON turns what YAML gives into what JSON gives.
func asJSON(v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, one := range v {
			out[k] = asJSON(one)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i := range v {
			out[i] = asJSON(v[i])
		}
		return out
	case uint64:
		return float64(v)
	case int64:
		return float64(v)
	}
	return v
}

// Every shipped protocol, the good ones of the tests and the manual's example
// pass the schema.
func TestSchemaTakesGoodProtocols(t *testing.T) {
	t.Parallel()
	s, _ := schema(t)
	files, err := filepath.Glob(shippedFolder + "/*.yaml")
	if err != nil || len(files) < 27 {
		t.Fatalf("%d protocols, %v", len(files), err)
	}
	for _, file := range append(files, folder+"good-small.yaml", folder+"good-strata.yaml", folder+"migration-10mm.yaml") {
		doc, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := valid(t, s, doc); err != nil {
			t.Errorf("%s: %v", filepath.Base(file), err)
		}
	}
	manual, err := os.ReadFile("../../docs/protocol-format.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(manual), "```yaml\n")
	example, rest, _ := strings.Cut(rest, "```\n")
	_, rest, _ = strings.Cut(rest, "```yaml\n")
	more, _, _ := strings.Cut(rest, "```\n")
	if err := valid(t, s, []byte(example+more)); err != nil {
		t.Errorf("the manual's example: %v", err)
	}
}

// Of the files with one mistake each the schema refuses these; the others need
// more than a look at one place, and only the program sees them.
func TestSchemaRefusesMistakes(t *testing.T) {
	t.Parallel()
	s, _ := schema(t)
	unseen := strings.Fields("acceptance below-at-least circle circle-of-two duplicate-step duration-zero first-scan gap gap-late-start gap-metric name-and-offset no-ladder out-of-order overlap overlap-repeat " +
		"pointless-set repeat-out-of-order series-long series-multiple series-overlap unknown-source until window-before-operation")
	files, err := filepath.Glob(folder + "bad-*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for _, file := range files {
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "bad-"), ".yaml")
		err := valid(t, s, read(t, filepath.Base(file)))
		if want := !slices.Contains(unseen, name); (err != nil) != want {
			t.Errorf("%s: refused %v, expected %v (%v)", name, err != nil, want, err)
		}
		if err != nil {
			refused++
		}
	}
	if refused < 20 {
		t.Errorf("only %d mistakes are refused", refused)
	}
}

// Of the changes of the small protocol's trigger the schema takes what the program
// takes, and refuses what it refuses but for these, which need sums or another place.
func TestSchemaReadsTriggersAsTheProgram(t *testing.T) {
	t.Parallel()
	s, _ := schema(t)
	unseen := []string{"on the first scan with growth beside it", "series that ends before it begins", "two visits that show one another's finding", "in place of the calendar, further apart than the gap"}
	doc := read(t, "good-small.yaml")
	for _, e := range triggerEdits() {
		err := valid(t, s, bytes.Replace(doc, []byte(e.from), []byte(e.to), 1))
		if want := e.want != "" && !slices.Contains(unseen, e.name); (err != nil) != want {
			t.Errorf("%s: refused %v, expected %v (%v)", e.name, err != nil, want, err)
		}
	}
}

// The words of the schema are those that the program knows.
func TestSchemaWords(t *testing.T) {
	t.Parallel()
	_, doc := schema(t)
	defs := doc["$defs"].(map[string]any)
	for name, want := range map[string][]string{"class": protocol.Classes(), "kind": chart.Kinds(), "territory": chart.Territories(), "evidence": protocol.EvidenceMarks(),
		"measure": known(t, "{growth: 5 mm, of: [xxxxxxxxx]}"), "finding": known(t, "{finding: xxxxxxxxx}")} {
		var got []string
		for _, word := range defs[name].(map[string]any)["enum"].([]any) {
			got = append(got, word.(string))
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-program +schema)\n%s", name, d)
		}
	}
}

// known are the words that the program names where the trigger of the small
// protocol has one that is like none.
func known(t *testing.T, when string) []string {
	t.Helper()
	_, problems := protocol.Parse("f.yaml", bytes.Replace(read(t, "good-small.yaml"), []byte("{finding: migration, at_least: 10 mm}"), []byte(when), 1))
	if len(problems) != 1 {
		t.Fatal(problems)
	}
	_, words, _ := strings.Cut(problems[0].Text, "; known: ")
	return strings.Split(words, ", ")
}
