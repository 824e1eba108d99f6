package store_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

func clock() time.Time { return time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC) }

// open makes a store that is ready; every transaction runs twice.
func open(t testing.TB) kv.DB {
	t.Helper()
	db := kvtest.Twice(memkv.New())
	t.Cleanup(func() { db.Close() })
	update(t, db, func(tx kv.Tx) error { return store.Init(tx, clock()) })
	return db
}

func update(t testing.TB, db kv.DB, fn func(kv.Tx) error) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// write runs a transaction with a Writer.
func write(t testing.TB, db kv.DB, fn func(*store.Writer) error) {
	t.Helper()
	update(t, db, func(tx kv.Tx) error {
		w, err := store.Begin(tx, clock())
		if err != nil {
			return err
		}
		if err := fn(w); err != nil {
			return err
		}
		return w.Finish()
	})
}

func view(t testing.TB, db kv.DB, fn func(kv.Reader) error) {
	t.Helper()
	if err := db.View(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// problems checks the store.
func problems(t testing.TB, db kv.DB) []string {
	t.Helper()
	var list []string
	view(t, db, func(r kv.Reader) (err error) {
		_, list, err = store.Check(r)
		return err
	})
	return list
}

func record(patient, ref, version, hash string) store.Record {
	return store.Record{Patient: patient, Ref: ref, Version: version, Hash: hash, Fate: store.FateUsed, Source: "s", Body: []byte(`{}`)}
}

func TestInitAndForeignStores(t *testing.T) {
	t.Parallel()
	db := memkv.New()
	view(t, db, func(r kv.Reader) error {
		if _, err := store.ReadMeta(r); fault.KindOf(err) != fault.Empty || fault.HintOf(err) == "" {
			t.Errorf("empty: %v", err)
		}
		return nil
	})
	update(t, db, func(tx kv.Tx) error { return store.Init(tx, clock()) })
	if err := db.Update(t.Context(), func(tx kv.Tx) error { return store.Init(tx, clock()) }); fault.KindOf(err) != fault.Conflict {
		t.Errorf("twice: %v", err)
	}
	update(t, db, store.Migrate)
	for text, want := range map[string]fault.Kind{`{"v":99}`: fault.Foreign, `{"v":0}`: fault.Damaged, `x`: fault.Damaged} {
		update(t, db, func(tx kv.Tx) error { return tx.Put(kv.Key("meta"), []byte(text)) })
		if err := db.Update(t.Context(), store.Migrate); fault.KindOf(err) != want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}

// A version is taken once; another version, or another content, is another.
func TestTakeOnce(t *testing.T) {
	t.Parallel()
	db := open(t)
	for _, c := range []struct {
		rec  store.Record
		want bool
	}{
		{record("a", "P/1", "1", "x"), true}, {record("a", "P/1", "1", "x"), false}, {record("b", "P/1", "1", "x"), false},
		{record("a", "P/1", "2", "x"), true}, {record("a", "P/1", "1", "y"), true}, {record("a", "P/2", "1", "x"), true},
	} {
		write(t, db, func(w *store.Writer) error {
			got, err := w.Take(c.rec, nil)
			if got != c.want {
				t.Errorf("%+v: %v", c.rec, got)
			}
			return err
		})
	}
	view(t, db, func(r kv.Reader) error {
		list, err := store.Records(r, "a")
		if len(list) != 4 {
			t.Errorf("%d records", len(list))
		}
		return err
	})
	if list := problems(t, db); len(list) > 0 {
		t.Error(list)
	}
}

// Where nothing but the order tells versions apart, a content that comes again
// after another one is the newest.
func TestContentThatComesAgain(t *testing.T) {
	t.Parallel()
	db := open(t)
	for _, hash := range []string{"x", "y", "x"} {
		write(t, db, func(w *store.Writer) error { _, err := w.Take(record("a", "P/1", "", hash), nil); return err })
	}
	view(t, db, func(r kv.Reader) error {
		list, err := store.Records(r, "a")
		slices.SortFunc(list, func(a, b store.Record) int { return int(a.Seq - b.Seq) })
		if len(list) != 2 || list[1].Hash != "x" {
			t.Errorf("%+v", list)
		}
		return err
	})
	if list := problems(t, db); len(list) > 0 {
		t.Error(list)
	}
}

// Who has a word in common with whom is looked at together.
func TestTies(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		a, b []string
		tied bool
	}{
		"identifier looked for":     {[]string{store.IdentifierWord("s|1")}, []string{store.WantedWord("s|1")}, true},
		"identifier of two":         {[]string{store.IdentifierWord("s|1")}, []string{store.IdentifierWord("s|1")}, false},
		"another identifier":        {[]string{store.IdentifierWord("s|1")}, []string{store.WantedWord("s|2")}, false},
		"link":                      {[]string{store.KeyWord("b")}, nil, true},
		"one key named by both":     {[]string{store.KeyWord("z")}, []string{store.KeyWord("z")}, true},
		"names, both known by more": {[]string{store.NameWord("x", true)}, []string{store.NameWord("x", true)}, false},
		"names, one without":        {[]string{store.NameWord("x", true)}, []string{store.NameWord("x", false)}, true},
		"names, both without":       {[]string{store.NameWord("x", false)}, []string{store.NameWord("x", false)}, true},
		"study":                     {[]string{store.StudyWord("1.2")}, []string{store.StudyWord("1.2")}, true},
		"a study and an identifier": {[]string{store.StudyWord("1.2")}, []string{store.IdentifierWord("1.2")}, false},
		"nothing":                   {nil, nil, false},
	} {
		for _, turned := range []bool{false, true} {
			db := open(t)
			take := func(p string, words []string) {
				write(t, db, func(w *store.Writer) error { _, err := w.Take(record(p, "P/"+p, "1", "x"), words); return err })
			}
			if turned {
				take("b", c.b)
			}
			take("a", c.a)
			if !turned {
				take("b", c.b)
			}
			view(t, db, func(r kv.Reader) error {
				got, err := store.Tied(r, []string{"b"}, "!")
				if slices.Contains(got, "a") != c.tied {
					t.Errorf("%s, turned %v: %v", name, turned, got)
				}
				return err
			})
		}
	}
}

// One resource under two patients ties them; nobody is reached over what is
// nobody's.
func TestTiesByResource(t *testing.T) {
	t.Parallel()
	db := open(t)
	write(t, db, func(w *store.Writer) error {
		for i, p := range []string{"a", "b", "!", "c", "!"} {
			ref := "P/1"
			if i > 2 {
				ref = "P/2"
			}
			if _, err := w.Take(record(p, ref, fmt.Sprint(i), "x"), nil); err != nil {
				return err
			}
		}
		return nil
	})
	view(t, db, func(r kv.Reader) error {
		got, err := store.Tied(r, []string{"a"}, "!")
		if !slices.Equal(got, []string{"!", "a", "b"}) {
			t.Errorf("%v", got)
		}
		return err
	})
}

// Keys of any length and content.
func TestLongKeys(t *testing.T) {
	t.Parallel()
	db := open(t)
	long := strings.Repeat("ä", 5000)
	write(t, db, func(w *store.Writer) error {
		for _, end := range []string{"1", "2"} {
			if _, err := w.Take(record(long+end, long+end, long, "x"), []string{store.IdentifierWord(long + end), store.WantedWord(long + "1")}); err != nil {
				return err
			}
			if err := w.PutRuling(chart.Ruling{ID: long + end, Patient: long + end}); err != nil {
				return err
			}
		}
		return nil
	})
	view(t, db, func(r kv.Reader) error {
		got, err := store.Tied(r, []string{long + "2"}, "!")
		if !slices.Equal(got, []string{long + "1", long + "2"}) {
			t.Errorf("%d tied", len(got))
		}
		return err
	})
	view(t, db, func(r kv.Reader) error {
		keys, err := store.Keys(r, "", 10)
		if !slices.Contains(keys, long+"1") || !slices.Contains(keys, long+"2") || len(keys) != 2 {
			t.Errorf("%d keys", len(keys))
		}
		return err
	})
	if list := problems(t, db); len(list) > 0 {
		t.Error(list)
	}
}

// Pages of every size together give all, once.
func TestPages(t *testing.T) {
	t.Parallel()
	db := open(t)
	write(t, db, func(w *store.Writer) error {
		for i := range 25 {
			rec := record("p", fmt.Sprint("P/", i), "1", "x")
			var err error
			switch i % 5 {
			case 0:
				_, err = w.Skip(rec)
			case 1:
				_, err = w.Quarantine(rec, []byte("raw"))
			case 2:
				rec.Fate = store.FateQuarantined
				_, err = w.Take(rec, nil)
			default:
				_, err = w.Take(rec, nil)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	for _, size := range []int{1, 2, 3, 7, 25, 100} {
		for fate, want := range map[store.Fate]int{store.FateUsed: 10, store.FateNotRelevant: 5, store.FateQuarantined: 10, store.FateInError: 0} {
			seen := map[string]int{}
			var page store.Page
			for more := true; more; {
				view(t, db, func(r kv.Reader) error {
					list, rest, err := store.ListFate(r, fate, &page, size)
					for _, rec := range list {
						seen[rec.Ref]++
					}
					more = rest
					return err
				})
			}
			if len(seen) != want {
				t.Errorf("size %d, %s: %d of %d", size, fate, len(seen), want)
			}
			for ref, n := range seen {
				if n != 1 {
					t.Errorf("size %d: %s came %d times", size, ref, n)
				}
			}
		}
	}
	if list := problems(t, db); len(list) > 0 {
		t.Error(list)
	}
}

// What was quarantined is kept as it came.
func TestRaw(t *testing.T) {
	t.Parallel()
	db := open(t)
	rec := record("", "", "", "x")
	write(t, db, func(w *store.Writer) error { _, err := w.Quarantine(rec, []byte("\x00{broken")); return err })
	view(t, db, func(r kv.Reader) error {
		raw, err := store.Raw(r, &rec)
		if string(raw) != "\x00{broken" {
			t.Errorf("%q", raw)
		}
		return err
	})
}

func plan(patient string, wake day.Day) *surveil.Plan {
	return &surveil.Plan{Patient: patient, AsOf: 739000, Surveillance: surveil.StateActive, FollowUp: surveil.RungCurrent, Wake: wake,
		Implants: []surveil.Implant{{ID: "Procedure/x", Class: "evar", Next: -1}}}
}

// Plans wake on their day only, and a plan that is gone wakes nobody.
func TestWaking(t *testing.T) {
	t.Parallel()
	db := open(t)
	put := func(before, p *surveil.Plan) {
		write(t, db, func(w *store.Writer) error { return w.PutPlan(before, p, store.LineOf(p, &chart.Chart{})) })
	}
	waking := func(on day.Day) (list []store.Waker) {
		view(t, db, func(r kv.Reader) (err error) {
			list, err = store.Waking(r, on, 10)
			return err
		})
		return list
	}
	put(nil, plan("a", 739100))
	put(nil, plan("b", 739050))
	if got := waking(739049); len(got) != 0 {
		t.Errorf("%+v", got)
	}
	if got := waking(739100); !slices.Equal(got, []store.Waker{{On: 739050, Patient: "b"}, {On: 739100, Patient: "a"}}) {
		t.Errorf("%+v", got)
	}
	put(plan("b", 739050), plan("b", 739200))
	if got := waking(739100); !slices.Equal(got, []store.Waker{{On: 739100, Patient: "a"}}) {
		t.Errorf("%+v", got)
	}
	write(t, db, func(w *store.Writer) error { return w.DropPlan(plan("a", 739100)) })
	if got := waking(739100); len(got) != 0 {
		t.Errorf("%+v", got)
	}
	if list := problems(t, db); len(list) > 0 {
		t.Error(list)
	}
}

// A ruling's id is its own.
func TestRulingIDs(t *testing.T) {
	t.Parallel()
	db := open(t)
	first := chart.Ruling{ID: "r1", Patient: "a", Kind: chart.RuleStop, Who: "x", When: "2026-01-01T00:00:00Z", Why: "y"}
	write(t, db, func(w *store.Writer) error { return w.PutRuling(first) })
	write(t, db, func(w *store.Writer) error { return w.PutRuling(first) })
	other := first
	other.Why = "z"
	back := first
	back.TakenBack = &chart.TakenBack{Who: "x"}
	for i, c := range []struct {
		r    chart.Ruling
		want fault.Kind
	}{{other, fault.Conflict}, {back, fault.None}, {first, fault.Conflict}} {
		err := db.Update(t.Context(), func(tx kv.Tx) error {
			w, err := store.Begin(tx, clock())
			if err != nil {
				return err
			}
			return w.PutRuling(c.r)
		})
		if fault.KindOf(err) != c.want {
			t.Errorf("%d: %v", i, err)
		}
	}
}
