package emit_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/fhir"
	"perennial/internal/testkit/fakefhir"
)

// However a server misbehaves when it is written to, once it has recovered it holds what it would have held, and nothing
// twice. A statement that does not offer a type closes the way, and is told.
func TestWriteFaults(t *testing.T) {
	t.Parallel()
	for _, f := range fakefhir.WriteFaults() {
		if strings.HasPrefix(f.Name, "batch-") || f.Name == "update-gone" || f.Name == "says-no-batch" || f.Name == "says-no-task" || strings.HasSuffix(f.Name, "-400") || strings.HasSuffix(f.Name, "-422") {
			continue // of batches; a deletion, which stays; of Tasks; a final refusal: see TestRefused
		}
		t.Run(f.Name, func(t *testing.T) {
			t.Parallel()
			s := server(t)
			r := newRig(t, s.Base, everyType()...)
			r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
			s.Break(f.Name, 3)
			r.drain()
			r.give(cta("s1", "a", "2026-06-19"))
			r.drain()
			s.Heal()
			if err := r.Hurry(t.Context()); err != nil {
				t.Fatal(err)
			}
			r.start()
			for range 3 {
				r.clock = r.clock.Add(25 * time.Hour)
				r.drain()
			}
			live := map[string]int{}
			for _, typ := range everyType() {
				for _, one := range on(t, s, typ) {
					if one.Status != "entered-in-error" {
						live[typ+" "+one.Status]++
					}
				}
			}
			if live["CarePlan draft"] != 1 || live["ServiceRequest draft"] != 2 || live["ServiceRequest completed"] > 1 {
				t.Errorf("%v", live)
			}
			r.sound()
		})
	}
}

// A server that does not take a type of those turned on is told of, and Tasks go on.
func TestRefused(t *testing.T) {
	t.Parallel()
	s := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task", "CarePlan", "Patient"}})
	r := newRig(t, s.Base, "CarePlan", "Flag")
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	if _, why := r.drain(); !strings.Contains(why, "does not offer to create and update Flag") {
		t.Errorf("%q", why)
	}
	st, err := r.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if ways := st.ClosedWays(time.UTC); len(ways) != 1 || !strings.HasPrefix(ways[0].Text, "No resources beside Tasks (out.also) can be sent since") {
		t.Errorf("%+v", ways)
	}
	if len(on(t, s, "Task")) == 0 || len(on(t, s, "CarePlan")) != 0 {
		t.Error("Tasks are not sent, or a part of what is turned on is")
	}
}

// Nothing about a patient stands in receipts, errors, addresses or the names of files.
func TestNothingLeaks(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	r.give(patient("marker-77"), evar("pr1", "marker-77", "2026-05-20"))
	s.Break("update-500", 1)
	r.drain()
	s.Heal()
	r.give(cta("s1", "marker-77", "2026-06-19"))
	s.BreakAlways("update-400")
	r.drain()
	s.Heal()
	for _, asked := range s.Asked() {
		if strings.Contains(asked, "marker-77") {
			t.Error(asked)
		}
	}
	for _, it := range r.items("record") {
		if text := it.Key + it.Thread + it.About + it.Receipt + it.Error; strings.Contains(text, "marker-77") || strings.Contains(text, "QUAY") {
			t.Error(text)
		}
	}
}

// In files there is one for each patient and type, with a line for each resource as it is now; what ended stays there,
// closed, and when it was made stays. Every line passes the lint.
func TestFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r := newFilesRig(t, dir)
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"), patient("b"), evar("pr2", "b", "2020-05-20"))
	r.drain()
	first := read(t, dir)
	if first["CarePlan draft"] != 2 || first["ServiceRequest draft"] < 3 || first["Flag active"] != 1 || first["Provenance "] < 6 {
		t.Errorf("%v", first)
	}
	again := contents(t, dir)
	r.start()
	r.drain()
	if got := contents(t, dir); got != again {
		t.Error("files were written without a change")
	}
	r.clock = r.clock.AddDate(0, 0, 1)
	r.give(cta("s1", "a", "2026-06-19"), cta("s22", "b", "2026-06-20"))
	if _, err := r.Rule(t.Context(), chart.Ruling{Patient: "a", Kind: chart.RuleAttempt, Channel: "letter", Outcome: "returned-mail", Who: "T. Quill", Why: "as usual"}); err != nil {
		t.Fatal(err)
	}
	r.drain()
	then := read(t, dir)
	if then["ServiceRequest completed"] != 2 || then["Flag inactive"] != 1 || then["Communication not-done"] != 1 || then["CarePlan draft"] != 2 {
		t.Errorf("%v", then)
	}
	if !strings.Contains(contents(t, dir), `"created":"2026-06-30"`) {
		t.Error("when the plan was made was changed")
	}
	r.sound()
}

// contents are all files but those of Tasks, one after the other.
func contents(t *testing.T, dir string) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, name := range names {
		if strings.Contains(name, "task-") {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	return all.String()
}

// read counts the lines by type and status, and looks at each.
func read(t *testing.T, dir string) map[string]int {
	t.Helper()
	n := map[string]int{}
	for line := range strings.Lines(contents(t, dir)) {
		if problems := fhir.Lint([]byte(line)); len(problems) > 0 {
			t.Errorf("%q in %s", problems, line)
		}
		var r resource
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatal(err)
		}
		n[r.ResourceType+" "+r.Status]++
	}
	return n
}
