package clinic_test

import (
	"context"
	"errors"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/source"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// In whatever order and in whatever batches resources come, the plans are those
// of reading all at once, and the sums are those of the files.
func TestOrderOfBatchesDoesNotMatter(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			list := allCases(t)
			want, tally := atOnce(t, list, r.Today())
			rnd := rand.New(rand.NewPCG(seed, 1))
			size := []int{1, 7, 50, 500, len(list), 23}[seed]
			if seed > 0 {
				rnd.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
			}
			if _, err := r.Import(t.Context(), "test", batchesOf(list, size)); err != nil {
				t.Fatal(err)
			}
			samePlans(t, r.db, want, 30)
			if sums := r.sound().Sums.Resources; sums != tally {
				t.Errorf("sums %+v, at once %+v", sums, tally)
			}
		})
	}
}

func samePlans(t *testing.T, db kv.DB, want map[string]surveil.Plan, least int) {
	t.Helper()
	err := db.View(t.Context(), func(r kv.Reader) error {
		n := 0
		for patient, p := range want {
			got, err := store.ReadPlan(r, patient)
			if err != nil {
				return err
			}
			n++
			if got == nil {
				t.Errorf("%s has no plan", patient)
			} else if diff := cmp.Diff(p, *got, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("%s has another plan:\n%s", patient, diff)
			}
		}
		sums, err := store.Count(r)
		if sums.Patients.WithImplant != n || n < least {
			t.Errorf("%d plans, want %d", sums.Patients.WithImplant, n)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// What is imported again writes nothing but that it was read.
func TestImportTwiceWritesNothing(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	list := allCases(t)
	for range 2 {
		if _, err := r.Import(t.Context(), "test", batchesOf(list, 100)); err != nil {
			t.Fatal(err)
		}
	}
	before := dump(t, r.db)
	counts, err := r.Import(t.Context(), "test", batchesOf(list, 33))
	if err != nil {
		t.Fatal(err)
	}
	if counts.New != 0 || counts.Resources != len(list) {
		t.Errorf("counts %+v", counts)
	}
	after := dump(t, r.db)
	if !maps.Equal(before, after) {
		for k, v := range after {
			if before[k] != v {
				t.Errorf("%q: %s, was %s", k, v, before[k])
			}
		}
	}
}

// failing fails the n-th write of an update.
type failing struct {
	kv.DB
	left int
}

var errInjected = errors.New("injected")

func (f *failing) Update(ctx context.Context, fn func(kv.Tx) error) error {
	return f.DB.Update(ctx, func(tx kv.Tx) error { return fn(&failingTx{tx, f}) })
}

type failingTx struct {
	kv.Tx
	f *failing
}

func (t *failingTx) Put(key, value []byte) error {
	if t.f.left--; t.f.left == 0 {
		return errInjected
	}
	return t.Tx.Put(key, value)
}

func (t *failingTx) Delete(key []byte) error {
	if t.f.left--; t.f.left == 0 {
		return errInjected
	}
	return t.Tx.Delete(key)
}

// One transaction keeps all of a batch or nothing: wherever a write fails,
// nothing of the batch is there, and the next try brings all.
func TestAllOrNothing(t *testing.T) {
	t.Parallel()
	db := &failing{DB: memkv.New()}
	r := newRigOn(t, db)
	r.give(patient("a", ""), evar("pr1", "a", "2025-01-10"))
	before := dump(t, db)
	next := batchesOf(raws([]string{cta("s1", "a", "2025-02-12"), evar("pr2", "a", "2025-01-09"), patient("b", ""), `{"resourceType":"Procedure"`}), 9)
	failed := 0
	for n := 1; ; n++ {
		db.left = n
		_, err := r.Import(t.Context(), "test", next)
		db.left = 0
		if err == nil {
			break
		}
		if failed++; !errors.Is(err, errInjected) {
			t.Fatal(err)
		}
		if after := dump(t, db); !maps.Equal(before, after) {
			// only the note that the source was read may fail after the batch
			if r.sound(); n < 20 {
				t.Fatalf("write %d failed and %d pairs are there instead of %d", n, len(after), len(before))
			}
			break
		}
	}
	if failed < 20 {
		t.Errorf("only %d failures were tried", failed)
	}
	r.sound()
	if got := r.view("a"); len(got.Plan.Implants) != 1 || got.Plan.Implants[0].ID != "Procedure/pr2" {
		t.Errorf("plan %+v", got.Plan.Implants)
	}
}

// Losing a single record of any kind shows in the sum that it belongs to.
func TestEachTermIsCountedOnItsOwn(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	list := allCases(t)
	more := raws([]string{`{"resourceType":"Organization","id":"o1"}`, `{"resourceType":"Procedure","id":"q","subject":{"reference":"Patient/p82"}}`,
		ctaIn("e1", "p82", "2025-01-01", "entered-in-error", "1"), patient("p82", `,"meta":{"versionId":"2","lastUpdated":"2026-01-01T00:00:00Z"},"gender":"female"`),
		patient("a", ""), evar("pr1", "a", "2026-05-20"), patient("b", ""), evar("pr2", "b", "")})
	if _, err := r.Import(t.Context(), "test", batchesOf(slices.Concat(list, more), 500)); err != nil {
		t.Fatal(err)
	}
	r.give(cta("s1", "a", "2026-06-22"))
	if _, err := r.Rule(t.Context(), ruling("p82", "stop")); err != nil {
		t.Fatal(err)
	}
	pause := ruling("p28", "pause")
	pause.Until = day.Of(2190, 1, 1)
	if _, err := r.Rule(t.Context(), pause); err != nil {
		t.Fatal(err)
	}
	sums := r.sound().Sums
	t.Logf("%+v", sums)
	terms := []struct {
		name string
		sum  func(store.Sums) bool
		pick func(key, value string) bool
	}{
		{"received", func(s store.Sums) bool { return s.Resources.Holds() }, has("got", "")},
		{"used", func(s store.Sums) bool { return s.Resources.Holds() }, has("rec", `"fate":"used"`)},
		{"superseded", func(s store.Sums) bool { return s.Resources.Holds() }, has("rec", `"fate":"superseded"`)},
		{"not relevant", func(s store.Sums) bool { return s.Resources.Holds() }, has("skip", "")},
		{"in error", func(s store.Sums) bool { return s.Resources.Holds() }, has("rec", `"fate":"in-error"`)},
		{"quarantined", func(s store.Sums) bool { return s.Resources.Holds() }, has("raw", "")},
		{"with implant", func(s store.Sums) bool { return s.Patients.Holds() }, has("plan", "")},
		{"active", func(s store.Sums) bool { return s.Patients.Holds() }, has("patient", `"state":"active"`)},
		{"paused", func(s store.Sums) bool { return s.Patients.Holds() }, has("patient", `"state":"paused"`)},
		{"ended", func(s store.Sums) bool { return s.Patients.Holds() }, has("patient", `"state":"ended"`)},
		{"unresolved", func(s store.Sums) bool { return s.Patients.Holds() }, has("patient", `"state":"unresolved"`)},
		{"work ever", func(s store.Sums) bool { return s.Work.Holds() }, has("work", "")},
		{"work open", func(s store.Sums) bool { return s.Work.Holds() }, hasIn("open")},
		{"work completed", func(s store.Sums) bool { return s.Work.Holds() }, hasIn("completed")},
		{"work cancelled", func(s store.Sums) bool { return s.Work.Holds() }, hasIn("cancelled")},
	}
	for _, term := range terms {
		key := ""
		all := dump(t, r.db)
		for k, v := range all {
			if term.pick(k, v) && (key == "" || k < key) {
				key = k
			}
		}
		if key == "" {
			t.Errorf("%s: there is no such record", term.name)
			continue
		}
		write(t, r.db, func(tx kv.Tx) error { return tx.Delete([]byte(key)) })
		rep, err := r.Check(t.Context())
		if err == nil && (term.sum(rep.Sums) || len(rep.Problems) == 0) {
			t.Errorf("%s: a record is gone and the sum holds: %+v", term.name, rep.Sums)
		}
		write(t, r.db, func(tx kv.Tx) error { return tx.Put([]byte(key), []byte(all[key])) })
	}
	r.sound()
}

func write(t *testing.T, db kv.DB, fn func(kv.Tx) error) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// has picks records of a kind with a text in them.
func has(kind, text string) func(k, v string) bool {
	return func(k, v string) bool {
		from, to := kv.Prefix(kind)
		return k >= string(from) && k < string(to) && contains(v, text)
	}
}

func hasIn(state string) func(k, v string) bool {
	from, to := kv.Prefix("work-in", state)
	return func(k, _ string) bool { return k >= string(from) && k < string(to) }
}

// A part of a source that fails does not stop the rest, and is told.
func TestFailingPart(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	broken := errors.New("the folder is gone")
	counts, err := r.Import(t.Context(), "test", func(yield func(source.Batch, error) bool) {
		_ = yield(source.Batch{}, broken) && yield(source.Batch{Resources: []fhir.Raw{{Body: []byte(patient("a", ""))}}}, nil)
	})
	if !errors.Is(err, broken) || counts.New != 1 {
		t.Errorf("counts %+v, error %v", counts, err)
	}
	st, err := r.Status(t.Context())
	if err != nil || len(st.Sources) != 1 || st.Sources[0].Error == "" || !st.Sources[0].Success.IsZero() {
		t.Errorf("status %+v, %v", st, err)
	}
	r.give(patient("b", ""))
	if st, _ = r.Status(t.Context()); st.Sources[0].Error != "" || st.Sources[0].Success.IsZero() {
		t.Errorf("status %+v", st)
	}
	r.sound()
}

// Twice is what the rig uses; without it a function that counts twice would not
// show.
func TestRigRunsTwice(t *testing.T) {
	t.Parallel()
	n := 0
	err := kvtest.Twice(memkv.New()).Update(t.Context(), func(kv.Tx) error { n++; return nil })
	if err != nil || n != 2 {
		t.Errorf("%d runs, %v", n, err)
	}
}

// Bodies that are no JSON, no FHIR or no UTF-8 are kept with their reason, and
// the rest goes on; the patient that can be told is asked about.
func TestBadBodies(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	counts := r.give(patient("a", ""), evar("pr1", "a", "2026-05-20"), `{"resourceType":"Procedure","id":"x\xff`, "\x00", `[]`, "{\"resourceType\":\"Procedure\",\"id\":\"\xff\",\"subject\":{\"reference\":\"Patient/a\xfe\"}}",
		`{"resourceType":"Procedure","id":"q","status":"finished","subject":{"reference":"Patient/a"}}`)
	if counts.Quarantined != 5 || counts.New != 7 {
		t.Errorf("%+v", counts)
	}
	var why []string
	if err := r.ListFate(t.Context(), store.FateQuarantined, func(rec store.Record) error { why = append(why, rec.Why); return nil }); err != nil {
		t.Fatal(err)
	}
	if len(why) != 5 || slices.Contains(why, "") {
		t.Errorf("%q", why)
	}
	if q := r.view("a").Plan.Questions; len(q) != 1 || q[0].Kind != "unreadable" {
		t.Errorf("%+v", q)
	}
	if again := r.give("\x00", `[]`); again.New != 0 {
		t.Errorf("%+v", again)
	}
	r.sound()
}
