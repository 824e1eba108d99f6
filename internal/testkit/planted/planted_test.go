// Package planted plants known faults in the decision engine, one at a time,
// and sees whether the tests find each of them.
package planted

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// fault is one mistake: a piece of a file and what stands there instead.
type fault struct{ file, right, wrong, why string }

func faults() []fault {
	return []fault{
		{"visits.go", "max(v.sure, list[i+1].opens.First-1)", "max(v.sure, list[i+1].opens.First)", "the late days run into the next window"},
		{"visits.go", "v.target, v.opens, v.closes = target, target.Plus(-before), target.Plus(after)", "v.target, v.opens, v.closes = target, target.Plus(1-before), target.Plus(after)", "windows open a day late"},
		{"visits.go", "v.target, v.opens, v.closes = target, target.Plus(-before), target.Plus(after)", "v.target, v.opens, v.closes = target, target.Plus(-before), target.Plus(after+1)", "windows close a day late"},
		{"visits.go", "target := c.from.Add(at)", "target := c.from.Add(day.Offset{Days: at.Months*30 + at.Days})", "months of thirty days"},
		{"visits.go", "sure := on.First > k.from.Last &&", "sure := on.Last > k.from.First &&", "a partial date that may be the day of the operation counts"},
		{"visits.go", "case on.Within(v.opens.Last, v.closes.First):", "case on.Meets(v.opens.Last, v.closes.First):", "a partial date that touches the window counts"},
		{"visits.go", "case v.trigger || !finite(v, c.class):", "case !finite(v, c.class):", "an added visit is missed when it closes"},
		{"match.go", "return a.onTime > b.onTime", "return a.onTime < b.onTime", "late imaging is preferred"},
		{"match.go", "if p := t.at(i, j); p >= late && (best < 0 || p == onTime && t.at(i, best) == late) {", "if p := t.at(i, j); p >= late {", "the last study is taken, not the first"},
		{"match.go", "!(v.baseline && !c.from.Exact())", "true", "a baseline visit without an index day is judged"},
		{"standing.go", "case e.over(v.closes.Last, today):", "case e.come(v.closes.Last, today):", "overdue on the last day of the window"},
		{"standing.go", "if m.end != nil && m.end.on <= v.closes.Last {", "if m.end != nil && m.end.on < v.closes.Last {", "a death on the closing day does not excuse"},
		{"standing.go", "return b.State == chart.BookingComing && b.Imaging && b.On > 0 && !e.come(b.On+1, today)", "return b.State == chart.BookingComing && b.Imaging && b.On > 0", "a booking that has passed still counts"},
		{"implants.go", "if op.On.Apart(last) > e.r.Settings.ClusterDays {", "if op.On.Apart(last) >= e.r.Settings.ClusterDays {", "the third day is another operation"},
		{"implants.go", "m.now().until = op.On\n", "", "the old clock runs on after a relining"},
		{"studies.go", "if s.ReportOnly && !e.r.Settings.AcceptReports {", "if false {", "a study on report only counts by itself"},
		{"studies.go", "case covers.Has(need) && !w.Acceptance:", "case covers&need != 0 && !w.Acceptance:", "part of the territory is enough"},
		{"studies.go", "s.refused, s.accepted = true, false", "s.accepted = false", "a refused study counts"},
		{"studies.go", "if s.reviewed == 0 || p.Issued.First > s.reviewed {", "if s.reviewed == 0 {", "an amended report is not read again"},
		{"ends.go", "case d.On.Known() && e.aliveAfter(", "case false && e.aliveAfter(", "signs of life after a death are passed over"},
		{"ends.go", "e.death.on, e.death.dateless = max(d.On.First, e.seen)", "e.death.on, e.death.dateless = d.On.First", "a partial death before the patient was last seen"},
		{"ladder.go", "&& len(channels) >= e.r.Settings.LostChannels", "", "one channel is enough to be lost"},
		{"ladder.go", "if !on.Known() || !e.reached(on.First) || on.First <= e.seen {", "if !on.Known() || !e.reached(on.First) {", "attempts before the last contact count"},
		{"ladder.go", "case lost && !l.held:\n\t\treturn RungPresumedLost", "case lost:\n\t\treturn RungPresumedLost", "a booking does not hold the rung"},
		{"conditions.go", "f.Tenths-b.Tenths >= c.Growth", "f.Tenths-b.Tenths > c.Growth", "growth of exactly the threshold is passed over"},
		{"conditions.go", "measure(b) == measure(f) && ", "", "diameters of different places are compared"},
		{"conditions.go", "(c.Below == 0 || f.Tenths < c.Below)", "(c.Below == 0 || f.Tenths <= c.Below)", "a length of exactly the upper limit counts"},
		{"conditions.go", "c.Sex != e.c.Sex && (e.c.Sex == \"female\" || e.c.Sex == \"male\")", "c.Sex != e.c.Sex", "a rule for women passes over a patient of unknown sex"},
		{"conditions.go", "return v == nil || !e.seenIn(f, v.got)", "return true || v == nil", "a leak on the first scan begins a series"},
		{"conditions.go", "if o == f || !e.sameScan(f, o) {", "if !e.sameScan(f, o) {", "a finding stands beside itself"},
		{"conditions.go", "return a.Study == b.Study || s != nil && s == e.seenOn(b)", "return a.On == b.On || s == nil && false", "two scans of one day are one"},
		{"added.go", "target := h.on.Add(day.Offset{Months: at})", "target := h.on.Add(day.Offset{Days: at * 30})", "a series counts months of thirty days"},
		{"added.go", "return h.on.First > b.last.First &&", "return h.on.First > b.hit.on.First &&", "a series begins again while it runs"},
		{"added.go", "(h.finding == nil || a.cameBack(b.hit, h))", "true", "a leak that stayed begins a series again"},
		{"added.go", "v.target.First <= last.First", "v.target.First <= last.First.Plus(30)", "a series takes the place of the visit after it"},
		{"added.go", "v.ladder && !v.rolling &&", "!v.rolling &&", "a series takes the place of the five-yearly scan"},
		{"questions.go", "if v.standing.owed() && v.lies(s.On) != possibly {", "if v.standing == Open && v.lies(s.On) != possibly {", "early imaging is not asked about"},
		{"work.go", "if e.reached(v.closes.Last.Plus(-e.r.Settings.AsapDays)) {", "if e.reached(v.closes.Last.Plus(1 - e.r.Settings.AsapDays)) {", "asap a day late"},
		{"scans.go", "return w.kinds&o.kinds != 0 && o.from <= w.by &&", "return o.from <= w.by &&", "one scan for visits that no one kind of imaging does"},
		{"scans.go", "if next := s.fewest(left); best == nil || len(next)+1 < len(best) {", "if next := s.fewest(left); best == nil {", "more scan days than are needed"},
		{"agreed.go", "half := (every.Months*30 + every.Days - 1) / 2", "half := (every.Months*30 + every.Days + 1) / 2", "windows of a changed interval overlap"},
	}
}

// Each planted fault makes the comparison with the second engine, or a
// property, fail.
func TestEveryPlantedFaultIsFound(t *testing.T) {
	if os.Getenv("PERENNIAL_PLANTED") == "" {
		t.Skip("set PERENNIAL_PLANTED=1 to plant faults: it builds the engine once for each")
	}
	n := 0
	for _, f := range faults() {
		n++
		t.Run(f.why, func(t *testing.T) {
			t.Parallel()
			plant(t, f)
		})
	}
	if n < 25 {
		t.Errorf("%d faults, want 25 or more", n)
	}
}

func plant(t *testing.T, f fault) {
	path, err := filepath.Abs(filepath.Join("../../surveil", f.file))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Count(string(text), f.right) != 1 {
		t.Fatalf("%s holds the piece %d times: bring the list up to date", f.file, strings.Count(string(text), f.right))
	}
	dir := t.TempDir()
	wrong := filepath.Join(dir, f.file)
	if err := os.WriteFile(wrong, []byte(strings.Replace(string(text), f.right, f.wrong, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	overlay, _ := json.Marshal(map[string]any{"Replace": map[string]string{path: wrong}})
	file := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(file, overlay, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := filepath.Join(dir, "surveil.test")
	if out, err := exec.Command("go", "test", "-vet=off", "-overlay", file, "-c", "-o", tests, "perennial/internal/surveil").CombinedOutput(); err != nil {
		t.Fatalf("the faulty engine is not built:\n%s", out)
	}
	for _, which := range []string{"TestAgrees", "Order|Reasons|Holds|Agrees"} { // the quickest first
		run := exec.Command(tests, "-test.short", "-test.failfast", "-test.run", which)
		run.Dir, run.Env = filepath.Dir(path), append(os.Environ(), "PERENNIAL_SEEDS=1000")
		out, err := run.CombinedOutput()
		switch {
		case err == nil:
			continue
		case !strings.Contains(string(out), "--- FAIL"):
			t.Fatalf("the faulty engine did not run:\n%s", out)
		}
		return
	}
	t.Errorf("no test found it")
}
