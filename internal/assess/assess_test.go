package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fhir"
	"perennial/internal/testkit/cases"
)

// result is what a run gave.
type result struct {
	out, errs string
	code      int
}

// run assesses standard input, or the paths.
func run(t testing.TB, in []byte, o assess.Options) result {
	t.Helper()
	if o.Paths == nil {
		o.Paths = []string{"-"}
	}
	if o.Format == "" {
		o.Format = assess.FormatJSON
	}
	if o.AsOf == "" {
		o.AsOf = "2026-06-30"
	}
	o.Shipped = config.Files
	var out, errs bytes.Buffer
	code, err := assess.Run(context.Background(), o, assess.Streams{In: bytes.NewReader(in), Out: &out, Err: &errs})
	if err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	return result{out.String(), errs.String(), code}
}

// cohort is every worked case as lines, one resource each.
func cohort(t testing.TB) []string {
	t.Helper()
	dirs, err := cases.Folders("../../testdata/patients")
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, dir := range dirs {
		bundle, err := os.ReadFile(filepath.Join(dir, "bundle.json"))
		if err != nil {
			t.Fatal(err)
		}
		err = fhir.Read(dir, bytes.NewReader(bundle), fhir.Handler{Each: func(raw fhir.Raw) error {
			var one bytes.Buffer
			err := json.Compact(&one, raw.Body)
			lines = append(lines, one.String())
			return err
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	if len(lines) < 200 {
		t.Fatalf("only %d resources", len(lines))
	}
	return lines
}

// The order of the input does not matter, nor into how many files it is cut.
func TestOrderDoesNotMatter(t *testing.T) {
	t.Parallel()
	lines := cohort(t)
	want := run(t, []byte(strings.Join(lines, "\n")), assess.Options{})
	if n := strings.Count(want.out, "\n"); n < 40 {
		t.Fatalf("only %d patients", n)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	for range 4 {
		rng.Shuffle(len(lines), func(i, j int) { lines[i], lines[j] = lines[j], lines[i] })
		if got := run(t, []byte(strings.Join(lines, "\n")), assess.Options{}); got != want {
			t.Fatal("another order of the same resources gave another output")
		}
	}
	dir := t.TempDir()
	for i := range 3 {
		part := strings.Join(lines[i*len(lines)/3:(i+1)*len(lines)/3], "\n")
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("part%d.ndjson", i)), []byte(part), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got := run(t, nil, assess.Options{Paths: []string{dir}}); got.out != want.out {
		t.Error("three files in a folder gave another output than one")
	}
}

// plan is what of the json the tsv is compared with.
type plan struct {
	Patient      string
	Surveillance string
	Implants     []struct {
		Visits []struct{ Step, Target, Standing string }
		Next   *struct{ Target string }
	}
}

// The tsv says what the json says: ids, done, missed, and next.
func TestTSVAgreesWithJSON(t *testing.T) {
	t.Parallel()
	in := []byte(strings.Join(cohort(t), "\n"))
	rows := strings.Split(strings.TrimSuffix(run(t, in, assess.Options{Format: assess.FormatTSV}).out, "\n"), "\n")
	plans := strings.Split(strings.TrimSuffix(run(t, in, assess.Options{}).out, "\n"), "\n")
	if len(rows) != len(plans) {
		t.Fatalf("%d rows, %d plans", len(rows), len(plans))
	}
	compared := 0
	for i, line := range plans {
		var p plan
		if err := json.Unmarshal([]byte(line), &p); err != nil {
			t.Fatal(err)
		}
		row := strings.Split(rows[i], "\t")
		if len(row) != 5 || row[0] != p.Patient {
			t.Fatalf("row %q for patient %s", rows[i], p.Patient)
		}
		if p.Surveillance == "ended" {
			continue
		}
		compared++
		if got, want := strings.Join(row[1:4], " "), countPlan(p); got != want {
			t.Errorf("%s: tsv says %s, json %s", p.Patient, got, want)
		}
	}
	if compared < 30 {
		t.Errorf("only %d patients were compared", compared)
	}
}

func countPlan(p plan) string {
	done, missed, next := 0, 0, ""
	for _, m := range p.Implants {
		for _, v := range m.Visits {
			switch v.Standing {
			case "done":
				done++
			case "missed":
				missed++
			}
		}
		if m.Next != nil && (next == "" || m.Next.Target < next) {
			next = m.Next.Target
		}
	}
	return fmt.Sprint(done, " ", missed, " ", next)
}

// sums reads a summary.
func sums(t *testing.T, text string) (r assess.Sums, p assess.Counts) {
	t.Helper()
	var s struct {
		Resources assess.Sums
		Patients  assess.Counts
	}
	if err := json.Unmarshal([]byte(text), &s); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return s.Resources, s.Patients
}

// Both sums hold, on good input and on bad.
func TestSums(t *testing.T) {
	t.Parallel()
	lines := cohort(t)
	bad := []string{
		`{"resourceType":"ImagingStudy","id":"b1","subject":{"reference":"Patient/p01"}}`,
		`{"resourceType":"Procedure","id":"b2","status":"completed"}`,
		`{"resourceType":"Procedure","id":"p01-evar","status":7,"subject":{"reference":"Patient/p01"}}`,
		`this is no JSON`,
		`{"resourceType":"ImagingStudy","id":"b3","status":"available","subject":{"identifier":{"system":"urn:mrn","value":"nobody"}}}`,
		`{"resourceType":"Coverage","id":"c"}`,
		`{"resourceType":"DiagnosticReport","id":"none","status":"entered-in-error","code":{"text":"x"}}`,
		`{"resourceType":"Encounter","id":"e","status":"entered-in-error","subject":{"reference":"Patient/p01"}}`,
		`{"resourceType":"Encounter","id":"e","status":"finished","subject":{"reference":"Patient/p02"},"meta":{"versionId":"2"}}`,
		`{"resourceType":"Encounter","id":"e","status":"finished","subject":{"reference":"Patient/p01"},"meta":{"versionId":"3"}}`,
	}
	for _, known := range []string{"", "2024-12-31"} {
		o := assess.Options{Format: assess.FormatSummary, KnownAt: known}
		got := run(t, []byte(strings.Join(append(lines, bad...), "\n")), o)
		r, p := sums(t, got.out)
		if r.Received != r.Used+r.Superseded+r.NotRelevant+r.InError+r.Quarantined {
			t.Errorf("known at %q: resources do not add up: %+v", known, r)
		}
		if p.WithImplant != p.Active+p.Paused+p.Ended+p.Unresolved || p.WithImplant < 20 {
			t.Errorf("known at %q: patients do not add up: %+v", known, p)
		}
		if known != "" {
			continue
		}
		if r.Received != len(lines)+len(bad) {
			t.Errorf("%d received of %d", r.Received, len(lines)+len(bad))
		}
		if r.Quarantined != 5 || strings.Count(got.errs, "\n") != 5 || got.code != assess.ExitQuarantined {
			t.Errorf("%d quarantined, exit %d:\n%s", r.Quarantined, got.code, got.errs)
		}
	}
}

// A version that cannot be read leaves the older one in force, and is asked
// about.
func TestUnreadableVersionLeavesTheOlder(t *testing.T) {
	t.Parallel()
	in := `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/p"},"performedDateTime":"2024-01-31","meta":{"versionId":"1"}}
{"resourceType":"Procedure","id":"x","status":7,"subject":"Patient/p","meta":{"versionId":"2"}}`
	got := run(t, []byte(in), assess.Options{})
	if got.code != assess.ExitQuarantined || !strings.Contains(got.out, `"index":"2024-01-31"`) || !strings.Contains(got.out, `"kind":"unreadable","about":"Procedure/x"`) {
		t.Errorf("exit %d\n%s%s", got.code, got.out, got.errs)
	}
	if want := "standard input:2: Procedure/x: status is a number where text belongs\n"; got.errs != want {
		t.Errorf("stderr %q, want %q", got.errs, want)
	}
}

// A patient whom only a ruling mentions is there, in the order of ids; a ruling
// about a merged record is about the surviving one.
func TestRulings(t *testing.T) {
	t.Parallel()
	graft := `{"resourceType":"Procedure","id":"%s","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":"2024-01-31"}` + "\n"
	in := fmt.Sprintf(graft, "x", "a") + fmt.Sprintf(graft, "y", "c") + `{"resourceType":"Patient","id":"old","link":[{"type":"replaced-by","other":{"reference":"Patient/c"}}]}`
	file := filepath.Join(t.TempDir(), "rulings.ndjson")
	who := `"who":"Testa Nurse","when":"2024-02-01T09:00:00Z","why":"invented"}` + "\n"
	rulings := `{"id":"r1","patient":"b","kind":"implant","class":"tevar","value":"2024-01-15",` + who +
		`{"id":"r2","patient":"old","kind":"stop",` + who
	if err := os.WriteFile(file, []byte(rulings), 0o600); err != nil {
		t.Fatal(err)
	}
	got := run(t, []byte(in), assess.Options{Rulings: file, Format: assess.FormatTSV})
	var ids []string
	for row := range strings.Lines(got.out) {
		id, _, _ := strings.Cut(row, "\t")
		ids = append(ids, id)
	}
	if strings.Join(ids, " ") != "a b c" {
		t.Errorf("patients %v", ids)
	}
	if json := run(t, []byte(in), assess.Options{Rulings: file}).out; !strings.Contains(json, `"surveillance":"ended","ended":"stopped"`) {
		t.Errorf("the ruling about the merged record has no effect:\n%s", json)
	}
}

// Every output line is one JSON object whose keys stand in the order of the
// contract.
func TestKeyOrder(t *testing.T) {
	t.Parallel()
	orders := map[string]string{
		"":          "patient identifiers surveillance ended followUp imagingGap lastSeen wake implants work scans questions",
		"implants":  "id class index indexTo clock clockTo protocol devices visits next",
		"visits":    "step n target targetTo opens opensTo closes closesTo standing timing study studyDate studyDateTo result booking why",
		"why":       "rule text facts cite",
		"booking":   "appointment date inWindow",
		"devices":   "udiDi lot serial",
		"next":      "step target targetTo opens opensTo closes closesTo",
		"work":      "key kind urgency from by text why",
		"scans":     "from to serves",
		"questions": "key kind about text",
	}
	seen := map[string]bool{}
	for line := range strings.Lines(run(t, []byte(strings.Join(cohort(t), "\n")), assess.Options{AsOf: "2025-03-03"}).out) {
		checkKeys(t, json.NewDecoder(strings.NewReader(line)), "", orders, seen)
	}
	for name := range orders {
		if !seen[name] && name != "devices" {
			t.Errorf("no object %q was seen", name)
		}
	}
}

// checkKeys walks one JSON value and checks the order of the keys of each
// object under the given name.
func checkKeys(t *testing.T, d *json.Decoder, name string, orders map[string]string, seen map[string]bool) {
	t.Helper()
	tok, err := d.Token()
	if err != nil {
		t.Fatal(err)
	}
	switch tok {
	case json.Delim('['):
		for d.More() {
			checkKeys(t, d, name, orders, seen)
		}
		_, _ = d.Token()
	case json.Delim('{'):
		seen[name] = true
		at := -1
		keys := strings.Fields(orders[name])
		for d.More() {
			key, _ := d.Token()
			next := -1
			for i, k := range keys {
				if k == key {
					next = i
				}
			}
			if next <= at {
				t.Fatalf("key %v of %q is unknown or out of order", key, name)
			}
			at = next
			checkKeys(t, d, key.(string), orders, seen)
		}
		_, _ = d.Token()
	}
}

// A run that is cancelled ends and says so.
func TestCancelled(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	o := assess.Options{Paths: []string{"-"}, Format: assess.FormatJSON, AsOf: "2026-06-30", Shipped: config.Files}
	code, err := assess.Run(ctx, o, assess.Streams{In: strings.NewReader(strings.Join(cohort(t), "\n")), Out: io.Discard, Err: io.Discard})
	if code != assess.ExitUnread || err == nil {
		t.Errorf("exit %d, %v", code, err)
	}
}

// Output that cannot be written is an error, not silence.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	o := assess.Options{Paths: []string{"-"}, Format: assess.FormatJSON, AsOf: "2026-06-30", Shipped: config.Files}
	code, err := assess.Run(context.Background(), o, assess.Streams{In: strings.NewReader(strings.Join(cohort(t), "\n")), Out: full{}, Err: io.Discard})
	if code != assess.ExitUnread || err == nil {
		t.Errorf("exit %d, %v", code, err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// Today is the day in the site's zone, by the clock that was passed in.
func TestToday(t *testing.T) {
	t.Parallel()
	in := []byte(`{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/p"},"performedDateTime":"2024-01-31"}`)
	now := time.Date(2024, 1, 31, 3, 0, 0, 0, time.UTC) // still the 30th in Chicago
	for zone, want := range map[string]int{"UTC": 1, "America/Chicago": 0} {
		var out bytes.Buffer
		o := assess.Options{Paths: []string{"-"}, Format: assess.FormatTSV, Zone: zone, Now: now, Shipped: config.Files}
		if _, err := assess.Run(context.Background(), o, assess.Streams{In: bytes.NewReader(in), Out: &out, Err: io.Discard}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Count(out.String(), "\n"); got != want {
			t.Errorf("in %s %d patients have an implant, want %d", zone, got, want)
		}
	}
}

func BenchmarkAssess(b *testing.B) {
	lines := cohort(b)
	in := []byte(strings.Join(lines, "\n"))
	for _, format := range []assess.Format{assess.FormatJSON, assess.FormatTSV} {
		b.Run(string(format), func(b *testing.B) {
			b.SetBytes(int64(len(in)))
			for b.Loop() {
				run(b, in, assess.Options{Format: format})
			}
			b.ReportMetric(float64(len(lines)*b.N)/b.Elapsed().Seconds(), "resources/s")
		})
	}
}

// What real servers send and what is hostile: nothing is lost without a word,
// and the sums hold.
func TestQuirks(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/fhir/quirks/*.json")
	if err != nil {
		t.Fatal(err)
	}
	hostile, _ := filepath.Glob("../../testdata/hostile/*")
	if files = append(files, hostile...); len(files) < 30 {
		t.Fatalf("only %d files", len(files))
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			o := assess.Options{Paths: []string{file}, Format: assess.FormatSummary, AsOf: "2032-01-01"}
			got := run(t, nil, o)
			r, p := sums(t, got.out)
			if r.Received == 0 || r.Received != r.Used+r.Superseded+r.NotRelevant+r.InError+r.Quarantined {
				t.Errorf("resources do not add up: %+v", r)
			}
			if p.WithImplant != p.Active+p.Paused+p.Ended+p.Unresolved {
				t.Errorf("patients do not add up: %+v", p)
			}
			if n := strings.Count(got.errs, "\n"); n != r.Quarantined {
				t.Errorf("%d lines for %d quarantined:\n%s", n, r.Quarantined, got.errs)
			}
		})
	}
}

// Eight ways to name a patient: what cannot be followed is told, never dropped.
func TestReferencesToPatients(t *testing.T) {
	t.Parallel()
	got := run(t, nil, assess.Options{Paths: []string{"../../testdata/fhir/quirks/q20-references.json"}, Format: assess.FormatSummary, AsOf: "2032-01-01"})
	r, _ := sums(t, got.out)
	if r.Used != 3 || r.Quarantined != 5 {
		t.Errorf("%+v, want 3 used and 5 quarantined:\n%s", r, got.errs)
	}
	for _, id := range []string{"r3", "r4", "r5", "r6", "r7"} {
		if !strings.Contains(got.errs, "Procedure/"+id+": its patient is ") {
			t.Errorf("nothing is said of Procedure/%s:\n%s", id, got.errs)
		}
	}
}
