package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// typed is a command typed in some folder, with what is given to it, and how it
// went.
func (s *site) typed(dir, input string, args ...string) (stdout, stderr string, code int) {
	s.t.Helper()
	c := exec.CommandContext(s.t.Context(), "perennial", args...)
	c.Dir, c.Env, c.Stdin = dir, append(os.Environ(), s.more...), strings.NewReader(input)
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Run(); err != nil && c.ProcessState == nil {
		s.t.Fatal(err)
	}
	return out.String(), errs.String(), c.ProcessState.ExitCode()
}

// While the daemon runs every command that works on the store does so, from
// another folder too, prints the same, and ends with the same exit status as
// without a daemon. What needs the store alone is refused.
func TestCommandsBesideTheDaemon(t *testing.T) {
	t.Parallel()
	s := newSite(t, "")
	desk := t.TempDir()
	put := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(desk, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("a.ndjson", person("a")+"\n"+graft("ea", "a", "2026-03-10")+"\n")
	put("bad.ndjson", "{\n")
	put("old.csv", "patient,class,date,device\nc,evar,2020-01-02,Harbour graft lot Q-77\n")
	example, err := os.ReadFile("../../testdata/protocols/good-small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	put("own.yaml", string(example))
	settings := filepath.Join(s.dir, "site.yaml")
	lines := []struct {
		line, input, out, errs string
		code                   int
	}{
		{line: "import a.ndjson", out: "a.ndjson: 2 resources, 2 of them new"},
		{line: "import -", input: person("b") + "\n" + graft("eb", "b", "2026-05-20") + "\n", out: "2 resources, 2 of them new"},
		{line: "import bad.ndjson", out: "1 quarantined", errs: "bad.ndjson:1", code: 3},
		{line: "import nowhere.ndjson", errs: "nowhere.ndjson", code: 1},
		{line: "import --list old.csv --who Quill", out: "1 implants entered by hand", errs: "no source knows the patient c"},
		{line: "due --format csv", out: "m1"},
		{line: "patient a", out: "Testa Quay"},
		{line: "patient nobody", errs: "find the patient", code: 1},
		{line: "patient a b", errs: "one too many", code: 2},
		{line: "rule pause --patient a --until 2026-09-01 --who Quill --why travelling", out: "stored as"},
		{line: "report study", out: "STATE"},
		{line: "report study none-such", errs: "neither the settings nor any patient has the study none-such", code: 1},
		{line: "rule study --patient a --value ResearchStudy/harbour --who Quill --why signed", out: "stored as"},
		{line: "report study ResearchStudy/harbour --format csv", out: "no protocol is set for it"},
		{line: "send --gather tasks.ndjson", out: "Tasks in"},
		{line: "recall --lot q77 --tasks recall.ndjson", out: "entered by hand", errs: "1 Tasks written"},
		{line: "recall", errs: "nothing is asked for", code: 2},
		{line: "status --check", out: "patients with implant          3"},
		{line: "received", out: "bad.ndjson:1"},
		{line: "received used --format csv", out: "Procedure/ea"},
		{line: "received lost", errs: "lost", code: 2},
		{line: "go-live --who Quill --yes", out: "live"},
		{line: "backup copy.db", out: "was read back"},
		{line: "protocol compare svs-aaa-2018 own.yaml", out: "3 patients with an implant; the visits or the follow-up of 3 would change"},
		{line: "protocol compare svs-aaa-2018 nowhere.yaml", errs: "nowhere.yaml", code: 2},
		{line: "protocol adopt", out: "Nothing waits"},
		{line: "export fhir --dir plans", out: "plans: 3 CarePlans"},
		{line: "export fhir --patient a --out a.json", out: "a.json: 1 CarePlan"},
		{line: "export fhir --patient nobody --out a.json", errs: "find the patient", code: 1},
	}
	address, stop := s.serve()
	for _, l := range lines {
		out, errs, code := s.typed(desk, l.input, append(strings.Fields(l.line), "--settings", settings)...)
		if code != l.code || !strings.Contains(out, l.out) || !strings.Contains(errs, l.errs) || l.errs == "" && errs != "" {
			t.Errorf("%s: exit status %d\n%s%s", l.line, code, out, errs)
		}
	}
	if _, errs, code := s.typed(desk, "", "init", "--settings", settings); code != 1 {
		t.Errorf("init: %d %s", code, errs)
	}
	if page := get(t, address); !strings.Contains(page, "Quay") {
		t.Errorf("the pages do not show what the commands took in:\n%.2000s", page)
	}
	log := stop()
	if strings.Contains(log, "level=ERROR") || strings.Contains(log, "Testa") {
		t.Errorf("the log says:\n%s", log)
	}
	for _, name := range []string{"tasks.ndjson", "recall.ndjson", "copy.db", "plans/CarePlan.ndjson", "a.json"} {
		if info, err := os.Stat(filepath.Join(desk, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(s.dir, "*.door")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	before := s.do("status", "--check", "--format", "json")
	s.do("restore", filepath.Join(desk, "copy.db"))
	if after := s.do("status", "--check", "--format", "json"); sumsOf(after) != sumsOf(before) {
		t.Errorf("restored:\n%s\nbefore:\n%s", after, before)
	}
}

// sumsOf is the first part of a status.
func sumsOf(status string) string {
	sums, _, _ := strings.Cut(status, `"today"`)
	return sums
}

// What a killed daemon leaves behind hinders neither a command nor the next one.
func TestAfterAKilledDaemon(t *testing.T) {
	t.Parallel()
	s := newSite(t, "")
	c := exec.CommandContext(t.Context(), "perennial", "serve", "--settings", "site.yaml")
	c.Dir = s.dir
	out, err := c.StdoutPipe()
	if err != nil || c.Start() != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Fscanf(out, "pages: %s", new(string)); err != nil {
		t.Fatal(err)
	}
	if err := c.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = c.Wait()
	if left, _ := filepath.Glob(filepath.Join(s.dir, "*.door")); len(left) != 1 {
		t.Fatalf("left behind: %v", left)
	}
	s.do("status")
	_, stop := s.serve()
	s.do("status", "--check")
	stop()
}
