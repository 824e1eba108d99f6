package emit_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/chart"
	"perennial/internal/emit"
	"perennial/internal/fhir"
	"perennial/internal/kv"
)

// trailed is the line of an AuditEvent.
type trailed struct {
	ID, Action, Outcome, Recorded string
	Agent                         []struct {
		Who       fhir.Reference
		Requestor bool
	}
	Entity []struct{ What fhir.Reference }
}

// trail is a clinic with a trail into a folder.
type trail struct {
	*rig
	emit.Trail
	dir string
}

func newTrail(t *testing.T) *trail {
	t.Helper()
	s := server(t)
	r := newRig(t, s.Base)
	dir := t.TempDir()
	return &trail{r, emit.Trail{DB: r.db, Site: site, Files: fhirrecord.NewFiles(dir, site, fhirrecord.Options{})}, dir}
}

// write writes what is new and gives all that is there, and the text.
func (x *trail) write() (list []trailed, text string) {
	x.t.Helper()
	if err := x.Write(x.t.Context()); err != nil {
		x.t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(x.dir, "*"))
	if err != nil {
		x.t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, f := range files {
		body, err := os.ReadFile(f)
		if err != nil {
			x.t.Fatal(err)
		}
		text += string(body)
		for line := range bytes.Lines(body) {
			var e trailed
			if err := json.Unmarshal(line, &e); err != nil {
				x.t.Fatal(err)
			}
			if problems := fhir.Lint(bytes.TrimSpace(line)); len(problems) > 0 || seen[e.ID] || !strings.HasSuffix(f, "auditevent-"+e.Recorded[:10]+".ndjson") {
				x.t.Errorf("%s: %v %s", f, problems, line)
			}
			seen[e.ID] = true
			list = append(list, e)
		}
	}
	return list, text
}

func (x *trail) rule(patient, who string) chart.Ruling {
	x.t.Helper()
	r, err := x.Rule(x.t.Context(), chart.Ruling{Patient: patient, Kind: chart.RuleAttempt, Channel: "phone", Outcome: "no-answer", Who: who, Why: "rang Testa Quay-" + patient})
	if err != nil {
		x.t.Fatal(err)
	}
	return r
}

// What was decided about whom, taken back and sent is told once, from when it is turned on, and without any name of a
// patient or word of the decision.
func TestTrail(t *testing.T) {
	t.Parallel()
	x := newTrail(t)
	x.give(patient("p1"), evar("e1", "p1", "2026-05-20"), patient("p2"), evar("e2", "p2", "2026-05-21"))
	x.rule("p1", "T. Before")
	if list, _ := x.write(); len(list) != 0 {
		t.Fatalf("what was before is told: %+v", list)
	}
	first := x.rule("p1", "T. Quill")
	if _, err := x.TakeBack(t.Context(), first.ID, "N. Bollard", "wrong patient"); err != nil {
		t.Fatal(err)
	}
	two := []chart.Ruling{{Patient: "p1", Kind: chart.RuleAttempt, Channel: "letter", Outcome: "returned-mail", Who: "T. Quill", Why: "came back"},
		{Patient: "p2", Kind: chart.RuleAttempt, Channel: "phone", Outcome: "reached", Who: "T. Quill", Why: "rang"}}
	if _, err := x.RuleAll(t.Context(), two); err != nil {
		t.Fatal(err)
	}
	sent, why := x.drain()
	if sent == 0 || why != "" {
		t.Fatal(sent, why)
	}
	list, text := x.write()
	if len(list) != 4+sent {
		t.Fatalf("%d events, want 4 of decisions and %d of Tasks: %s", len(list), sent, text)
	}
	if strings.Contains(text, "Quay-") || strings.Contains(text, "rang") || strings.Contains(text, "wrong patient") || strings.Contains(text, "1948") {
		t.Errorf("a name or a word of a decision is told: %s", text)
	}
	for i, want := range []struct{ who, action, patient string }{{"T. Quill", "C", "Patient/p1"}, {"N. Bollard", "U", "Patient/p1"}, {"T. Quill", "C", "Patient/p1"}, {"T. Quill", "C", "Patient/p2"}} {
		e := list[i]
		if e.Agent[0].Who.Display != want.who || !e.Agent[0].Requestor || e.Action != want.action || e.Entity[0].What.Reference != want.patient || e.Outcome != "0" {
			t.Errorf("event %d: %+v, want %+v", i, e, want)
		}
	}
	for _, e := range list[4:] {
		if e.Action != "C" || e.Entity[1].What.Type != "Task" || e.Entity[1].What.Identifier.System != fhir.TokenSystem(site) || !strings.HasPrefix(e.Entity[0].What.Reference, "Patient/p") {
			t.Errorf("of a Task: %+v", e)
		}
	}
	if again, _ := x.write(); len(again) != len(list) {
		t.Errorf("%d events after nothing happened, %d before", len(again), len(list))
	}
	x.clock = x.clock.AddDate(0, 0, 1)
	x.rule("p2", "T. Quill")
	if files, _ := filepath.Glob(filepath.Join(x.dir, "*")); len(files) != 1 {
		t.Errorf("%d files", len(files))
	}
	if next, _ := x.write(); len(next) != len(list)+1 {
		t.Errorf("%d events, want one more than %d", len(next), len(list))
	}
}

// A program that dies after a file was written and before that is noted writes the same once more, and nothing twice.
func TestTrailKilled(t *testing.T) {
	t.Parallel()
	x := newTrail(t)
	x.give(patient("p1"), evar("e1", "p1", "2026-05-20"))
	x.write()
	var before []byte
	key := kv.Key("emitted", "trail")
	if err := x.db.View(t.Context(), func(r kv.Reader) (err error) { before, err = r.Get(key); return err }); err != nil || before == nil {
		t.Fatal(before, err)
	}
	x.rule("p1", "T. Quill")
	x.rule("p1", "T. Quill")
	list, _ := x.write()
	if err := x.db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put(key, before) }); err != nil {
		t.Fatal(err)
	}
	x.rule("p1", "T. Quill")
	if again, _ := x.write(); len(list) != 2 || len(again) != 3 {
		t.Errorf("%d events, then %d", len(list), len(again))
	}
	x.sound()
}
