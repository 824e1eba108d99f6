package clinic_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

func contains(s, sub string) bool { return strings.Contains(s, sub) }

func ruling(patient, kind string) chart.Ruling {
	return chart.Ruling{Patient: patient, Kind: chart.RulingKind(kind), Who: "N. Nurse", Why: "a test"}
}

// The imaging that comes completes the work, with the study as evidence; when
// the study is taken back the same item is needed again.
func TestWorkIsCompletedAndNeededAgain(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	if got := r.work("a"); !slices.Equal(got, []string{"arrange-imaging m1", "check-kidney m1"}) {
		t.Fatalf("work %q", got)
	}
	r.give(cta("s1", "a", "2026-06-22"))
	it := r.item("a", surveil.WorkArrange)
	if it.State != store.WorkCompleted || it.Reason != notice.ReasonDone || !slices.Contains(it.Evidence, "ImagingStudy/s1") {
		t.Errorf("item %+v", it)
	}
	if it = r.item("a", surveil.WorkKidney); it.State != store.WorkCancelled {
		t.Errorf("item %+v", it)
	}
	r.give(ctaIn("s1", "a", "2026-06-22", "entered-in-error", "2"))
	it = r.item("a", surveil.WorkArrange)
	if it.State != store.WorkOpen || len(it.History) != 3 || it.History[2].What != "reopened" {
		t.Errorf("item %+v", it)
	}
	if n := r.sound().Sums.Work; n.Ever != 2 || n.Open != 2 {
		t.Errorf("work %+v", n)
	}
}

// item finds the only item of a kind that a patient ever had.
func (r *rig) item(patient, kind string) store.Item {
	r.t.Helper()
	var found []store.Item
	for _, it := range r.view(patient).Items {
		if it.Work.Kind == kind {
			found = append(found, it)
		}
	}
	if len(found) != 1 {
		r.t.Fatalf("%d items of kind %s", len(found), kind)
	}
	return found[0]
}

// A person's status on a Task wins: the item completes here, the Task keeps
// on-hold and gets a note.
func TestPersonWins(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	key := r.item("a", surveil.WorkArrange).Key
	r.give(task("t1", key, "a", "on-hold"))
	it := r.item("a", surveil.WorkArrange)
	if it.Human == nil || it.Human.Status != "on-hold" || it.State != store.WorkOpen {
		t.Fatalf("item %+v", it)
	}
	r.give(cta("s1", "a", "2026-06-22"))
	it = r.item("a", surveil.WorkArrange)
	if it.State != store.WorkCompleted || it.Human == nil || len(it.Notes) != 1 {
		t.Errorf("item %+v", it)
	}
	sent := r.lastTask(key)
	if sent.Status != "on-hold" || !sent.Human || sent.State != "completed" || len(sent.Notes) != 1 || !contains(sent.Notes[0].Text, "completed") {
		t.Errorf("Task %+v", sent)
	}
	r.sound()
}

// lastTask is the newest Task of an item in the outbox.
func (r *rig) lastTask(key string) notice.Task {
	r.t.Helper()
	var last notice.Task
	for _, it := range items(r.t, r.db, "") {
		var task notice.Task
		if err := json.Unmarshal(it.Body, &task); err != nil {
			r.t.Fatal(err)
		}
		if task.Key == key && task.Rev > last.Rev {
			last = task
		}
	}
	return last
}

// A person who closes a Task does not end the need; one who gives it back leaves
// it to us.
func TestPersonClosesAndGivesBack(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	key := r.item("a", surveil.WorkArrange).Key
	r.give(task("t1", key, "a", "cancelled"))
	rows, err := r.Worklist(t.Context(), clinic.Filter{})
	if err != nil || len(rows) != 2 || rows[0].Closed || !rows[1].Closed || rows[1].Item.State != store.WorkOpen {
		t.Fatalf("worklist %+v, %v", rows, err)
	}
	again := strings.Replace(task("t1", key, "a", "requested"), "2026-06-29T10:00:00Z", "2026-06-29T11:00:00Z", 2)
	r.give(again)
	if it := r.item("a", surveil.WorkArrange); it.Human != nil || len(it.History) != 3 {
		t.Errorf("item %+v", it)
	}
	r.sound()
}

// A merge of two records moves the work items with their identity, and undoing
// the merge moves them back.
func TestMergeMovesWork(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"), patient("b", ""))
	first := r.item("a", surveil.WorkArrange)
	r.give(patient("a", `,"meta":{"versionId":"2"},"link":[{"type":"replaced-by","other":{"reference":"Patient/b"}}]`))
	moved := r.item("b", surveil.WorkArrange)
	if moved.Key != first.Key || moved.State != store.WorkOpen || moved.Patient != "b" || !strings.HasPrefix(moved.Now, "b|") {
		t.Errorf("item %+v", moved)
	}
	if v := r.view("a"); v.Patient != "b" || len(v.Plan.Implants) != 1 {
		t.Errorf("view %+v", v)
	}
	r.sound()
	r.give(patient("a", `,"meta":{"versionId":"3"}`))
	back := r.item("a", surveil.WorkArrange)
	if back.Key != first.Key || back.State != store.WorkOpen || back.Now != first.Key {
		t.Errorf("item %+v", back)
	}
	if n := r.sound().Sums.Work; n.Ever != 2 || n.Open != 2 {
		t.Errorf("work %+v", n)
	}
}

// An earlier billing line of the same operation renames the implant; its work
// moves with it.
func TestEarlierLineMovesWork(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr2", "a", "2026-05-20"))
	first := r.item("a", surveil.WorkArrange)
	r.give(task("t1", first.Key, "a", "on-hold"))
	r.give(evar("pr1", "a", "2026-05-19"))
	moved := r.item("a", surveil.WorkArrange)
	if moved.Key != first.Key || moved.State != store.WorkOpen || moved.Work.Implant != "Procedure/pr1" || moved.Human == nil {
		t.Errorf("item %+v", moved)
	}
	if n := r.sound().Sums.Work; n.Ever != 2 || n.Cancelled != 0 {
		t.Errorf("work %+v", n)
	}
}

// A ruling survives new data, and taking it back gives the plan without it.
func TestRulingsSurviveAndAreTakenBack(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	before := r.view("a").Plan
	stop, err := r.Rule(t.Context(), ruling("a", "stop"))
	if err != nil || stop.ID == "" || stop.When == "" {
		t.Fatalf("ruling %+v, %v", stop, err)
	}
	if got := r.view("a").Plan.Surveillance; got != surveil.StateEnded {
		t.Fatalf("surveillance %s", got)
	}
	if got := r.work("a"); len(got) > 0 {
		t.Errorf("work %q", got)
	}
	r.give(cta("s1", "a", "2026-01-22"), patient("a", `,"meta":{"versionId":"2"},"gender":"male"`))
	if got := r.view("a").Plan.Surveillance; got != surveil.StateEnded {
		t.Errorf("after new data: surveillance %s", got)
	}
	if it := r.item("a", surveil.WorkArrange); it.State != store.WorkCancelled || it.Reason != "stopped" {
		t.Errorf("item %+v", it)
	}
	if _, err := r.TakeBack(t.Context(), stop.ID, "N. Nurse", "by mistake"); err != nil {
		t.Fatal(err)
	}
	after := r.view("a")
	if !after.Plan.Same(&before) {
		t.Error("the plan is not what it was")
	}
	if len(after.Rulings) != 1 || after.Rulings[0].TakenBack == nil {
		t.Errorf("rulings %+v", after.Rulings)
	}
	if _, err := r.TakeBack(t.Context(), stop.ID, "N. Nurse", "again"); fault.KindOf(err) != fault.Conflict {
		t.Errorf("taken back twice: %v", err)
	}
	r.sound()
}

// What is wrong with a ruling is said, and nothing is stored.
func TestRulingsAreChecked(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""))
	before := dump(t, r.db)
	for want, list := range map[fault.Kind][]chart.Ruling{
		fault.Invalid:  {{}, ruling("", "stop"), ruling("a", "rest"), {Patient: "a", Kind: "stop", Why: "x"}, {Patient: "a", Kind: "stop", Who: "x"}, ruling("a", "accept"), ruling("a", "implant")},
		fault.NotFound: {ruling("nobody", "stop")},
	} {
		for _, x := range list {
			if _, err := r.Rule(t.Context(), x); fault.KindOf(err) != want {
				t.Errorf("%+v: %v, want %s", x, err, want)
			}
		}
	}
	if len(dump(t, r.db)) != len(before) {
		t.Error("something was stored")
	}
	byHand := ruling("elsewhere", "implant")
	byHand.Class, byHand.Value = "evar", "2025-06-01"
	if _, err := r.Rule(t.Context(), byHand); err != nil {
		t.Fatal(err)
	}
	if p := r.view("elsewhere").Plan; len(p.Implants) != 1 {
		t.Errorf("plan %+v", p)
	}
	r.sound()
}

// On the wake day, and not before, the plan changes; a day that was left out is
// made up for.
func TestTick(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	wake := r.view("a").Plan.Wake
	for day := r.Today() + 1; day < wake; day++ {
		r.clock = r.clock.AddDate(0, 0, 1)
		if ch := r.tick(); ch.Patients != 0 {
			t.Fatalf("on %s, before %s: %+v", r.Today(), wake, ch)
		}
	}
	r.clock = r.clock.AddDate(0, 0, 1)
	if ch := r.tick(); ch.Patients != 1 || ch.Plans != 1 {
		t.Errorf("on the wake day: %+v", ch)
	}
	if ch := r.tick(); ch != (clinic.Changes{}) {
		t.Errorf("again on that day: %+v", ch)
	}
	r.clock = r.clock.AddDate(0, 6, 0)
	r.tick()
	if got := r.work("a"); !slices.Contains(got, "chase-overdue m1") {
		t.Errorf("work %q", got)
	}
	if it := r.item("a", surveil.WorkArrange); it.State != store.WorkCancelled && it.Work.Visit == "Procedure/pr1/m1" {
		t.Errorf("item %+v", it)
	}
	r.sound()
}

func (r *rig) tick() clinic.Changes {
	r.t.Helper()
	ch, err := r.Tick(r.t.Context())
	if err != nil {
		r.t.Fatal(err)
	}
	return ch
}

// Other rules: everybody is looked at again at the next tick.
func TestOtherRulesMakeNewPlans(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	other := *rules()
	other.Settings.LeadDays = 400
	r.o.Rules = &other
	r.start()
	if st, err := r.Status(t.Context()); err != nil || !st.Behind {
		t.Errorf("status %+v, %v", st, err)
	}
	if ch := r.tick(); ch.Patients != 1 || ch.Plans != 1 {
		t.Errorf("%+v", ch)
	}
	if got := r.work("a"); !slices.Contains(got, "arrange-imaging y1") {
		t.Errorf("work %q", got)
	}
	if st, err := r.Status(t.Context()); err != nil || st.Behind {
		t.Errorf("status %+v, %v", st, err)
	}
	r.sound()
}

// The digest's time: what changed since the last one, as it was then.
func TestSinceDigest(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	since := func() (list []store.Pair) {
		err := r.SinceDigest(t.Context(), func(p store.Pair, _ store.Line) error { list = append(list, p); return nil })
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	if got := since(); len(got) != 1 || got[0].Then != nil || got[0].Now == nil {
		t.Fatalf("%+v", got)
	}
	if err := r.Digested(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := since(); len(got) != 0 {
		t.Fatalf("%+v", got)
	}
	before := r.view("a").Plan
	r.give(cta("s1", "a", "2026-06-22"))
	r.give(cta("s2", "a", "2026-06-24"))
	got := since()
	if len(got) != 1 || !got[0].Then.Same(&before) {
		t.Fatalf("%+v", got)
	}
	if ch := notice.Diff(got[0].Then, got[0].Now); len(ch) == 0 {
		t.Error("nothing changed")
	}
}

// Nothing is sent before go-live but to files, and with the mode off nothing at
// all; when sending begins everything open is sent.
func TestNothingBeforeGoLive(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	files, server := &recorder{}, &recorder{}
	r.o.Routes = []outbox.Route{{Name: "files", Files: true, Carrier: files}, {Name: "server", Carrier: server}}
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	drain := func(mode outbox.Mode, wantFiles, wantServer int) {
		t.Helper()
		r.o.Mode = mode
		r.start()
		for range 2 { // nothing is sent a second time
			if _, err := r.Drain(t.Context(), 0); err != nil {
				t.Fatal(err)
			}
		}
		if len(files.got) != wantFiles || len(server.got) != wantServer {
			t.Fatalf("mode %s: %d to files, %d to the server; want %d and %d", mode, len(files.got), len(server.got), wantFiles, wantServer)
		}
	}
	drain(outbox.Off, 0, 0)
	drain(outbox.Send, 0, 0)
	drain(outbox.Files, 2, 0)
	p, err := r.Preview(t.Context())
	if err != nil || p.Open[surveil.WorkArrange] != 1 || p.Sums.Work.Open != 2 {
		t.Errorf("preview %+v, %v", p, err)
	}
	if err := r.GoLive(t.Context(), "N. Nurse"); err != nil {
		t.Fatal(err)
	}
	if err := r.GoLive(t.Context(), "N. Nurse"); fault.KindOf(err) != fault.Conflict {
		t.Errorf("twice: %v", err)
	}
	drain(outbox.Files, 2, 0)
	drain(outbox.Off, 2, 0)
	drain(outbox.Send, 2, 2)
	r.give(cta("s1", "a", "2026-06-22"))
	drain(outbox.Send, 2, 4)
	r.sound()
}

// A need that ends before anybody was told of it is told to nobody; one that was
// told is told to its end.
func TestEndsBeforeTold(t *testing.T) {
	t.Parallel()
	for _, told := range []bool{false, true} {
		r := newRig(t)
		files := &recorder{}
		r.o.Routes = []outbox.Route{{Name: "files", Files: true, Carrier: files}}
		r.start()
		r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
		if told {
			if _, err := r.Drain(t.Context(), 0); err != nil || len(files.got) != 2 {
				t.Fatalf("%d sent, %v", len(files.got), err)
			}
		}
		r.give(cta("s1", "a", "2026-06-22"))
		files.got = nil
		r.clock = r.clock.Add(time.Hour)
		if _, err := r.Drain(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		if want := map[bool]int{true: 2}[told]; len(files.got) != want {
			t.Errorf("told %v: %d sent, want %d", told, len(files.got), want)
		}
		r.sound()
	}
}
