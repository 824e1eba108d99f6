package audit_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/audit"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
)

// entry is an invented entry.
func entry(n int) audit.Entry {
	return audit.Entry{
		At:     time.Date(2031, 5, 6, 7, 8, 9, n, time.FixedZone("X", 7200)),
		Actor:  "invented.person",
		Action: "ruling.made",
		About:  fmt.Sprintf("record/%d", n),
		Detail: json.RawMessage(fmt.Sprintf(`{ "why": "<invented> & %d", "n": [1, 2.50] }`, n)),
	}
}

// chain makes a store with n entries.
func chain(t testing.TB, n int) kv.DB {
	t.Helper()
	db := kvtest.Twice(memkv.New())
	for i := range n {
		update(t, db, func(tx kv.Tx) error {
			_, err := audit.Append(tx, entry(i))
			return err
		})
	}
	return db
}

func update(t testing.TB, db kv.DB, fn func(kv.Tx) error) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

func view(t testing.TB, db kv.DB, fn func(kv.Reader)) {
	t.Helper()
	if err := db.View(t.Context(), func(r kv.Reader) error { fn(r); return nil }); err != nil {
		t.Fatal(err)
	}
}

func TestAppendChains(t *testing.T) {
	t.Parallel()
	db := chain(t, 0)
	var before audit.Entry
	for i := range 5 {
		var e audit.Entry
		update(t, db, func(tx kv.Tx) (err error) {
			e, err = audit.Append(tx, entry(i))
			return err
		})
		if want := uint64(i + 1); e.Seq != want || e.Prev != before.Hash || e.Hash == before.Hash {
			t.Errorf("number %d, want %d; after %v comes %v with %v", e.Seq, want, before.Hash, e.Prev, e.Hash)
		}
		before = e
	}
	view(t, db, func(r kv.Reader) {
		if n, err := audit.Verify(r); n != 5 || err != nil {
			t.Errorf("Verify = %d, %v", n, err)
		}
		list, err := audit.List(r, 1, 100)
		if err != nil || len(list) != 5 {
			t.Fatalf("%d entries, %v", len(list), err)
		}
		want := entry(2)
		got := list[2]
		if !got.At.Equal(want.At) || got.At.Location() != time.UTC || got.Actor != want.Actor || got.About != want.About {
			t.Errorf("entry 3 is %+v", got)
		}
		var a, b any
		if json.Unmarshal(got.Detail, &a) != nil || json.Unmarshal(want.Detail, &b) != nil || !cmp.Equal(a, b) {
			t.Errorf("detail %s, want %s", got.Detail, want.Detail)
		}
		head, err := audit.ReadHead(r)
		if want := (audit.Head{Seq: 5, Hash: list[4].Hash}); head != want || err != nil {
			t.Errorf("head %v, %v; want %v", head, err, want)
		}
	})
}

// TestHashIsFixed holds the stored form: chains of older versions must verify. The
// hash was computed outside of this program, with the hashlib of Python, from the
// parts and lengths that the documentation of sum names.
func TestHashIsFixed(t *testing.T) {
	t.Parallel()
	db := chain(t, 1)
	view(t, db, func(r kv.Reader) {
		text, err := r.Get(kv.Key("audit", "entry", uint64(1)))
		if err != nil {
			t.Fatal(err)
		}
		const want = `{"seq":1,"at":"2031-05-06T05:08:09Z","actor":"invented.person","action":"ruling.made","about":"record/0",` +
			`"detail":{"why":"\u003cinvented\u003e \u0026 0","n":[1,2.50]},` +
			`"prev":"0000000000000000000000000000000000000000000000000000000000000000","hash":"HASH"}`
		list, err := audit.List(r, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Replace(string(text), list[0].Hash.String(), "HASH", 1); got != want {
			t.Errorf("stored\n%s\nwant\n%s", got, want)
		}
		if got := list[0].Hash.String(); got != "d3c1bb44446fae5235fdb5da3049fb37f2ab1715d00ab9d02b079c280a5611d0" {
			t.Errorf("hash %s", got)
		}
	})
}

func TestVerifyFindsTampering(t *testing.T) {
	t.Parallel()
	key := func(n uint64) []byte { return kv.Key("audit", "entry", n) }
	replace := func(tx kv.Tx, n uint64, old, new string) error {
		text, err := tx.Get(key(n))
		if !bytes.Contains(text, []byte(old)) {
			return errors.New("the test changes nothing")
		}
		return errors.Join(err, tx.Put(key(n), bytes.Replace(text, []byte(old), []byte(new), 1)))
	}
	for name, c := range map[string]struct {
		spoil func(tx kv.Tx) error
		good  uint64
		says  string
	}{
		"altered actor":    {func(tx kv.Tx) error { return replace(tx, 3, "invented", "other") }, 2, "entry 3 was altered"},
		"altered action":   {func(tx kv.Tx) error { return replace(tx, 3, "ruling", "other") }, 2, "entry 3 was altered"},
		"altered about":    {func(tx kv.Tx) error { return replace(tx, 3, "record/2", "record/3") }, 2, "entry 3 was altered"},
		"altered time":     {func(tx kv.Tx) error { return replace(tx, 3, "2031", "2030") }, 2, "entry 3 was altered"},
		"altered detail":   {func(tx kv.Tx) error { return replace(tx, 3, "2.50", "2.5") }, 2, "entry 3 was altered"},
		"altered number":   {func(tx kv.Tx) error { return replace(tx, 3, `"seq":3`, `"seq":4`) }, 2, "entry 3 was altered"},
		"altered hash":     {func(tx kv.Tx) error { return replace(tx, 3, `"hash":"`, `"hash":"0`) }, 2, "entry 3 cannot be read"},
		"added member":     {func(tx kv.Tx) error { return replace(tx, 3, `{"seq"`, `{"x":1,"seq"`) }, 2, "entry 3 was altered"},
		"doubled member":   {func(tx kv.Tx) error { return replace(tx, 3, `{"seq"`, `{"actor":"x","seq"`) }, 2, "entry 3 was altered"},
		"white space":      {func(tx kv.Tx) error { return replace(tx, 3, `{"seq"`, `{ "seq"`) }, 2, "entry 3 was altered"},
		"emptied":          {func(tx kv.Tx) error { return tx.Put(key(3), nil) }, 2, "entry 3 cannot be read"},
		"removed":          {func(tx kv.Tx) error { return tx.Delete(key(3)) }, 2, "entry 3 is missing"},
		"first removed":    {func(tx kv.Tx) error { return tx.Delete(key(1)) }, 0, "entry 1 is missing"},
		"end cut":          {func(tx kv.Tx) error { return tx.Delete(key(6)) }, 5, "ends at entry 5, the head says 6"},
		"all removed":      {func(tx kv.Tx) error { return removeAll(tx) }, 0, "ends at entry 0, the head says 6"},
		"head removed":     {func(tx kv.Tx) error { return tx.Delete(kv.Key("audit", "head")) }, 6, "the head says 0"},
		"head unreadable":  {func(tx kv.Tx) error { return tx.Put(kv.Key("audit", "head"), []byte("{}")) }, 0, "head cannot be read"},
		"head of before":   {headBack, 6, "the head says 5"},
		"reordered":        {swap, 2, "entry 3 was altered"},
		"renumbered":       {renumber, 2, "entry 3 does not follow"},
		"another chain":    {graft, 2, "entry 3 does not follow"},
		"a key in between": {func(tx kv.Tx) error { return tx.Put(append(key(3), 2, 0), nil) }, 3, "entry 4 is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := chain(t, 6)
			if err := db.Update(t.Context(), c.spoil); err != nil {
				t.Fatal(err)
			}
			view(t, db, func(r kv.Reader) {
				n, err := audit.Verify(r)
				if n != c.good || fault.KindOf(err) != fault.Damaged || !strings.Contains(fmt.Sprint(err), c.says) {
					t.Errorf("Verify = %d, %v; want %d and %q", n, err, c.good, c.says)
				}
			})
		})
	}
}

// removeAll removes every entry and leaves the head.
func removeAll(tx kv.Tx) error {
	from, to := kv.Prefix("audit", "entry")
	return tx.Scan(from, to, func(k, _ []byte) error { return tx.Delete(k) })
}

// swap exchanges entries 3 and 4.
func swap(tx kv.Tx) error {
	a, b := kv.Key("audit", "entry", uint64(3)), kv.Key("audit", "entry", uint64(4))
	va, err1 := tx.Get(a)
	vb, err2 := tx.Get(b)
	va, vb = bytes.Clone(va), bytes.Clone(vb)
	return errors.Join(err1, err2, tx.Put(a, vb), tx.Put(b, va))
}

// headBack puts the head to the last but one entry.
func headBack(tx kv.Tx) error {
	list, err := audit.List(tx, 5, 1)
	if err != nil {
		return err
	}
	text, err := json.Marshal(audit.Head{Seq: 5, Hash: list[0].Hash})
	return errors.Join(err, tx.Put(kv.Key("audit", "head"), text))
}

// graft puts a well-made entry 3 of another chain in place.
func graft(tx kv.Tx) error { return graftOf(tx, 100) }

// renumber makes a well-made entry 3 of what was entry 5.
func renumber(tx kv.Tx) error { return graftOf(tx, 1) }

// graftOf makes a chain of entries first, first+1, first+3 and takes its third entry.
func graftOf(tx kv.Tx, first int) error {
	other := memkv.New()
	return other.Update(context.Background(), func(o kv.Tx) error {
		for _, n := range []int{first, first + 1, first + 3} {
			if _, err := audit.Append(o, entry(n)); err != nil {
				return err
			}
		}
		text, err := o.Get(kv.Key("audit", "entry", uint64(3)))
		return errors.Join(err, tx.Put(kv.Key("audit", "entry", uint64(3)), text))
	})
}

func TestAppendRefuses(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(*audit.Entry){
		"no time":     func(e *audit.Entry) { e.At = time.Time{} },
		"no actor":    func(e *audit.Entry) { e.Actor = "" },
		"no action":   func(e *audit.Entry) { e.Action = "" },
		"bad detail":  func(e *audit.Entry) { e.Detail = []byte("{") },
		"year 20,000": func(e *audit.Entry) { e.At = e.At.AddDate(17_969, 0, 0) },
	} {
		db := chain(t, 1)
		e := entry(1)
		spoil(&e)
		err := db.Update(t.Context(), func(tx kv.Tx) error { _, err := audit.Append(tx, e); return err })
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v, want invalid", name, err)
		}
		view(t, db, func(r kv.Reader) {
			if n, err := audit.Verify(r); n != 1 || err != nil {
				t.Errorf("%s: afterwards %d, %v", name, n, err)
			}
		})
	}
}

func TestAppendRefusesABrokenEnd(t *testing.T) {
	t.Parallel()
	head, last := kv.Key("audit", "head"), kv.Key("audit", "entry", uint64(4))
	for name, spoil := range map[string]func(kv.Tx) error{
		"no head":         func(tx kv.Tx) error { return tx.Delete(head) },
		"no last entry":   func(tx kv.Tx) error { return tx.Delete(last) },
		"last altered":    func(tx kv.Tx) error { return tx.Put(last, []byte("{}")) },
		"one too many":    func(tx kv.Tx) error { return tx.Put(kv.Key("audit", "entry", uint64(5)), []byte("{}")) },
		"head unreadable": func(tx kv.Tx) error { return tx.Put(head, []byte("x")) },
		"head of another": func(tx kv.Tx) error {
			text, err := json.Marshal(audit.Head{Seq: 4, Hash: audit.Hash{1}})
			return errors.Join(err, tx.Put(head, text))
		},
	} {
		db := chain(t, 4)
		update(t, db, spoil)
		err := db.Update(t.Context(), func(tx kv.Tx) error { _, err := audit.Append(tx, entry(9)); return err })
		if fault.KindOf(err) != fault.Damaged || fault.HintOf(err) == "" {
			t.Errorf("%s: %v, want damaged", name, err)
		}
	}
}

func TestOddTextsVerify(t *testing.T) {
	t.Parallel()
	db := chain(t, 0)
	for _, odd := range []string{"\xff\xfe", "\u2028", "<>&", "ä", "\x00", `"`} {
		e := entry(1)
		e.Actor, e.About = odd, odd
		e.Detail, _ = json.Marshal(odd)
		update(t, db, func(tx kv.Tx) error { _, err := audit.Append(tx, e); return err })
	}
	for _, detail := range []string{"null", "0", `[ ]`, `{"a":1,"a":2}`, "1e999", `"\u0041"`, " 1\n", ""} {
		e := entry(1)
		e.Detail = json.RawMessage(detail)
		update(t, db, func(tx kv.Tx) error { _, err := audit.Append(tx, e); return err })
	}
	view(t, db, func(r kv.Reader) {
		if n, err := audit.Verify(r); n != 14 || err != nil {
			t.Errorf("Verify = %d, %v", n, err)
		}
	})
}

func TestList(t *testing.T) {
	t.Parallel()
	db := chain(t, 6)
	for _, c := range []struct {
		from  uint64
		limit int
		want  []uint64
	}{
		{1, 100, []uint64{1, 2, 3, 4, 5, 6}}, {0, 2, []uint64{1, 2}}, {5, 2, []uint64{5, 6}},
		{6, 1, []uint64{6}}, {7, 10, nil}, {1, 0, nil},
	} {
		view(t, db, func(r kv.Reader) {
			list, err := audit.List(r, c.from, c.limit)
			var got []uint64
			for _, e := range list {
				got = append(got, e.Seq)
			}
			if err != nil || !cmp.Equal(got, c.want) {
				t.Errorf("List(%d, %d) = %v, %v; want %v", c.from, c.limit, got, err, c.want)
			}
		})
	}
}

func FuzzStoredEntry(f *testing.F) {
	db := chain(f, 1)
	view(f, db, func(r kv.Reader) {
		text, _ := r.Get(kv.Key("audit", "entry", uint64(1)))
		f.Add(bytes.Clone(text))
	})
	f.Add([]byte("{}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		db := chain(t, 2)
		key := kv.Key("audit", "entry", uint64(1))
		same := false
		update(t, db, func(tx kv.Tx) error {
			old, err := tx.Get(key)
			same = bytes.Equal(old, text)
			return errors.Join(err, tx.Put(key, text))
		})
		view(t, db, func(r kv.Reader) {
			if n, err := audit.Verify(r); (err == nil) != same {
				t.Errorf("entry %q: Verify = %d, %v", text, n, err)
			}
		})
	})
}

func BenchmarkAppend(b *testing.B) {
	db := memkv.New()
	for b.Loop() {
		update(b, db, func(tx kv.Tx) error { _, err := audit.Append(tx, entry(1)); return err })
	}
}

func BenchmarkVerify(b *testing.B) {
	db := chain(b, 1000)
	for b.Loop() {
		view(b, db, func(r kv.Reader) {
			if n, err := audit.Verify(r); n != 1000 || err != nil {
				b.Fatal(n, err)
			}
		})
	}
}
