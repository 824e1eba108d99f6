package clinic_test

import (
	"slices"
	"strings"
	"testing"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/notice"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// An item that ended as the same as another's, when its patient's implant went to
// somebody else, is opened again by a later merge: then it is of the patient into
// whom the record was merged, not of the one to whom it had gone.
func TestReopenedItemIsOfTheSurvivor(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	n := 0
	give := func(body string) { n++; r.give(versioned(body, n)) }
	ago := func(days int) string { return (r.Today() - day.Day(days)).String() }
	give(evar("pr2", "a", ago(5)))
	give(evar("pr1", "a", ago(121)))
	give(evar("pr2", "b", ago(270)))
	x := ruling("c", "implant")
	x.Class, x.Value = "tevar", ago(271)
	if _, err := r.Rule(t.Context(), x); err != nil {
		t.Fatal(err)
	}
	r.clock = r.clock.AddDate(0, 0, 400)
	r.tick()
	give(evar("pr1", "c", ago(3)))                       // a's trace-patient is c's now, and ends as the same as c's own
	give(patient("b", link("replaced-by", "Patient/a"))) // b's is a's now
	r.sound()
	for _, who := range []string{"a", "c"} {
		if got := r.work(who); !slices.Contains(got, "trace-patient") {
			t.Errorf("%s: work %q", who, got)
		}
	}
}

// wanderers is a clinic whose operations are given to one patient and another.
type wanderers struct {
	*rig
	n int
}

func newWanderers(t *testing.T) *wanderers {
	m := &wanderers{rig: newRig(t)}
	m.give(patient("a", ""), patient("b", ""), patient("c", ""), patient("d", ""))
	return m
}

// give gives newer versions of resources, after which the store must be sound.
func (m *wanderers) give(bodies ...string) {
	m.t.Helper()
	m.n++
	for i := range bodies {
		bodies[i] = versioned(bodies[i], m.n)
	}
	m.rig.give(bodies...)
	m.sound()
}

// op is an operation long ago, after which nobody was seen.
func op(id, patient string) string { return evar(id, patient, "2024-01-10") }

// trace is the first key of the open trace-patient item of somebody.
func (m *wanderers) trace(who string) string {
	m.t.Helper()
	for _, it := range m.view(who).Items {
		if it.State == store.WorkOpen && it.Work.Kind == surveil.WorkTrace {
			return it.Key
		}
	}
	m.t.Fatalf("%s is not traced: %q", who, m.work(who))
	return ""
}

// An item moves to a key whose item leaves it in the same batch, for a place
// where another is already: the one that moved in keeps the key, and ends when
// what it asks for is done.
func TestKeyIsOfTheItemThatMovedIn(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(op("pr1", "a"), op("pr2", "d"), op("pr3", "c"))
	m.give(op("pr2", "b")) // d's work is b's now
	a, b, c := m.trace("a"), m.trace("b"), m.trace("c")
	m.give(op("pr1", "b"), op("pr2", "c")) // a's is b's, and b's would be c's, who has it already
	if m.trace("b") != a || m.trace("c") != c {
		t.Errorf("b %s, c %s", m.trace("b"), m.trace("c"))
	}
	if it := m.itemBy(b); it.State != store.WorkCancelled || it.Reason != notice.ReasonMerged || it.Patient != "c" {
		t.Errorf("item %+v", it)
	}
	m.give(cta("s1", "b", "2026-06-20"))
	if it := m.itemBy(a); it.State != store.WorkCompleted || it.Reason != notice.ReasonSeen || it.Patient != "b" {
		t.Errorf("item %+v", it)
	}
}

// Two items move to one key whose item leaves it: the first has it, even where
// it comes back to the key with which it began.
func TestTwoItemsMoveToOneKey(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(patient("aa", ""), op("pr1", "b"))
	back := m.trace("b")
	m.give(op("pr1", "a"))
	m.give(op("pr2", "b"), op("pr3", "aa"))
	leaves, other := m.trace("b"), m.trace("aa")
	m.give(op("pr1", "b"), patient("aa", link("replaced-by", "Patient/b")), op("pr2", "c"))
	if m.trace("b") != back || m.trace("c") != leaves {
		t.Errorf("b %s, c %s", m.trace("b"), m.trace("c"))
	}
	if it := m.itemBy(other); it.State != store.WorkCancelled || it.Reason != notice.ReasonMerged {
		t.Errorf("item %+v", it)
	}
}

// itemBy reads an item by its first key.
func (r *rig) itemBy(key string) (it store.Item) {
	r.t.Helper()
	err := r.db.View(r.t.Context(), func(tx kv.Reader) (err error) {
		it, _, err = store.ReadItem(tx, key)
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return it
}

// What a person did with a Task stays with its item, also where that moves in
// the same batch and another takes its key.
func TestPersonStaysWithTheItem(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(op("pr1", "a"), op("pr2", "b"))
	a, b := m.trace("a"), m.trace("b")
	m.give(op("pr1", "b"), op("pr2", "c"), task("t1", b, "b", "on-hold"))
	if it := m.itemBy(a); it.Human != nil || it.Patient != "b" {
		t.Errorf("item %+v", it)
	}
	if it := m.itemBy(b); it.Human == nil || it.Human.Status != "on-hold" || it.Patient != "c" {
		t.Errorf("item %+v", it)
	}
}

// An item that ended as the same as another is needed again, with its Task, when
// the two records come apart.
func TestMergeUndoneGivesBothTheirItems(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(op("pr1", "a"), strings.Replace(op("pr2", "b"), "34705", "33880", 1)) // of another place: the merge keeps both
	a, b := m.trace("a"), m.trace("b")
	m.give(patient("b", link("replaced-by", "Patient/a")))
	if it := m.itemBy(b); m.trace("a") != a || it.State != store.WorkCancelled || it.Reason != notice.ReasonMerged {
		t.Errorf("item %+v", it)
	}
	m.give(patient("b", ""))
	if m.trace("a") != a || m.trace("b") != b {
		t.Errorf("a %s, b %s", m.trace("a"), m.trace("b"))
	}
}

// A person's status on the Task of an item that ends as the same as another
// stays, and the Task gets a note.
func TestDoubleOfAPersonGetsANote(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(op("pr1", "a"), evar("pr2", "b", "2024-03-10"))
	b := m.trace("b")
	m.give(task("t1", b, "b", "on-hold"))
	m.give(patient("b", link("replaced-by", "Patient/a")))
	sent := m.lastTask(b)
	if sent.Status != "on-hold" || !sent.Human || sent.State != "cancelled" || len(sent.Notes) != 1 {
		t.Errorf("Task %+v", sent)
	}
}

// What a person does with a Task that lies with somebody who has no implant (any
// more) holds for the item, whose it is now.
func TestTaskOfSomebodyWithoutImplant(t *testing.T) {
	t.Parallel()
	m := newWanderers(t)
	m.give(op("pr1", "a"))
	a := m.trace("a")
	m.give(op("pr1", "b"))
	m.give(task("t1", a, "a", "on-hold"))
	if it := m.itemBy(a); it.State != store.WorkOpen || it.Patient != "b" || it.Human == nil {
		t.Errorf("item %+v", it)
	}
}

// What a person did with a Task holds for what comes in the same batch.
func TestPersonWinsInTheSameBatch(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{"completed": cta("s1", "a", "2026-06-20"), "cancelled": patient("a", link("replaced-by", "Patient/b"))} {
		m := newWanderers(t)
		m.give(op("pr1", "a"), op("pr2", "b"))
		a := m.trace("a")
		m.give(body, task("t1", a, "a", "on-hold"))
		sent := m.lastTask(a)
		if sent.Status != "on-hold" || !sent.Human || sent.State != name || len(sent.Notes) != 1 {
			t.Errorf("%s: Task %+v", name, sent)
		}
	}
}
