package emit_test

import (
	"bytes"
	"encoding/json"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/demo"
	"perennial/internal/emit"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/testkit/fhirpeer"
)

// Against a server that others wrote (express and @medplum/fhir-router): a plan arrives, follows the scan, leaves a
// person's order alone and stays deleted where a person deleted it; nothing is there twice after a restart.
func TestPeer(t *testing.T) {
	t.Parallel()
	base := fhirpeer.Start(t)
	c, err := fhirhttp.New(fhirhttp.Options{Base: base})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, base, everyType()...)
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	if _, why := r.drain(); why != "" {
		t.Fatal(why)
	}
	asked := at(t, c, "ServiceRequest")
	if len(asked) < 2 || len(at(t, c, "CarePlan")) != 1 || len(at(t, c, "Provenance")) < 1+len(asked) {
		t.Fatalf("%d requests, %d plans", len(asked), len(at(t, c, "CarePlan")))
	}
	last := asked[len(asked)-1]
	_, err = c.Merge(t.Context(), "ServiceRequest", last.ID, func(now []byte) ([]byte, error) {
		return bytes.Replace(bytes.Replace(now, []byte(`"intent":"proposal"`), []byte(`"intent":"order"`), 1), []byte(`"status":"draft"`), []byte(`"status":"active"`), 1), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	r.start()
	r.give(cta("s1", "a", "2026-06-19"))
	if _, err := r.Rule(t.Context(), chart.Ruling{Patient: "a", Kind: chart.RuleAttempt, Channel: "phone", Outcome: "no-answer", Who: "T. Quill", Why: "called"}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Rule(t.Context(), chart.Ruling{Patient: "a", Kind: chart.RuleStop, Who: "T. Quill", Why: "palliative care"}); err != nil {
		t.Fatal(err)
	}
	if _, why := r.drain(); why != "" {
		t.Fatal(why)
	}
	n := map[string]int{}
	for _, typ := range everyType() {
		for _, one := range at(t, c, typ) {
			n[typ+" "+one.Status]++
		}
	}
	if n["ServiceRequest active"] != 1 || n["ServiceRequest draft"] != 0 || n["CarePlan revoked"] != 1 || n["Communication not-done"] != 1 {
		t.Errorf("%v", n)
	}
	r.sound()
}

// at gives the resources of a type that a server has.
func at(t *testing.T, c *fhirhttp.Client, typ string) (list []resource) {
	t.Helper()
	for page, err := range c.Search(t.Context(), typ, url.Values{"_count": {"100"}}) {
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.Entries {
			var r resource
			if err := json.Unmarshal(e.Body, &r); err != nil {
				t.Fatal(err)
			}
			list = append(list, r)
		}
	}
	return list
}

// All that is written of the demonstration cohort passes our lint and the three validators of .ci/validate.
func TestValidators(t *testing.T) {
	t.Parallel()
	modules, dir := fhirpeer.Modules(t), t.TempDir()
	r := newFilesRig(t, dir)
	today := day.Of(2026, 6, 30)
	var text bytes.Buffer
	for _, line := range demo.Cohort(today) {
		text.Write(append([]byte(line), '\n'))
	}
	if _, err := r.Import(t.Context(), "demo", clinic.Batches("cohort.ndjson", &text)); err != nil {
		t.Fatal(err)
	}
	trail := emit.Trail{DB: r.db, Site: site, Files: fhirrecord.NewFiles(dir, site, fhirrecord.Options{})}
	if err := trail.Write(t.Context()); err != nil { // from here on it is told what happened
		t.Fatal(err)
	}
	var rulings []chart.Ruling
	for line := range strings.Lines(string(demo.Rulings(today))) {
		var one chart.Ruling
		if err := json.Unmarshal([]byte(line), &one); err != nil {
			t.Fatal(err)
		}
		if one.Kind != chart.RuleSnooze {
			rulings = append(rulings, one)
		}
	}
	for i, outcome := range chart.Outcomes() {
		rulings = append(rulings, chart.Ruling{ID: outcome, Patient: rulings[0].Patient, Kind: chart.RuleAttempt, Channel: chart.Channels()[i%5], Outcome: outcome, Who: "T. Quill", Why: "as usual"})
	}
	if _, err := r.RuleAll(t.Context(), rulings); err != nil {
		t.Fatal(err)
	}
	for more := true; more; {
		n, _ := r.drain()
		more = n > 0
	}
	if err := trail.Write(t.Context()); err != nil {
		t.Fatal(err)
	}
	n := read(t, dir)
	if n["CarePlan draft"] < 100 || n["ServiceRequest draft"] < 100 || n["Flag active"] < 3 || n["Communication not-done"] < 4 || n["Provenance "] < 300 || n["AuditEvent "] < 300 {
		t.Errorf("%v", n)
	}
	path := filepath.Join(t.TempDir(), "all.ndjson")
	if err := os.WriteFile(path, []byte(contents(t, dir)), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "validate.mjs", path)
	cmd.Dir = modules
	if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), " resources, 0 errors") {
		t.Errorf("%v\n%.4000s", err, out)
	}
}

// What the carrier makes of a resource on its way to a server, without an id, is as the lint wants it once it has one.
func TestSentPassesLint(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"), patient("b"), evar("pr2", "b", "2020-05-20"))
	r.drain()
	r.give(cta("s1", "a", "2026-06-19"))
	r.drain()
	n := 0
	for key, body := range s.Truth() {
		if typ, _, _ := strings.Cut(key, "/"); typ == "Task" || typ == "Patient" {
			continue
		}
		var all map[string]json.RawMessage
		if err := json.Unmarshal([]byte(body), &all); err != nil {
			t.Fatal(err)
		}
		delete(all, "meta")
		text, err := json.Marshal(all)
		if err != nil {
			t.Fatal(err)
		}
		if problems := fhir.Lint(text); len(problems) > 0 {
			t.Errorf("%s: %q", key, problems)
		}
		n++
	}
	if n < 8 {
		t.Errorf("only %d", n)
	}
}
