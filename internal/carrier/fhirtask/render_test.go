package fhirtask_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/notice"
)

func TestRender(t *testing.T) {
	t.Parallel()
	for _, n := range every() {
		body, err := fhirtask.Render(site, n)
		if err != nil {
			t.Errorf("%s: %v", n.Key, err)
			continue
		}
		r, err := fhir.Decode(body)
		if err != nil {
			t.Fatal(err)
		}
		task := r.(*fhir.Task)
		want := map[string]string{"open": "requested", "completed": "completed", "cancelled": "cancelled"}[n.State]
		if n.Human {
			want = n.Status
		}
		if task.Status != want || task.Intent != "proposal" || task.For.IsZero() || task.StatusReason.IsZero() != (n.State == "open" || n.Human) {
			t.Errorf("%s", body)
		}
	}
}

func TestRenderInFull(t *testing.T) {
	t.Parallel()
	n := item()
	n.Text = "Chase overdue imaging. The window closed on 1 May 2026, 13 days ago; nothing that satisfies it is on record yet."
	n.About = "ImagingStudy/s1"
	body, err := fhirtask.Render(site, n)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`"for":{"reference":"Patient/p1","identifier":{"system":"urn:invented:mrn","value":"0001"}}`, `"focus":{"reference":"ImagingStudy/s1"}`, `"reasonReference":{"reference":"Procedure/x"}`,
		`"restriction":{"period":{"start":"2026-01-31","end":"2026-05-01"}}`, `"groupIdentifier":{"system":"urn:perennial:implant:site-1","value":"Procedure/x"}`,
		`"reasonCode":{"coding":[{"system":"urn:perennial:codes:reason","code":"open"}]}`, `closed on 1 May 2026; nothing`,
		`"code":{"coding":[{"system":"urn:perennial:codes:work","code":"arrange-imaging"}],"text":"Arrange imaging"}`, `"performerType":[{"text":"vascular surveillance nurse"}]`,
	} {
		if !strings.Contains(string(body), want) {
			t.Errorf("lacks %s\n%s", want, body)
		}
	}
}

func TestRenderRefuses(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*notice.Task){
		"no patient": func(n *notice.Task) { n.Patient, n.Identifiers = "", nil },
		"no times":   func(n *notice.Task) { n.Authored = "" },
		"urgency":    func(n *notice.Task) { n.Urgency = "soon" },
		"note":       func(n *notice.Task) { n.Notes = []notice.Note{{Text: "x", At: "today"}} },
	} {
		n := item()
		change(n)
		if _, err := fhirtask.Render(site, n); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What intake reads back: the key, and whether a person set the status.
func TestIntakeReadsItBack(t *testing.T) {
	t.Parallel()
	if fhir.WorkSystem != intake.WorkSystem || !strings.HasPrefix(fhir.CodesOfStatusReason, intake.OwnSystems) {
		t.Error("the systems of fhir and intake differ")
	}
	for _, n := range every() {
		body, err := fhirtask.Render(site, n)
		if err != nil {
			t.Fatal(err)
		}
		if n.Status == "entered-in-error" {
			continue // taken back as a whole
		}
		r, err := fhir.Decode(body)
		if err != nil {
			t.Fatal(err)
		}
		s, _, err := (&intake.Mapper{}).Map(r)
		if err != nil || s.WorkState == nil || s.WorkState.Key != n.Key {
			t.Fatalf("%v %+v", err, s)
		}
		ours := !n.Human || n.Status == "draft" || n.Status == "ready"
		if s.WorkState.Person == ours {
			t.Errorf("%s: person %v\n%s", n.Key, s.WorkState.Person, body)
		}
	}
}

// All Tasks pass the three validators of .ci/validate; broken ones do not. One of the broken ones passes all three,
// which is why Lint exists.
func TestValidators(t *testing.T) {
	t.Parallel()
	dir := npm(t)
	var good bytes.Buffer
	for _, n := range every() {
		body, err := fhirtask.Render(site, n)
		if err != nil {
			t.Fatal(err)
		}
		good.Write(append(body, '\n'))
	}
	if out, err := validate(t, dir, good.Bytes()); err != nil || !strings.Contains(out, fmt.Sprintf("%d resources, 0 errors", len(every()))) {
		t.Errorf("%v\n%s", err, out)
	}
	body, err := fhirtask.Render(site, item())
	if err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		old, new string
		caught   bool
	}{
		{`"status":"requested"`, `"status":"waiting"`, true},
		{`"status":"requested",`, ``, true},
		{`"lastModified":"2026-01-31T06:00:00Z"`, `"lastModified":"2026-01-30T06:00:00Z"`, true},
		{`"authoredOn":"2026-01-31T06:00:00Z"`, `"authoredOn":"31 January"`, true},
		{`"focus":`, `"fokus":`, true},
		{`"description":`, `"reasonCodes":[],"description":`, true},
		{`"focus":{"reference":"Procedure/x"}`, `"focus":{}`, false},
	}
	var all bytes.Buffer
	for _, c := range cases {
		broken := bytes.Replace(body, []byte(c.old), []byte(c.new), 1)
		if bytes.Equal(broken, body) {
			t.Errorf("%s is not in it", c.old)
		}
		if len(fhir.Lint(broken)) == 0 {
			t.Errorf("lint passed %s", c.new)
		}
		all.Write(append(broken, '\n'))
	}
	out, err := validate(t, dir, all.Bytes())
	if err == nil {
		t.Error("broken Tasks passed")
	}
	for i, c := range cases {
		if caught := strings.Contains("\n"+out, fmt.Sprintf("\n%d: ", i+1)); caught != c.caught {
			t.Errorf("%s: refused %v\n%s", c.new, caught, out)
		}
	}
}

func validate(t *testing.T, dir string, ndjson []byte) (string, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tasks.ndjson")
	if err := os.WriteFile(path, ndjson, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "validate.mjs", path)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}
