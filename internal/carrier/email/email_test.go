package email_test

import (
	"bytes"
	"context"
	"encoding/json"
	netmail "net/mail"
	"os"
	"path/filepath"
	"testing"
	"time"

	"perennial/internal/carrier/email"
	"perennial/internal/day"
	"perennial/internal/digest"
	"perennial/internal/fault"
	"perennial/internal/mail"
	"perennial/internal/outbox"
)

func item(t *testing.T) outbox.Item {
	t.Helper()
	l, err := digest.Write(digest.Input{Site: "Example Harbour", On: day.Of(2026, 3, 3)}, "nurse@example.org")
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	return outbox.Item{Key: l.Key, Kind: outbox.KindDigest, Body: body, Added: time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)}
}

// A letter, through its stored form, becomes a file that a mail program reads;
// carried twice it is still one.
func TestCarryToFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	c := email.Carrier{From: "surveillance@example.org", Out: mail.Folder{Dir: dir}}
	var names [2]string
	for i := range names {
		name, err := c.Carry(context.Background(), item(t))
		if err != nil {
			t.Fatal(err)
		}
		names[i] = name
	}
	files, _ := os.ReadDir(dir)
	if names[0] != names[1] || len(files) != 1 {
		t.Errorf("%v, %d files", names, len(files))
	}
	text, err := os.ReadFile(filepath.Join(dir, names[0]))
	if err != nil {
		t.Fatal(err)
	}
	m, err := netmail.ReadMessage(bytes.NewReader(text))
	if err != nil || m.Header.Get("To") != "<nurse@example.org>" || m.Header.Get("Date") != "Tue, 03 Mar 2026 07:00:00 +0000" || m.Header.Get("Subject") == "" {
		t.Errorf("%v, %v", m.Header, err)
	}
}

func TestCarries(t *testing.T) {
	t.Parallel()
	if c := (email.Carrier{}); !c.Carries(outbox.KindDigest) || c.Carries(outbox.KindTask) {
		t.Error("it carries something else than digests")
	}
}

// A body that is no letter is final: it will not get better.
func TestBodyThatIsNoLetter(t *testing.T) {
	t.Parallel()
	for _, body := range []string{"", "{", "{}", `{"key":"k"}`, `[1]`} {
		it := item(t)
		it.Body = json.RawMessage(body)
		dir := t.TempDir()
		_, err := email.Carrier{From: "a@example.org", Out: mail.Folder{Dir: dir}}.Carry(context.Background(), it)
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q: %v", body, err)
		}
		if files, _ := os.ReadDir(dir); len(files) > 0 {
			t.Errorf("%q: a file was written", body)
		}
	}
}
