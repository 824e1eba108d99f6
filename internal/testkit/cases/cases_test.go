package cases_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/testkit/cases"
)

// write makes a case folder; a file with the text "-" is left out.
func write(t *testing.T, files map[string]string) string {
	t.Helper()
	all := map[string]string{"story.md": "Invented.\n", "bundle.json": `{"resourceType":"Bundle"}`, "options.json": `{"asOf":"2025-02-20"}`,
		"plan.json": `{"patient":"p1"}`}
	for name, text := range files {
		all[name] = text
	}
	dir := filepath.Join(t.TempDir(), "row00-invented")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, text := range all {
		if text == "-" {
			continue
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func load(t *testing.T, files map[string]string) *cases.Case {
	t.Helper()
	c, err := cases.Load(write(t, files))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestLoad(t *testing.T) {
	t.Parallel()
	c := load(t, map[string]string{"options.json": `{"asOf":"2025-02-20","protocol":["label-1-6-12"],"zone":"America/Chicago","theme":"windows"}`,
		"rulings.ndjson": `{"id":"r1"}`, "settings.yaml": "site: {}"})
	o := c.Options
	if c.Name != "row00-invented" || o.AsOf != "2025-02-20" || len(o.Protocol) != 1 || o.Zone != "America/Chicago" || o.Theme != "windows" ||
		string(o.Rulings) != `{"id":"r1"}` || string(o.Settings) != "site: {}" {
		t.Errorf("%+v", c)
	}
}

func TestLoadRefuses(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{"story.md": "-", "bundle.json": "-", "plan.json": "-", "options.json": "-"} {
		if _, err := cases.Load(write(t, map[string]string{name: text})); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	for _, options := range []string{`{"asof":"2025-02-20","protocols":["x"]}`, `{`, `{"asOf":"2025-02-20"}{}`} {
		if _, err := cases.Load(write(t, map[string]string{"options.json": options})); err == nil || !strings.Contains(err.Error(), "options.json") {
			t.Errorf("%s: %v", options, err)
		}
	}
}

func TestFoldersOfNothing(t *testing.T) {
	t.Parallel()
	if _, err := cases.Folders(t.TempDir()); err == nil {
		t.Error("an empty root passes")
	}
	if _, err := cases.Folders(filepath.Join(t.TempDir(), "none")); err == nil {
		t.Error("a root that is not there passes")
	}
}

func TestCheckHandsOverTheCase(t *testing.T) {
	t.Parallel()
	c := load(t, map[string]string{"plan.json": `{"patient":"p1"}`})
	diffs := c.Check(func(bundle []byte, o cases.Options) ([]byte, error) {
		if string(bundle) != `{"resourceType":"Bundle"}` || o.AsOf != "2025-02-20" {
			t.Errorf("got %s and %+v", bundle, o)
		}
		return []byte(`{"patient":"p1"}`), nil
	})
	if len(diffs) != 0 {
		t.Error(diffs)
	}
	diffs = c.Check(func([]byte, cases.Options) ([]byte, error) { return nil, errors.New("no such protocol") })
	if len(diffs) != 1 || !strings.Contains(diffs[0], "no such protocol") {
		t.Errorf("an error is no difference: %v", diffs)
	}
}

func TestUpdateRefusesWhatWasTyped(t *testing.T) {
	t.Parallel()
	for _, story := range []string{"The dates are typed from the table.\n", "The dates were worked out by hand.\n"} {
		dir := write(t, map[string]string{"story.md": story})
		c, err := cases.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Update([]byte(`{"patient":"other"}`)); !errors.Is(err, cases.ErrTyped) {
			t.Errorf("%s: %v", story, err)
		}
		if plan, _ := os.ReadFile(filepath.Join(dir, "plan.json")); string(plan) != `{"patient":"p1"}` {
			t.Errorf("the plan was written: %s", plan)
		}
	}
}

func TestUpdateWritesTheRest(t *testing.T) {
	t.Parallel()
	dir := write(t, nil)
	c, err := cases.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Update([]byte("{\"patient\":\"p2\"}\n")); err != nil {
		t.Fatal(err)
	}
	if plan, _ := os.ReadFile(filepath.Join(dir, "plan.json")); string(plan) != "{\n \"patient\": \"p2\"\n}\n" {
		t.Errorf("wrote %q", plan)
	}
	if err := c.Update([]byte("no JSON")); err == nil {
		t.Error("wrote what is no JSON")
	}
}
