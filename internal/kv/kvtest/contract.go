package kvtest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

func testAbsence(t *testing.T, db kv.DB) {
	check := func(r kv.Reader) error {
		for key, want := range map[string]bool{"absent": false, "empty": true, "nil": true} {
			v, err := r.Get([]byte(key))
			if err != nil || len(v) != 0 || (v != nil) != want {
				t.Errorf("Get(%s) = %#v, %v; want nil: %v", key, v, err, !want)
			}
		}
		return nil
	}
	update(t, db, func(tx kv.Tx) error {
		if err := errors.Join(tx.Put([]byte("empty"), []byte{}), tx.Put([]byte("nil"), nil),
			tx.Delete([]byte("absent"))); err != nil {
			return err
		}
		return check(tx)
	})
	view(t, db, check)
	view(t, db, func(r kv.Reader) error {
		return r.Scan(nil, nil, func(k, v []byte) error {
			if v == nil {
				t.Errorf("Scan gave nil for %q", k)
			}
			return nil
		})
	})
}

func testRanges(t *testing.T, db kv.DB) {
	wantKeys(t, db, "")
	fill(t, db, "b", "a", "ab", "\xff\xff", "c", "a\x00", "\x00")
	for _, c := range []struct {
		from, to []byte
		want     string
	}{
		{nil, nil, "\x00 a a\x00 ab b c \xff\xff"},
		{[]byte("a"), nil, "a a\x00 ab b c \xff\xff"},
		{nil, []byte("a"), "\x00"},
		{[]byte("a"), []byte("b"), "a a\x00 ab"},
		{[]byte("aa"), []byte("bb"), "ab b"},
		{[]byte("b"), []byte("b"), ""},
		{[]byte("c"), []byte("a"), ""},
		{[]byte("d"), []byte("e"), ""},
		{[]byte{}, []byte{}, ""},
		{[]byte("\xff\xff\xff"), nil, ""},
	} {
		within := func(r kv.Reader) error {
			got, err := collect(r, c.from, c.to)
			var names []string
			for _, p := range got {
				if p.Value != "v"+p.Key {
					t.Errorf("value of %q is %q", p.Key, p.Value)
				}
				names = append(names, p.Key)
			}
			if got := fmt.Sprintf("%q", names); got != fmt.Sprintf("%q", splitNames(c.want)) {
				t.Errorf("Scan(%q, %q) = %s, want %q", c.from, c.to, got, c.want)
			}
			return err
		}
		view(t, db, within)
		update(t, db, func(tx kv.Tx) error { return within(tx) })
	}
}

// splitNames is strings.Fields that leaves zero bytes alone.
func splitNames(s string) (names []string) {
	for name := range bytes.SplitSeq([]byte(s), []byte(" ")) {
		if len(name) > 0 {
			names = append(names, string(name))
		}
	}
	return names
}

func testScanEnds(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b", "c")
	for _, c := range []struct{ give, want error }{
		{kv.Stop, nil},
		{fmt.Errorf("enough: %w", kv.Stop), nil},
		{io.ErrUnexpectedEOF, io.ErrUnexpectedEOF},
	} {
		calls := 0
		view(t, db, func(r kv.Reader) error {
			err := r.Scan(nil, nil, func(k, _ []byte) error {
				if calls++; string(k) == "b" {
					return c.give
				}
				return nil
			})
			if err != c.want {
				t.Errorf("Scan with %v returned %v, want %v", c.give, err, c.want)
			}
			return nil
		})
		if calls != 2 {
			t.Errorf("Scan with %v called %d times, want 2", c.give, calls)
		}
	}
	err := db.View(t.Context(), func(kv.Reader) error { return io.ErrNoProgress })
	if err != io.ErrNoProgress {
		t.Errorf("View returned %v, want fn's own error", err)
	}
}

func testScanChanges(t *testing.T, db kv.DB) {
	const n = 500
	update(t, db, func(tx kv.Tx) error {
		for i := range n {
			if err := tx.Put(kv.Key("k", uint64(i)), bytes.Repeat([]byte("x"), 90)); err != nil {
				return err
			}
		}
		return nil
	})
	from, to := kv.Prefix("k")
	seen := 0
	update(t, db, func(tx kv.Tx) error { // delete each key as it is seen, rewriting a far one
		seen = 0
		return tx.Scan(from, to, func(k, v []byte) error {
			if string(v) != string(bytes.Repeat([]byte("x"), 90)) {
				t.Errorf("key %x has value %q", k, v)
			}
			seen++
			return errors.Join(tx.Delete(k), tx.Put(kv.Key("other", uint64(seen)), v))
		})
	})
	if seen != n {
		t.Errorf("saw %d keys while deleting them, want %d", seen, n)
	}
	view(t, db, func(r kv.Reader) error {
		left, err := collect(r, from, to)
		moved, err2 := collect(r, kv.Key("other"), nil)
		if len(left) != 0 || len(moved) != n {
			t.Errorf("%d keys left and %d moved, want 0 and %d", len(left), len(moved), n)
		}
		return errors.Join(err, err2)
	})
	testScanSeesAhead(t, db)
}

func testScanSeesAhead(t *testing.T, db kv.DB) {
	var seen string
	update(t, db, func(tx kv.Tx) error {
		seen = ""
		for _, k := range []string{"z1", "z3", "z5"} {
			if err := tx.Put([]byte(k), nil); err != nil {
				return err
			}
		}
		return tx.Scan([]byte("z"), nil, func(k, v []byte) error {
			seen += string(k) + "=" + string(v) + " "
			if string(k) != "z3" {
				return nil
			}
			return errors.Join(tx.Put([]byte("z0"), nil), tx.Put([]byte("z3"), []byte("new")),
				tx.Put([]byte("z4"), []byte("4")), tx.Delete([]byte("z5")))
		})
	})
	if want := "z1= z3= z4=4 "; seen != want {
		t.Errorf("scan saw %q, want %q", seen, want)
	}
	view(t, db, func(r kv.Reader) error {
		got, err := collect(r, []byte("z"), nil)
		if want := []pair{{"z0", ""}, {"z1", ""}, {"z3", "new"}, {"z4", "4"}}; !cmp.Equal(got, want) {
			t.Errorf("stored %q, want %q", got, want)
		}
		return err
	})
}

func testPutCopies(t *testing.T, db kv.DB) {
	update(t, db, func(tx kv.Tx) error {
		key, value := []byte("key"), []byte("value")
		if err := tx.Put(key, value); err != nil {
			return err
		}
		copy(key, "xxx")
		copy(value, "xxxxx")
		return nil
	})
	view(t, db, func(r kv.Reader) error {
		if v, err := r.Get([]byte("key")); err != nil || string(v) != "value" {
			t.Errorf("Get = %q, %v; the store kept the caller's slice", v, err)
		}
		return nil
	})
}

func testBytes(t *testing.T, db kv.DB) {
	every := make([]byte, 256)
	for i := range every {
		every[i] = byte(i)
	}
	big := bytes.Repeat(every, 3<<20/len(every))
	values := map[string][]byte{"every": every, "big": big, string(every): every, "json": []byte(`{"b": 1, "a":  "<&>"}`)}
	update(t, db, func(tx kv.Tx) error {
		for k, v := range values {
			if err := tx.Put([]byte(k), v); err != nil {
				return err
			}
		}
		return nil
	})
	view(t, db, func(r kv.Reader) error {
		for k, want := range values {
			if v, err := r.Get([]byte(k)); err != nil || !bytes.Equal(v, want) {
				t.Errorf("value of %q: %d bytes, %v; want the %d put", k, len(v), err, len(want))
			}
		}
		return nil
	})
}

func testLimits(t *testing.T, db kv.DB) {
	longest := bytes.Repeat([]byte("k"), kv.MaxKey)
	largest := make([]byte, kv.MaxValue+1)
	update(t, db, func(tx kv.Tx) error {
		wantKind(t, "empty key", tx.Put(nil, nil), fault.Invalid)
		wantKind(t, "long key", tx.Put(append(longest, 'k'), nil), fault.Invalid)
		wantKind(t, "large value", tx.Put([]byte("a"), largest), fault.Invalid)
		wantKind(t, "delete of an empty key", tx.Delete(nil), fault.Invalid)
		wantKind(t, "delete of a long key", tx.Delete(append(longest, 'k')), fault.Invalid)
		return tx.Put(longest, []byte("v"))
	})
	view(t, db, func(r kv.Reader) error {
		for _, key := range [][]byte{nil, append(longest, 'k')} {
			if v, err := r.Get(key); v != nil || err != nil {
				t.Errorf("Get of an impossible key = %q, %v; want absent", v, err)
			}
		}
		return nil
	})
	wantKeys(t, db, string(longest))
}

func testOwnChanges(t *testing.T, db kv.DB) {
	fill(t, db, "a", "b", "c")
	update(t, db, func(tx kv.Tx) error {
		err := errors.Join(tx.Put([]byte("b"), []byte("new")), tx.Put([]byte("bb"), []byte("bb")), tx.Delete([]byte("c")))
		got, err2 := collect(tx, nil, nil)
		if want := []pair{{"a", "va"}, {"b", "new"}, {"bb", "bb"}}; !cmp.Equal(got, want) {
			t.Errorf("within the transaction: %q, want %q", got, want)
		}
		v, err3 := tx.Get([]byte("c"))
		if v != nil {
			t.Errorf("a deleted key reads %q", v)
		}
		return errors.Join(err, err2, err3)
	})
	wantKeys(t, db, "a b bb")
}
