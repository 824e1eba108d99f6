package email_test

import (
	"bytes"
	"encoding/json"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"perennial/internal/carrier/email"
	"perennial/internal/day"
	"perennial/internal/digest"
	"perennial/internal/kv"
	"perennial/internal/kv/memkv"
	"perennial/internal/mail"
	"perennial/internal/outbox"
	"perennial/internal/testkit/mailrig"
)

// clinic is an outbox with digests for five people, and a mail server on which
// the second has no mailbox and the fourth is told to come later.
type clinic struct {
	*testing.T
	rig  *mailrig.Rig
	db   kv.DB
	now  time.Time
	to   []string
	keys []string
}

func newClinic(t *testing.T) *clinic {
	t.Helper()
	c := &clinic{T: t, db: memkv.New(), now: time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC),
		to: []string{"nurse@example.org", "gone@example.org", "lead@example.org", "busy@example.org", "quality@example.org"}}
	c.rig = mailrig.Start(t, c.to[0], c.to[2], c.to[3], c.to[4])
	c.rig.Answer(t, c.to[3], "451 4.7.1 Greylisted, try again")
	err := c.db.Update(t.Context(), func(tx kv.Tx) error {
		c.keys = nil
		for _, to := range c.to {
			l, err := digest.Write(digest.Input{Site: "Example Harbour", On: day.Of(2026, 3, 3)}, to)
			if err != nil {
				return err
			}
			body, err := json.Marshal(l)
			if err != nil {
				return err
			}
			c.keys = append(c.keys, l.Key)
			if _, err := outbox.Add(tx, outbox.Item{Key: l.Key, Kind: outbox.KindDigest, Body: body, Added: c.now}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// drain sends what is due and checks what became of it.
func (c *clinic) drain(want outbox.Tally) {
	c.Helper()
	server := &mail.Server{Host: c.rig.Host, Port: c.rig.Port, User: c.rig.User, Password: c.rig.Password, Roots: c.rig.Roots, Timeout: 15 * time.Second}
	got, err := outbox.Drain(c.Context(), outbox.Options{DB: c.db, Mode: outbox.Send, Live: true, Now: func() time.Time { return c.now },
		Routes: []outbox.Route{{Name: "email", Carrier: email.Carrier{From: "Implant surveillance <" + mailrig.Sender + ">", Out: server}}}})
	want.Why = got.Why // state looks at it
	if err != nil || got != want {
		c.Fatalf("%+v, %v; not %+v", got, err, want)
	}
}

// state checks where an item stands and what is told of it.
func (c *clinic) state(i int, want outbox.State, attempts int, words string) {
	c.Helper()
	var it outbox.Item
	err := c.db.View(c.Context(), func(r kv.Reader) (err error) {
		it, err = outbox.Get(r, c.keys[i])
		return err
	})
	if err != nil {
		c.Fatal(err)
	}
	if it.State != want || it.Attempts != attempts || !strings.Contains(it.Error, words) || (it.Error == "") != (words == "") || strings.Contains(it.Error, "@") {
		c.Errorf("%s: %s after %d attempts, %q", c.to[i], it.State, it.Attempts, it.Error)
	}
}

// arrived checks that these many messages lie in a mailbox, each for its owner,
// from the sender, and with no word of the others.
func (c *clinic) arrived(i, want int) {
	c.Helper()
	got := c.rig.Mailbox(c.T, c.to[i])
	if len(got) != want {
		c.Errorf("%s has %d messages, not %d", c.to[i], len(got), want)
	}
	for _, text := range got {
		m, err := netmail.ReadMessage(bytes.NewReader([]byte(text)))
		message := mail.Message{Key: c.keys[i], From: mailrig.Sender}
		if err != nil || m.Header.Get("To") != "<"+c.to[i]+">" || m.Header.Get("Message-ID") != "<"+message.ID()+">" || m.Header.Get("Auto-Submitted") != "auto-generated" {
			c.Errorf("%s: %v, %v", c.to[i], err, m)
		}
		for j, other := range c.to {
			if j != i && strings.Contains(text, other) {
				c.Errorf("%s reads of %s", c.to[i], other)
			}
		}
	}
}

// Of five digests three arrive, one each; the one without a mailbox is given
// up, the one that has to wait arrives once when it may, and nobody gets a
// second one.
func TestDrainThroughPostfix(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	check := func(busy int) {
		t.Helper()
		for _, i := range []int{0, 2, 4} {
			c.state(i, outbox.Sent, 1, "")
			c.arrived(i, 1)
		}
		c.state(1, outbox.Failed, 1, "550")
		c.arrived(3, busy)
	}
	c.drain(outbox.Tally{Sent: 3, Failed: 1, Later: 1})
	check(0)
	c.state(3, outbox.Pending, 1, "451")

	c.drain(outbox.Tally{}) // its time has not come
	c.now = c.now.Add(2 * time.Minute)
	c.drain(outbox.Tally{Later: 1})
	check(0)
	c.state(3, outbox.Pending, 2, "451")

	c.rig.Answer(t, c.to[3], "")
	c.now = c.now.Add(time.Hour)
	c.drain(outbox.Tally{Sent: 1})
	c.now = c.now.Add(7 * 24 * time.Hour)
	c.drain(outbox.Tally{})
	check(1)
	c.state(3, outbox.Sent, 3, "")
}

// While the server is down all digests wait; when it is up again each arrives
// once.
func TestServerDown(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	c.rig.Answer(t, c.to[3], "")
	c.rig.Down(t)
	c.drain(outbox.Tally{Later: 5})
	c.state(1, outbox.Pending, 1, "no connection")
	c.rig.Up(t)
	c.now = c.now.Add(2 * time.Minute)
	c.drain(outbox.Tally{Sent: 4, Failed: 1})
	for _, i := range []int{0, 2, 3, 4} {
		c.state(i, outbox.Sent, 2, "")
		c.arrived(i, 1)
	}
}
