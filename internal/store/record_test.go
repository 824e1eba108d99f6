package store

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A record comes back as it was, whatever its texts hold.
func FuzzRecord(f *testing.F) {
	f.Add("Procedure/x", `,"body":`, []byte(`{"a":1}`), []byte(`{"v":1,"body":`))
	f.Add("", `"}`, []byte(nil), []byte(`{"v":1,"fate":"used","unread":`))
	f.Add("a\x00b", "ä", []byte(`{"body":{"body":[]}}`), []byte(`{"v":1,"fate":"","body":{}}`))
	f.Fuzz(func(t *testing.T, ref, why string, body, anything []byte) {
		_, _ = decodeRecord(anything) // whatever is stored, it is an error at most
		_, _, _ = fateOf(anything)
		rec := Record{Patient: why, Ref: ref, FullURL: why, File: ref, Why: why, Hash: "h", Fate: FateUsed, Line: 3, Body: body}
		text, err := rec.encode()
		if err != nil {
			t.Fatal(err)
		}
		got, err := decodeRecord(text)
		if err != nil {
			t.Fatal(err)
		}
		if got.Body == nil {
			got.Body = rec.Body
		}
		if !bytes.Contains(text, []byte(`\ufffd`)) {
			if diff := cmp.Diff(rec, got); diff != "" {
				t.Error(diff)
			}
		}
		if fate, unread, err := fateOf(text); fate != FateUsed || unread || err != nil {
			t.Errorf("fate %q, %v, %v", fate, unread, err)
		}
	})
}
