package clinic_test

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/audit"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// The import is killed at random moments. What is told to the process before it
// dies is known, so each kill is counted under the phase in which it struck.
// After every kill the store is sound and nothing that was said to be kept is
// gone; at the end of every stage everything is as if nobody had been killed.
func TestKilled(t *testing.T) {
	t.Parallel()
	k := &killing{t: t, dice: rand.New(rand.NewPCG(20260630, 9)), each: 30, all: 200}
	if testing.Short() {
		k.each, k.all = 0, 12
	}
	calm := k.life("undisturbed", 0, nil)
	k.worth(calm)
	for n := 0; !k.enough(); n++ {
		if n == 100 {
			t.Fatalf("after %d stores not enough kills: %v", n, k.kills)
		}
		k.life(fmt.Sprintf("store %d", n), 5, calm)
	}
	k.table()
	if k.again == 0 {
		t.Error("nothing had to be tried again; the test shows nothing")
	}
}

// stages are the days on which something comes, and how far things are sent.
func stages() []job {
	on := func(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 6, 0, 0, 0, time.UTC) }
	return []job{{Start: on(2025, 3, 3)}, {Start: on(2025, 9, 15)}, {Start: on(2026, 1, 12), Send: true}, {Start: on(2026, 6, 30), Send: true}}
}

// targets are the phases in which enough kills are wanted.
func targets() []phase { return []phase{phaseDecode, phaseCommit, phaseSend, phaseGap} }

// killing is the whole test.
type killing struct {
	t         *testing.T
	dice      *rand.Rand
	each, all int                   // kills wanted
	kills     [phases]int           // so far, by the phase in which they struck
	spent     [phases]time.Duration // by processes that were observed
	entered   [phases]int
	lives     int // that were lived, every other one with batches
	again     int // items that had to be tried more than once
}

// enough says whether there were enough kills.
func (k *killing) enough() bool {
	sum := 0
	for _, n := range k.kills {
		sum += n
	}
	for _, p := range targets() {
		if k.kills[p] < k.each {
			return false
		}
	}
	return sum >= k.all
}

// table shows the kills by phase.
func (k *killing) table() {
	k.t.Helper()
	sum := 0
	for p := range phases {
		sum += k.kills[p]
		mean := k.spent[p] / time.Duration(max(1, k.entered[p]))
		k.t.Logf("%4d kills in %-22s (entered %d times, %v long)", k.kills[p], p, k.entered[p], mean.Round(time.Microsecond))
	}
	k.t.Logf("%4d kills in all; %d items were tried again after one", sum, k.again)
}

// worth fails where the undisturbed life is too poor to show anything: every
// term of the sums and every way out must be in it.
func (k *killing) worth(calm []state) {
	k.t.Helper()
	last := calm[len(calm)-1]
	r, p, w := last.sums.Resources, last.sums.Patients, last.sums.Work
	k.t.Logf("%+v", last.sums)
	k.t.Logf("%d Tasks in files, %d on the server", len(last.files), len(last.server))
	for _, n := range []int{r.Used, r.Superseded, r.NotRelevant, r.InError, r.Quarantined, p.Active, p.Paused, p.Ended, p.Unresolved, w.Open, w.Completed, w.Cancelled, len(last.files), len(last.server)} {
		if n == 0 {
			k.t.Fatal("a term is empty; the test shows too little")
		}
	}
}

// life is one store from its first day on.
type life struct {
	*killing
	dir    string
	peer   *crashPeer
	server string
	acked  uint64 // entry of the audit trail that was said to be kept
}

// life runs a store through all stages, with some kills in each, and compares
// each stage with the undisturbed life.
func (k *killing) life(name string, kills int, calm []state) []state {
	k.t.Helper()
	l := &life{killing: k, dir: k.t.TempDir(), peer: newCrashPeer()}
	s := httptest.NewServer(l.peer)
	defer s.Close()
	l.server = s.URL
	l.make()
	var list []state
	for n, j := range stages() {
		l.deliver(n)
		j.Server, j.Batch = l.server, k.lives%2 == 1 // the undisturbed life sends one by one
		for range kills {
			if !l.run(j, l.aim()) {
				break // it came through
			}
			l.look(fmt.Sprintf("%s, stage %d", name, n))
			j.Start = j.Start.Add(2 * time.Hour)
		}
		l.run(j, nil)
		where := fmt.Sprintf("%s, stage %d, at its end", name, n)
		sums := l.look(where)
		if list = append(list, l.state(where, sums)); calm != nil {
			compare(k.t, where, list[n], calm[n])
		}
		if k.t.Failed() {
			k.t.FailNow()
		}
	}
	k.again += l.repeated()
	if k.lives++; k.lives%2 == 0 && l.peer.batches == 0 && calm != nil {
		k.t.Error("nothing was sent in a batch")
	}
	return list
}

// make makes the store.
func (l *life) make() {
	l.t.Helper()
	path := filepath.Join(l.dir, crashStore)
	must(l.t, boltkv.Create(path))
	db, err := boltkv.Open(path)
	must(l.t, err)
	must(l.t, clinic.Init(l.t.Context(), db, stages()[0].Start))
	c, err := crashClinic(db, job{Server: l.server}, nil, func() time.Time { return stages()[0].Start })
	must(l.t, err)
	_, err = c.RuleAll(l.t.Context(), crashRulings())
	must(l.t, err)
	must(l.t, db.Close())
	for _, name := range append(crashFolders(), "tmp") {
		must(l.t, os.Mkdir(filepath.Join(l.dir, name), 0o700))
	}
}

// crashRulings enter one patient by hand who is paused, and one of whom the date
// of the operation is not known.
func crashRulings() []chart.Ruling {
	const class = "evar"
	list := []chart.Ruling{
		{ID: "r1", Patient: "p900", Kind: chart.RuleImplant, Class: class, Value: "2024-05-06"},
		{ID: "r2", Patient: "p900", Kind: chart.RulePause, Until: day.Of(2027, 1, 31)},
		{ID: "r3", Patient: "p901", Kind: chart.RuleImplant, Class: class},
	}
	for i := range list {
		list[i].Who, list[i].When, list[i].Why = "N. Quay", "2025-03-03T06:00:00Z", "from the old list"
	}
	return list
}

// deliver puts the files of a stage into the folders. The operations of a case
// come first, its scans and reports over the stages.
func (l *life) deliver(stage int) {
	l.t.Helper()
	text := map[string]*strings.Builder{}
	for _, name := range crashFolders() {
		text[name] = &strings.Builder{}
	}
	count := map[string]int{}
	for _, raw := range crashCases(l.t) {
		kind, _ := fhir.Peek(raw.Body)
		name, at := "clinic", 0
		if !slices.Contains([]string{"Patient", "Procedure", "Device", "Encounter"}, kind) {
			name, at = "imaging", count[raw.File]%len(stages())
			count[raw.File]++
		}
		if at == stage {
			fmt.Fprintf(text[name], "%s\n", oneLine(l.t, raw.Body))
		}
	}
	fmt.Fprintf(text["imaging"], crashOdd, stage)
	if stage == len(stages())-1 {
		fmt.Fprintln(text["imaging"], crashRetracted)
	}
	for name, b := range text {
		path := filepath.Join(l.dir, name, fmt.Sprintf("%d.ndjson", stage))
		must(l.t, os.WriteFile(path, []byte(b.String()), 0o600))
		must(l.t, os.Chtimes(path, time.Time{}, stages()[stage].Start))
	}
}

// What comes in every stage and is no use, in part because it cannot be read; and
// what was an error.
const (
	crashOdd = `{"resourceType":"Observation","id":"w%[1]d","status":"final","code":{"text":"weight"},"subject":{"reference":"Patient/p82"}}
{"resourceType":"ImagingStudy","id":"q%[1]d","status":"seen","subject":{"reference":"Patient/p82"}}
{"broken": %[1]d
`
	crashRetracted = `{"resourceType":"ImagingStudy","id":"p82-ct1","meta":{"versionId":"9","lastUpdated":"2026-06-29T10:00:00Z"},"status":"entered-in-error","subject":{"reference":"Patient/p82"}}`
)

// crashCases are the resources of some worked cases, small and odd ones.
func crashCases(t *testing.T) []fhir.Raw {
	var list []fhir.Raw
	for _, raw := range allCases(t) {
		for _, row := range []string{"row14", "row29", "row31b", "row34", "row40", "row46", "row49", "row62", "row64", "row68", "row80", "row82", "row85", "row86"} {
			if strings.Contains(raw.File, "/"+row+"-") {
				list = append(list, raw)
			}
		}
	}
	return list
}

func oneLine(t *testing.T, body []byte) []byte {
	t.Helper()
	var any json.RawMessage = body
	text, err := json.Marshal(any)
	must(t, err)
	return text
}

// aim is where a process is to be killed.
type aim struct {
	in    phase
	nth   int           // how often it has gone into the phase
	after time.Duration // that
}

// aim chooses: mostly the phase with the fewest kills, any time within it and a
// little after.
func (k *killing) aim() *aim {
	list := targets()
	a := &aim{in: list[k.dice.IntN(len(list))]}
	if k.dice.IntN(3) > 0 {
		a.in = slices.MinFunc(list, func(x, y phase) int { return k.kills[x] - k.kills[y] })
	}
	a.nth = 1 + k.dice.IntN(4)
	mean := k.spent[a.in] / time.Duration(max(1, k.entered[a.in]))
	a.after = time.Duration(k.dice.Float64() * 1.2 * float64(mean))
	return a
}

// run lets a process work, and kills it where it is aimed at. It says false
// where the process came through.
func (l *life) run(j job, a *aim) (killed bool) {
	l.t.Helper()
	text, err := json.Marshal(j)
	must(l.t, err)
	in, out, err := os.Pipe()
	must(l.t, err)
	defer in.Close()
	self, err := os.Executable()
	must(l.t, err)
	cmd := exec.CommandContext(l.t.Context(), self, crashWord, string(text))
	var says strings.Builder
	cmd.Dir, cmd.Stderr, cmd.ExtraFiles = l.dir, &says, []*os.File{out}
	cmd.Env = append(os.Environ(), "TMPDIR="+filepath.Join(l.dir, "tmp"), "GORACE=atexit_sleep_ms=0")
	must(l.t, cmd.Start())
	out.Close()
	last := l.watch(in, a, func() { _ = cmd.Process.Kill() })
	err = cmd.Wait()
	switch {
	case err == nil:
		return false
	case a == nil || cmd.ProcessState.ExitCode() != -1: // -1: it was killed
		l.t.Fatalf("the process ended by itself: %v\n%s", err, says.String())
	}
	l.kills[last]++
	return true
}

// watch reads the notes of a process to their end, which is its death, and gives
// the phase that it was in.
func (l *life) watch(in io.Reader, a *aim, kill func()) (last phase) {
	seen := [phases]int{}
	since := time.Now()
	for {
		var b [noteSize]byte
		if _, err := io.ReadFull(in, b[:]); err != nil {
			return last
		}
		now := time.Now()
		l.spent[last] += now.Sub(since)
		last, since = phase(b[0]), now
		l.entered[last]++
		l.acked = max(l.acked, binary.BigEndian.Uint64(b[1:]))
		if seen[last]++; a != nil && last == a.in && seen[last] == a.nth {
			time.AfterFunc(a.after, kill)
		}
	}
}

// look looks whether the store is sound, whether all that was said to be kept is
// there, and whether all that is marked as sent arrived.
func (l *life) look(where string) store.Sums {
	l.t.Helper()
	path := filepath.Join(l.dir, crashStore)
	if err := boltkv.CheckFile(path); err != nil {
		l.t.Fatalf("%s: %v", where, err)
	}
	db, err := boltkv.Open(path)
	must(l.t, err)
	defer func() { must(l.t, db.Close()) }()
	if len(db.Notes()) > 0 {
		l.t.Errorf("%s: %q", where, db.Notes())
	}
	c, err := crashClinic(db, job{Server: l.server}, nil, time.Now)
	must(l.t, err)
	rep, err := c.Check(l.t.Context())
	must(l.t, err)
	if len(rep.Problems) > 0 || !rep.Sums.Hold() {
		l.t.Errorf("%s: the store is not sound: %s\n%+v", where, strings.Join(rep.Problems, "\n"), rep.Sums)
	}
	var head audit.Head
	must(l.t, db.View(l.t.Context(), func(r kv.Reader) (err error) {
		head, err = audit.ReadHead(r)
		return err
	}))
	if head.Seq < l.acked {
		l.t.Errorf("%s: entry %d of the audit trail was kept, it ends at %d", where, l.acked, head.Seq)
	}
	l.arrived(where, items(l.t, db, outbox.Sent))
	return rep.Sums
}

// arrived looks whether what is marked as sent is where it was sent, and nothing
// is there twice.
func (l *life) arrived(where string, sent []outbox.Item) {
	l.t.Helper()
	server, twice := l.peer.arrived()
	files, doubled, _ := filed(l.t, filepath.Join(l.dir, crashOut))
	if len(twice)+len(doubled) > 0 {
		l.t.Errorf("%s: there twice: %v on the server, %v in files", where, twice, doubled)
	}
	at := map[string]map[string]string{"files": files, "server": server}
	for _, it := range sent {
		if at[it.Carrier][fhir.Token(crashSite, it.Thread)] == "" && !strings.HasPrefix(it.Receipt, "nothing to send") {
			l.t.Errorf("%s: lost: an item is marked as sent by %s and is not there (%s)", where, it.Carrier, it.Receipt)
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
