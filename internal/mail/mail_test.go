package mail_test

import (
	"bytes"
	"context"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/mail"
)

func message() mail.Message {
	return mail.Message{Key: "digest|2026-03-03|nurse@example.org", From: "Überwachung Hafen <surveillance@example.org>", To: "nurse@example.org",
		Date: time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC), Subject: "Example Harbour: 3 changed, Überfällig 1", Text: "Grüße\n.\nFrom here on\n" + strings.Repeat("long ", 300), HTML: "<p>Grüße</p>"}
}

// A message is read back by the standard library, which is another hand than
// the one that wrote it: headers of RFC 5322 and 3834, two parts in the order
// that RFC 2046 section 5.1.4 asks for (the plainest first).
func TestMessage(t *testing.T) {
	t.Parallel()
	m := message()
	text, err := m.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	if again, _ := m.Bytes(); !bytes.Equal(again, text) {
		t.Error("the same message gave other bytes")
	}
	checkMessage(t, text, m)
}

// checkMessage reads a message as it travels, or as it arrived.
func checkMessage(t *testing.T, text []byte, m mail.Message) {
	t.Helper()
	for line := range bytes.Lines(text) {
		if len(line) > 1000 || !bytes.HasSuffix(line, []byte("\r\n")) { // RFC 5321, 4.5.3.1.6
			t.Errorf("a line of %d bytes ends with %q", len(line), line[max(0, len(line)-2):])
		}
	}
	got, err := netmail.ReadMessage(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	head := got.Header
	subject, _ := new(mime.WordDecoder).DecodeHeader(head.Get("Subject"))
	if subject != m.Subject || head.Get("Message-ID") != "<"+m.ID()+">" || head.Get("Auto-Submitted") != "auto-generated" || head.Get("X-Auto-Response-Suppress") != "All" {
		t.Errorf("headers %v", head)
	}
	for _, name := range []string{"From", "To", "Date", "Subject", "Message-Id", "Auto-Submitted", "Content-Type"} {
		if len(head[name]) != 1 {
			t.Errorf("%s: %d times", name, len(head[name]))
		}
	}
	for _, name := range []string{"Cc", "Bcc", "X-Mailer", "User-Agent"} {
		if head.Get(name) != "" {
			t.Errorf("%s: %s", name, head.Get(name))
		}
	}
	if to, err := head.AddressList("To"); err != nil || len(to) != 1 || to[0].Address != m.To {
		t.Errorf("To: %v, %v", to, err)
	}
	if from, err := head.AddressList("From"); err != nil || len(from) != 1 || from[0].Name != "Überwachung Hafen" || from[0].Address != "surveillance@example.org" {
		t.Errorf("From: %v, %v", from, err)
	}
	if on, err := head.Date(); err != nil || !on.Equal(m.Date) {
		t.Errorf("Date: %v, %v", on, err)
	}
	checkParts(t, head.Get("Content-Type"), got.Body, m)
}

func checkParts(t *testing.T, contentType string, body io.Reader, m mail.Message) {
	t.Helper()
	kind, params, err := mime.ParseMediaType(contentType)
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s: %v", contentType, err)
	}
	parts := multipart.NewReader(body, params["boundary"])
	for i, want := range []struct{ kind, text string }{{"text/plain", m.Text}, {"text/html", m.HTML}} {
		p, err := parts.NextRawPart()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(quotedprintable.NewReader(p))
		if err != nil || !strings.HasPrefix(p.Header.Get("Content-Type"), want.kind) {
			t.Errorf("part %d: %v, %v", i, p.Header, err)
		}
		if got := strings.TrimRight(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n"); got != strings.TrimRight(want.text, "\n") {
			t.Errorf("part %d: %q", i, got)
		}
	}
	if _, err := parts.NextRawPart(); err != io.EOF {
		t.Errorf("a third part: %v", err)
	}
}

func TestMessageID(t *testing.T) {
	t.Parallel()
	a, b := message(), message()
	b.Subject, b.Text = "other", "other"
	if a.ID() != b.ID() {
		t.Error("the ID depends on more than the key")
	}
	b.Key += "x"
	if a.ID() == b.ID() || !strings.HasSuffix(a.ID(), "@example.org") || strings.Contains(a.ID(), "nurse") {
		t.Errorf("ids %s and %s", a.ID(), b.ID())
	}
}

// Line breaks in what comes from outside never make a header.
func TestInjection(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*mail.Message){
		"subject": func(m *mail.Message) { m.Subject = "x\r\nBcc: all@example.org" },
		"to":      func(m *mail.Message) { m.To = "nurse@example.org\r\nBcc: all@example.org" },
		"two":     func(m *mail.Message) { m.To = "nurse@example.org, other@example.org" },
		"from":    func(m *mail.Message) { m.From = "a@example.org\nBcc: all@example.org" },
		"nobody":  func(m *mail.Message) { m.To = "" },
		"no key":  func(m *mail.Message) { m.Key = "" },
		"no text": func(m *mail.Message) { m.Text = " " },
		"no date": func(m *mail.Message) { m.Date = time.Time{} },
	} {
		m := message()
		change(&m)
		text, err := m.Bytes()
		if fault.KindOf(err) != fault.Invalid || text != nil {
			t.Errorf("%s: %v\n%s", name, err, text)
		}
		if err != nil && strings.Contains(err.Error(), "@") {
			t.Errorf("%s: the error repeats an address: %v", name, err)
		}
	}
}

func TestFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "out", "mail")
	f := mail.Folder{Dir: dir}
	name, err := f.Send(context.Background(), message())
	if err != nil {
		t.Fatal(err)
	}
	again, err := f.Send(context.Background(), message())
	files, _ := os.ReadDir(dir)
	if err != nil || again != name || len(files) != 1 || !strings.HasPrefix(name, "2026-03-03-") || !strings.HasSuffix(name, ".eml") {
		t.Errorf("%s, then %s, %v; %d files", name, again, err, len(files))
	}
	if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
	blocked := filepath.Join(dir, name, "below") // a file stands where a folder should
	if _, err := (mail.Folder{Dir: blocked}).Send(context.Background(), message()); err == nil || fault.HintOf(err) == "" {
		t.Errorf("%v", err)
	}
}
