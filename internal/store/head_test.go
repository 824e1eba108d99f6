package store

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Heads as this program writes them are read the plain way.
func TestPlainHead(t *testing.T) {
	t.Parallel()
	want := Record{Patient: "p1", Ref: "ImagingStudy/1", Version: "2", Updated: 1700000000000, Hash: "abc", Source: "files", File: "a/b.ndjson", Line: 12,
		FullURL: "urn:uuid:1", At: 1700000000001, Seq: 7, Fate: FateUsed, Why: "why", Unread: true}
	text, err := want.encode()
	if err != nil {
		t.Fatal(err)
	}
	got, ok := plainHead(string(bytes.TrimSuffix(text, []byte("}"))))
	if !ok {
		t.Fatalf("%s is not read the plain way", text)
	}
	if diff := cmp.Diff(want.stored(), got); diff != "" {
		t.Error(diff)
	}
}

// FuzzPlainHead: what is read the plain way is read as any reader of JSON does.
func FuzzPlainHead(f *testing.F) {
	for _, head := range []string{`{"v":1,"fate":"used","unread":false,"ref":"A/1","hash":"h","at":5,"seq":6`, `{"v":1,"fate":"used"`, `{"v":01`, `{"v":-1`, `{"v":1.5`, `{"v":1e3`, `{"v":9999999999999999999`,
		`{"seq":999999999999999999,"seq":2`, `{`, ``, `{"unread":true`, `{"unread":truefalse`, `{"why":"a\"b"`, `{"why":"ä"`, "{\"why\":\"\x01\"", `{"why":"a\nb"`, "{\"why\":\"\xc3(\"", `{"Ref":"A"`, `{"ref":null`, `{"ref" :"A"`, `{"ref":"A"}`, `{"ref":"A",`, `{"line":0,"file":""`} {
		f.Add(head)
	}
	f.Fuzz(func(t *testing.T, head string) {
		got, ok := plainHead(head)
		if !ok {
			return
		}
		var want stored
		if err := json.Unmarshal([]byte(head+"}"), &want); err != nil {
			t.Fatalf("%s is read, which is no JSON: %v", head, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s:\n%s", head, diff)
		}
	})
}
