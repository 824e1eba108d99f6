package clinic_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/source"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// taskOn is a Task of ours as it stands on a server on a day, with more members.
func taskOn(id, key, patient, status, on, more string) string {
	return fmt.Sprintf(`{"resourceType":"Task","id":%q,"meta":{"versionId":%q,"lastUpdated":"%sT10:00:00Z"},"identifier":[{"system":%q,"value":%q}],"status":%q,"intent":"proposal","for":{"reference":"Patient/%s"},"lastModified":"%sT10:00:00Z"%s}`,
		id, on+status+fmt.Sprint(len(more)), on, intake.WorkSystem, key, status, patient, on, more)
}

// row is the open work of a kind.
func (r *rig) row(kind string) clinic.Row {
	r.t.Helper()
	rows, err := r.Worklist(r.t.Context(), clinic.Filter{Kinds: []string{kind}})
	if err != nil || len(rows) != 1 {
		r.t.Fatalf("%d rows of %s, %v", len(rows), kind, err)
	}
	return rows[0]
}

// Whatever status a person sets is kept and shown. Closing a Task does not do the
// visit: its work stays, marked, and the visit stays due.
func TestEveryStatusOfAPerson(t *testing.T) {
	t.Parallel()
	for status, closes := range map[string]bool{"received": false, "accepted": false, "in-progress": false, "on-hold": false, "completed": true, "rejected": true, "cancelled": true, "failed": true} {
		r := newRig(t)
		r.give(patient("a", ""), evar("pr1", "a", "2025-01-20"))
		it := r.item("a", surveil.WorkChase)
		before, err := r.Due(t.Context(), clinic.Filter{})
		if err != nil || len(before) == 0 {
			t.Fatal(before, err)
		}
		r.give(taskOn("t1", it.Key, "a", status, "2026-06-29", ""))
		row := r.row(surveil.WorkChase)
		if row.Item.State != store.WorkOpen || row.There.Status != status || row.Closed != closes {
			t.Errorf("%s: %+v", status, row)
		}
		said := strings.Join(row.There.Lines(true), "; ")
		if strings.Contains(said, "needed still") != closes || !strings.Contains(said, "in the other system") {
			t.Errorf("%s: %s", status, said)
		}
		after, err := r.Due(t.Context(), clinic.Filter{})
		if err != nil || len(after) != len(before) || after[0].Owed.Standing != surveil.Overdue {
			t.Errorf("%s: due %+v, %v", status, after, err)
		}
		if sent := r.lastTask(it.Key); sent.Human {
			t.Errorf("%s: it was sent again: %+v", status, sent)
		}
		r.give(cta("s1", "a", "2026-06-22"))
		if sent := r.lastTask(it.Key); sent.Status != status || !sent.Human || sent.State == "open" {
			t.Errorf("%s: at the end %+v", status, sent)
		}
		r.sound()
	}
}

// Who has taken it, where it stands in their words, and their notes are kept also
// where nobody has touched the status; what this program wrote there is not.
func TestOwnerAndNotes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	key := r.item("a", surveil.WorkArrange).Key
	ours := `,"businessStatus":{"coding":[{"system":"` + fhir.CodesOfBusinessState + `","code":"due"}],"text":"Due"},"note":[{"authorString":"perennial","text":"ours"}]`
	r.give(taskOn("t1", key, "a", "requested", "2026-06-28", ours))
	if it := r.item("a", surveil.WorkArrange); it.Said != nil || it.Human != nil || len(it.History) != 1 {
		t.Errorf("our own words: %+v", it)
	}
	r.give(taskOn("t1", key, "a", "requested", "2026-06-29", `,"owner":{"reference":"Practitioner/9","display":"Booking desk"},"businessStatus":{"text":"on the waiting list"},`+
		`"note":[{"authorString":"perennial","text":"ours"},{"authorReference":{"display":"T. Quill"},"text":"called\u202e twice"},{"text":"no answer"}]`))
	it := r.item("a", surveil.WorkArrange)
	if it.Said == nil || it.Human != nil || it.Said.Owner != "Booking desk" || it.Said.Business != "on the waiting list" || !slices.Equal(it.Said.Notes, []string{"T. Quill: called twice", "no answer"}) {
		t.Fatalf("%+v", it.Said)
	}
	if got := r.row(surveil.WorkArrange).There.Lines(true); !slices.Equal(got, []string{"taken by Booking desk", "where it stands: on the waiting list", "note: T. Quill: called twice", "note: no answer"}) {
		t.Errorf("%q", got)
	}
	if got := r.view("a").There[it.Now].Owner; got != "Booking desk" {
		t.Errorf("the patient's page: %q", got)
	}
	r.give(taskOn("t1", key, "a", "requested", "2026-06-30", `,"owner":{"reference":"Practitioner/9"}`))
	if it := r.item("a", surveil.WorkArrange); it.Said.Owner != "Practitioner/9" || it.Said.Notes != nil || len(it.History) != 3 {
		t.Errorf("%+v", it)
	}
	if n := len(items(t, r.db, "")); n != 2 {
		t.Errorf("%d items to send: what people write is not sent back", n)
	}
	r.sound()
}

// questions lists what is asked about declined Tasks.
func (r *rig) declined(patient string) (texts []string) {
	for _, q := range r.view(patient).Plan.Questions {
		if q.Why.Rule == "declined-elsewhere" {
			texts = append(texts, q.Key+" "+q.Why.Text())
		}
	}
	return texts
}

// A person who declines is asked why, with what the Task says about it, until a
// person answers; who declines again later is asked again.
func TestDeclinedAsksWhy(t *testing.T) {
	t.Parallel()
	for more, said := range map[string]string{
		"": "No reason is given there.",
		`,"statusReason":{"text":"not our patient"}`: "It says: not our patient",
		`,"statusReason":{"coding":[{"code":"x","display":"moved away"}]},"note":[{"text":"to the coast"},{"text":"in May"}]`: "It says: moved away; in May",
	} {
		r := newRig(t)
		r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
		key := r.item("a", surveil.WorkArrange).Key
		r.give(taskOn("t1", key, "a", "rejected", "2026-06-20", more))
		want := "other|Task/t1 Declined in the other system on 20 Jun 2026, and still needed: why? " + said
		if got := r.declined("a"); !slices.Equal(got, []string{want}) {
			t.Fatalf("%q, want %q", got, want)
		}
		if got := r.work("a"); !slices.Contains(got, "arrange-imaging m1") || !slices.Contains(got, "answer-question m1") {
			t.Errorf("work %q", got)
		}
		// The program itself writes to the Task, which moves its date.
		r.give(taskOn("t1", key, "a", "rejected", "2026-06-25", more))
		if got := r.declined("a"); !slices.Equal(got, []string{want}) {
			t.Errorf("%q, want %q", got, want)
		}
		answer := ruling("a", "answer")
		answer.About, answer.On = "other|Task/t1", r.Today()
		if _, err := r.Rule(t.Context(), answer); err != nil {
			t.Fatal(err)
		}
		if got := r.declined("a"); got != nil {
			t.Errorf("answered: %q", got)
		}
		if it := r.item("a", surveil.WorkQuestion); it.State != store.WorkCompleted || it.Reason != notice.ReasonAnswered {
			t.Errorf("%+v", it)
		}
		if it := r.item("a", surveil.WorkArrange); it.State != store.WorkOpen {
			t.Errorf("an answer does not do the visit: %+v", it)
		}
		r.give(taskOn("t1", key, "a", "rejected", "2026-06-29", more+`,"priority":"routine"`))
		if got := r.declined("a"); got != nil {
			t.Errorf("asked again though nothing was declined anew: %q", got)
		}
		r.give(taskOn("t1", key, "a", "requested", "2026-06-30", ""))
		r.clock = r.clock.AddDate(0, 0, 2)
		r.give(taskOn("t1", key, "a", "rejected", "2026-07-02", more))
		if got := r.declined("a"); len(got) != 1 {
			t.Errorf("declined again: %q", got)
		}
		r.sound()
	}
}

// The question stays when chasing takes the place of arranging, and ends with the
// need: the scan comes, the visit is declined by a ruling, or the person gives the
// Task back.
func TestDeclinedStaysWhileNeeded(t *testing.T) {
	t.Parallel()
	begin := func() (*rig, string) {
		r := newRig(t)
		r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
		key := r.item("a", surveil.WorkArrange).Key
		r.give(taskOn("t1", key, "a", "rejected", "2026-06-20", ""))
		return r, key
	}
	r, _ := begin()
	r.clock = r.clock.AddDate(0, 2, 0)
	r.tick()
	if got := r.work("a"); !slices.Contains(got, "chase-overdue m1") || len(r.declined("a")) != 1 {
		t.Errorf("%q %q", got, r.declined("a"))
	}
	r.sound()
	for name, end := range map[string]func(r *rig, key string){
		"scan":       func(r *rig, _ string) { r.give(cta("s1", "a", "2026-06-22")) },
		"given back": func(r *rig, key string) { r.give(taskOn("t1", key, "a", "requested", "2026-06-30", "")) },
		"ruling": func(r *rig, _ string) {
			no := ruling("a", string(chart.RuleDecline))
			no.Visit = "Procedure/pr1/m1"
			if _, err := r.Rule(t.Context(), no); err != nil {
				t.Fatal(err)
			}
		},
	} {
		r, key := begin()
		if end(r, key); r.declined("a") != nil {
			t.Errorf("%s: %q", name, r.declined("a"))
		}
		r.sound()
	}
}

// A question about a declined Task moves with its patient.
func TestDeclinedMoves(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"), patient("b", ""))
	key := r.item("a", surveil.WorkArrange).Key
	r.give(taskOn("t1", key, "a", "rejected", "2026-06-20", ""))
	r.give(patient("a", `,"meta":{"versionId":"2"},"link":[{"type":"replaced-by","other":{"reference":"Patient/b"}}]`))
	if got := r.declined("b"); len(got) != 1 {
		t.Errorf("%q", got)
	}
	if it := r.item("b", surveil.WorkQuestion); it.State != store.WorkOpen {
		t.Errorf("%+v", it)
	}
	r.sound()
}

// A way out that takes nothing is told with the status, while it is in use.
func TestClosedWays(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.o.Mode, r.o.Routes = outbox.Send, []outbox.Route{{Name: "one", Carrier: shut{}}}
	r.start()
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"))
	if err := r.GoLive(t.Context(), "N. Nurse"); err != nil {
		t.Fatal(err)
	}
	if got, err := r.Drain(t.Context(), 0); err != nil || got.Later != 2 {
		t.Fatalf("%+v %v", got, err)
	}
	ways := func() []clinic.ClosedWay {
		st, err := r.Status(t.Context())
		if err != nil || st.Outbox.Pending != 2 {
			t.Fatalf("%+v %v", st, err)
		}
		return st.ClosedWays(r.Zone())
	}
	want := clinic.ClosedWay{Hint: "Ask.", Text: "No Tasks can be sent since 30 Jun 2026 09:00. It has none. Nothing is lost: 2 wait, and the digest and the pages tell of the work. Tried again on 1 Jul 2026 09:00, or at once: perennial send."}
	if got := ways(); len(got) != 1 || got[0] != want {
		t.Errorf("%+v", got)
	}
	if err := r.Hurry(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got, err := r.Drain(t.Context(), 0); err != nil || got.Later != 1 {
		t.Errorf("asked at once: %+v %v", got, err)
	}
	r.o.Routes[0].Name = "another"
	if r.start(); len(ways()) != 0 {
		t.Errorf("another server: %+v", ways())
	}
	r.o.Routes[0].Name, r.o.Mode = "one", outbox.Off
	if r.start(); len(ways()) != 0 {
		t.Errorf("nothing is sent: %+v", ways())
	}
	r.sound()
}

// shut is a carrier to a server without Tasks.
type shut struct{}

func (shut) Carries(kind string) bool { return kind == outbox.KindTask }

func (shut) Carry(context.Context, outbox.Item) (string, error) {
	return "", &outbox.Closed{Why: "It has none.", Hint: "Ask."}
}

// A Task that comes back from a server of its own is its item's, whatever patient
// that server names.
func TestTaskIsPlacedByItsItem(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.o.TasksFrom = "tasks"
	r.start()
	r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"), patient("b", ""), evar("pr2", "b", "2026-05-20"))
	it := r.item("a", surveil.WorkArrange)
	for i, whose := range []string{"Patient/b", "Patient/unknown-there", "https://other.invalid/fhir/Patient/b"} {
		body := strings.Replace(taskOn("t1", it.Key, "b", "rejected", fmt.Sprintf("2026-06-%d", 20+i), ""), "Patient/b", whose, 1)
		if _, err := r.Import(t.Context(), "tasks", func(yield func(source.Batch, error) bool) {
			yield(source.Batch{Resources: raws([]string{body})}, nil)
		}); err != nil {
			t.Fatal(err)
		}
		if got := r.item("a", surveil.WorkArrange); got.Human == nil || got.Human.Status != "rejected" || r.declined("b") != nil || len(r.declined("a")) != 1 {
			t.Errorf("%s: %+v, asked of b: %q", whose, got, r.declined("b"))
		}
	}
	r.sound()
}
