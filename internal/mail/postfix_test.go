package mail_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/mail"
	"perennial/internal/testkit/mailrig"
)

// Mailboxes of the tests; nobody has the last one.
const (
	nurse   = "nurse@example.org"
	lead    = "lead@example.org"
	quality = "quality@example.org"
	later   = "later@example.org"
	nobody  = "nobody@example.org"
)

// to is the message of the other tests, for an address, with all that a mail
// server may spoil: long lines with and without blanks, letters of other
// alphabets, blanks at the end of a line, lines that begin with a dot or From.
func to(address string) mail.Message {
	m := message()
	m.To, m.Key = address, "digest|2026-03-03|"+address
	m.Text = "Grüße, Łódź, αβγ, 漢字 🫀\n" + strings.Repeat("x", 3000) + "\n" + strings.Repeat("Prüfung über ", 300) + "\nblanks  \n.\n..\n.x\n\nFrom here on\n=3D\n"
	m.HTML = "<p>Grüße &amp; αβγ</p><p>" + strings.Repeat("Prüfung", 500) + "</p>\n<p>" + strings.Repeat("über den Fluß ", 300) + "</p>"
	return m
}

func through(r *mailrig.Rig) *mail.Server {
	return &mail.Server{Host: r.Host, Port: r.Port, User: r.User, Password: r.Password, Roots: r.Roots, Timeout: 15 * time.Second}
}

// Postfix and Dovecot, as hospitals run them, take the message and show it as it
// was sent, refuse what they should refuse, and what they say is understood.
func TestPostfix(t *testing.T) {
	t.Parallel()
	r := mailrig.Start(t, nurse, lead, quality, later)
	t.Run("together", func(t *testing.T) {
		t.Run("arrives once", func(t *testing.T) { t.Parallel(); arrivesOnce(t, r) })
		t.Run("every way to log in", func(t *testing.T) { t.Parallel(); everyLogin(t, r) })
		t.Run("refused", func(t *testing.T) { t.Parallel(); saysNo(t, r) })
		t.Run("no way in", func(t *testing.T) { t.Parallel(); noWayIn(t, r) })
	})
	t.Run("down", func(t *testing.T) { down(t, r) })
}

// One message arrives once, whole; sent again it is the same message.
func arrivesOnce(t *testing.T, r *mailrig.Rig) {
	m := to(nurse)
	for n := 1; n <= 2; n++ {
		receipt, err := through(r).Send(context.Background(), m)
		if err != nil || receipt != m.ID() {
			t.Fatalf("%q, %v", receipt, err)
		}
		got := r.Mailbox(t, nurse)
		if len(got) != n {
			t.Fatalf("after %d sendings there are %d messages", n, len(got))
		}
		checkMessage(t, []byte(got[n-1]), m) // with its Message-ID
	}
}

// Every way to log in that Dovecot offers is understood, and a wrong password
// is told as such in each.
func everyLogin(t *testing.T, r *mailrig.Rig) {
	n := 0
	for way, port := range r.Logins {
		s := through(r)
		s.Port = port
		if _, err := s.Send(context.Background(), to(lead)); err != nil {
			t.Errorf("%s: %v", way, err)
			continue
		}
		if n++; len(r.Mailbox(t, lead)) != n {
			t.Errorf("%s: it did not arrive", way)
		}
		s.Password = "guess"
		_, err := s.Send(context.Background(), to(lead))
		if fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), "refused the login") || !strings.Contains(fault.HintOf(err), "mail.user") {
			t.Errorf("%s, wrong password: %v (%s)", way, err, fault.HintOf(err))
		}
	}
	if got := r.Mailbox(t, lead); n < 5 || len(got) != n {
		t.Errorf("%d ways, %d messages", n, len(got))
	}
}

// What Postfix says no to, in its own words, and what becomes of it.
func saysNo(t *testing.T, r *mailrig.Rig) {
	r.Answer(t, later, "450 4.2.0 Greylisted, see "+nurse)
	for name, c := range map[string]struct {
		change func(*mail.Server, *mail.Message)
		want   fault.Kind
		words  string // of the error
		hint   string // a word of it
	}{
		"unknown recipient": {func(_ *mail.Server, m *mail.Message) { m.To = nobody }, fault.Invalid, "550", "addresses"},
		"greylisted":        {func(_ *mail.Server, m *mail.Message) { m.To = later }, fault.Unavailable, "450", "later"},
		"too big":           {func(_ *mail.Server, m *mail.Message) { m.Text = strings.Repeat("x\n", mailrig.SizeLimit) }, fault.Invalid, "552", "big"},
		"no login":          {func(s *mail.Server, _ *mail.Message) { s.User, s.Password = "", "" }, fault.Unavailable, "553", "mail.user"},
		"foreign sender":    {func(_ *mail.Server, m *mail.Message) { m.From = lead }, fault.Unavailable, "553", "mail.from"},
	} {
		s, m := through(r), to(quality)
		c.change(s, &m)
		_, err := s.Send(context.Background(), m)
		if fault.KindOf(err) != c.want {
			t.Errorf("%s: %v (%v)", name, err, fault.KindOf(err))
		}
		if err == nil || !strings.Contains(err.Error(), c.words) || !strings.Contains(fault.HintOf(err), c.hint) {
			t.Errorf("%s: %v (%s)", name, err, fault.HintOf(err))
		}
		if text := fmt.Sprint(err, fault.HintOf(err)); strings.Contains(text, "@") || strings.Contains(text, r.Password) {
			t.Errorf("%s: the error repeats an address or the password: %v", name, text)
		}
	}
	if got := append(r.Mailbox(t, quality), r.Mailbox(t, later)...); len(got) != 0 {
		t.Errorf("%d messages arrived", len(got))
	}
}

// Where the server cannot be trusted or does not encrypt, nothing is said to it.
func noWayIn(t *testing.T, r *mailrig.Rig) {
	for name, c := range map[string]struct {
		change func(*mail.Server)
		words  string // of the error
		hint   string // a word of it
	}{
		"unknown authority": {func(s *mail.Server) { s.Roots = nil }, "its certificate is not trusted", "authority"},
		"another name":      {func(s *mail.Server) { s.Host = "localhost" }, "its certificate is not trusted", "mail.host"},
		"no STARTTLS":       {func(s *mail.Server) { s.Port = r.ClearPort }, "no encryption by STARTTLS", "STARTTLS"},
	} {
		s := through(r)
		c.change(s)
		_, err := s.Send(context.Background(), to(quality))
		if fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), c.words) || !strings.Contains(fault.HintOf(err), c.hint) {
			t.Errorf("%s: %v (%v, %s)", name, err, fault.KindOf(err), fault.HintOf(err))
		}
	}
	if got := r.Mailbox(t, quality); len(got) != 0 {
		t.Errorf("%d messages arrived", len(got))
	}
}

// While the server is down the message waits, afterwards it goes.
func down(t *testing.T, r *mailrig.Rig) {
	before := len(r.Mailbox(t, quality))
	r.Down(t)
	if _, err := through(r).Send(context.Background(), to(quality)); fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), "no connection") {
		t.Errorf("%v (%v)", err, fault.KindOf(err))
	}
	r.Up(t)
	if _, err := through(r).Send(context.Background(), to(quality)); err != nil {
		t.Error(err)
	}
	if after := len(r.Mailbox(t, quality)); after != before+1 {
		t.Errorf("%d messages, then %d", before, after)
	}
}
