package mailrig_test

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/smtp"
	"net/textproto"
	"strconv"
	"strings"
	"testing"

	"perennial/internal/testkit/mailrig"
)

func address(r *mailrig.Rig) string { return net.JoinHostPort(r.Host, strconv.Itoa(r.Port)) }

// submit says one message by the standard library's client.
func submit(r *mailrig.Rig, to string) error {
	c, err := smtp.Dial(address(r))
	if err != nil {
		return err
	}
	defer c.Close()
	if err := c.StartTLS(&tls.Config{ServerName: r.Host, RootCAs: r.Roots}); err != nil {
		return err
	}
	if err := c.Auth(smtp.PlainAuth("", r.User, r.Password, r.Host)); err != nil {
		return err
	}
	if err := c.Mail(mailrig.Sender); err != nil {
		return err
	}
	if err := c.Rcpt(to); err != nil {
		return err
	}
	w, err := c.Data()
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(w, "From: %s\r\nTo: %s\r\nSubject: hello\r\n\r\nOne {5}\r\n", mailrig.Sender, to); err != nil {
		return err
	}
	return w.Close()
}

// answered says whether the server answered with this number and these words.
func answered(err error, code int, words string) bool {
	e, ok := errors.AsType[*textproto.Error](err)
	return ok && e.Code == code && strings.HasPrefix(e.Msg, words)
}

// The rig keeps its word: takes and keeps mail, refuses as it is told to, goes
// down and comes up again with what it had, and the end of one is not the end of
// another.
func TestRig(t *testing.T) {
	t.Parallel()
	const nurse, lead = "nurse@example.org", "lead@example.org"
	r := mailrig.Start(t, nurse, lead)
	t.Run("another beside it", func(t *testing.T) { mailrig.Start(t, nurse) })
	for want := 1; want <= 2; want++ {
		if err := submit(r, nurse); err != nil {
			t.Fatal(err)
		}
		got := r.Mailbox(t, nurse)
		if len(got) != want || !strings.HasSuffix(got[want-1], "\r\n\r\nOne {5}\r\n") || len(r.Mailbox(t, lead)) != 0 {
			t.Fatalf("%q", got)
		}
	}
	r.Answer(t, lead, "450 4.2.0 later")
	r.Answer(t, nurse, "550 5.1.1 gone")
	if err := submit(r, lead); !answered(err, 450, "4.2.0 ") {
		t.Errorf("%v", err)
	}
	r.Answer(t, lead, "")
	if err := submit(r, nurse); !answered(err, 550, "5.1.1 ") {
		t.Errorf("%v", err)
	}
	r.Down(t)
	if conn, err := net.Dial("tcp", address(r)); err == nil {
		conn.Close()
		t.Error("somebody listens")
	}
	r.Up(t)
	if err := submit(r, lead); err != nil {
		t.Error(err)
	}
	if n, m := len(r.Mailbox(t, nurse)), len(r.Mailbox(t, lead)); n != 2 || m != 1 {
		t.Errorf("%d and %d", n, m)
	}
}
