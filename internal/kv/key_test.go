package kv_test

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"perennial/internal/fault"
	"perennial/internal/kv"
)

// TestKeyBytes fixes the encoding: stored files depend on it.
func TestKeyBytes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		parts []any
		want  string
	}{
		{[]any{}, ""},
		{[]any{""}, "\x02\x00"},
		{[]any{"ab", "c"}, "\x02ab\x00\x02c\x00"},
		{[]any{"a\x00b"}, "\x02a\x00\xffb\x00"},
		{[]any{uint64(1)}, "\x03\x00\x00\x00\x00\x00\x00\x00\x01"},
		{[]any{int32(0)}, "\x04\x80\x00\x00\x00"},
		{[]any{int32(-1)}, "\x04\x7f\xff\xff\xff"},
		{[]any{namedString("x"), namedDay(1)}, "\x02x\x00\x04\x80\x00\x00\x01"},
	} {
		if got := string(kv.Key(c.parts...)); got != c.want {
			t.Errorf("Key(%q) = %q, want %q", c.parts, got, c.want)
		}
	}
}

type (
	namedString string
	namedDay    int32
)

func TestKeyPanicsAtOtherTypes(t *testing.T) {
	t.Parallel()
	for _, part := range []any{nil, 1, []byte("a"), 1.5, true} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("Key(%T) did not panic", part)
				}
			}()
			kv.Key(part)
		}()
	}
}

// parts draws tuples of a fixed shape, so that any two can be compared.
func parts(t *rapid.T, label string) []any {
	s := rapid.OneOf(rapid.String(), rapid.StringOfN(rapid.SampledFrom([]rune{0, 1, 'a', 0xff}), 0, 4, -1))
	return []any{
		s.Draw(t, label+" s"),
		rapid.OneOf(rapid.Int32Range(-2, 2), rapid.Int32()).Draw(t, label+" day"),
		rapid.OneOf(rapid.Uint64Range(0, 3), rapid.Uint64()).Draw(t, label+" n"),
		s.Draw(t, label+" s2"),
	}
}

// order compares tuples part by part, independently of the encoding.
func order(a, b []any) int {
	for i := range a {
		c := 0
		switch x := a[i].(type) {
		case string:
			c = strings.Compare(x, b[i].(string))
		case int32:
			c = sign(x < b[i].(int32), x > b[i].(int32))
		case uint64:
			c = sign(x < b[i].(uint64), x > b[i].(uint64))
		}
		if c != 0 {
			return c
		}
	}
	return 0
}

func sign(less, more bool) int {
	switch {
	case less:
		return -1
	case more:
		return 1
	}
	return 0
}

func TestKeyOrderIsThePartsOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := parts(t, "a"), parts(t, "b")
		if got, want := bytes.Compare(kv.Key(a...), kv.Key(b...)), order(a, b); got != want {
			t.Fatalf("keys of %q and %q compare %d, parts %d", a, b, got, want)
		}
	})
}

func TestPrefixHoldsExactlyTheKeysThatBeginWithIt(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p, k := parts(t, "prefix"), parts(t, "key")
		if rapid.Bool().Draw(t, "related") {
			copy(k, p[:rapid.IntRange(0, 4).Draw(t, "shared")])
		}
		n := rapid.IntRange(0, 4).Draw(t, "parts of the prefix")
		from, to := kv.Prefix(p[:n]...)
		key := kv.Key(k...)
		inside := bytes.Compare(key, from) >= 0 && (to == nil || bytes.Compare(key, to) < 0)
		if want := cmp.Equal(p[:n], k[:n]); inside != want {
			t.Fatalf("key %q in the range of prefix %q: %v, want %v", k, p[:n], inside, want)
		}
	})
}

func TestPrefixKeepsNeighboursOut(t *testing.T) {
	t.Parallel()
	from, to := kv.Prefix("ab")
	for _, other := range [][]byte{kv.Key("abc"), kv.Key("a"), kv.Key("ab\x00"), kv.Key("ac")} {
		if bytes.Compare(other, from) >= 0 && bytes.Compare(other, to) < 0 {
			t.Errorf("%q is in the range of Prefix(ab)", other)
		}
	}
	if from, to := kv.Prefix(); from != nil || to != nil {
		t.Error("Prefix() is not everything")
	}
	if _, to := kv.Prefix(uint64(math.MaxUint64)); !bytes.Equal(to, append(kv.Key(uint64(math.MaxUint64)), 0xff)) {
		t.Errorf("Prefix of the greatest number ends at %x", to)
	}
}

// FuzzSplit checks that what Split takes, Key makes again, and that nothing panics.
func FuzzSplit(f *testing.F) {
	f.Add(kv.Key("a\x00b", uint64(7), int32(-7), ""))
	f.Add([]byte{2, 'a'})
	f.Add([]byte{3, 1, 2})
	f.Add([]byte{9})
	f.Fuzz(func(t *testing.T, key []byte) {
		parts, err := kv.Split(key)
		if err != nil {
			return
		}
		if got := kv.Key(parts...); !bytes.Equal(got, key) {
			t.Errorf("Split(%x) = %q, Key of it = %x", key, parts, got)
		}
	})
}

func TestSplitTakesKeysApart(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := parts(t, "key")
		got, err := kv.Split(kv.Key(want...))
		if err != nil || !cmp.Equal(got, want) {
			t.Fatalf("Split(Key(%q)) = %q, %v", want, got, err)
		}
	})
	for _, bad := range []string{"\x02a", "\x02a\x00\xff", "\x03\x00", "\x04\x00", "\x05", "\x00"} {
		if parts, err := kv.Split([]byte(bad)); err == nil {
			t.Errorf("Split(%q) = %q, want an error", bad, parts)
		}
	}
}

func TestCheckPair(t *testing.T) {
	t.Parallel()
	long := bytes.Repeat([]byte("k"), kv.MaxKey)
	if err := kv.CheckPair(long, nil); err != nil {
		t.Error(err)
	}
	huge := make([]byte, kv.MaxValue+1)
	if err := kv.CheckPair([]byte("k"), huge[:kv.MaxValue]); err != nil {
		t.Error(err)
	}
	for name, err := range map[string]error{
		"empty key":  kv.CheckPair(nil, nil),
		"long key":   kv.CheckPair(append(long, 'k'), nil),
		"huge value": kv.CheckPair([]byte("k"), huge),
	} {
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v, want invalid", name, err)
		}
		if err != nil && strings.Contains(err.Error(), "kk") {
			t.Errorf("%s: the key is in the text", name)
		}
	}
}
