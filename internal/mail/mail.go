// Package mail writes RFC 5322 messages and hands them to a mail server, or
// lays them into a folder as .eml files.
//
// Design:
//
//   - A Message has one recipient, always: nobody sees who else gets it.
//   - Every message is multipart/alternative, text first, and says that a
//     program wrote it (RFC 3834: Auto-Submitted), so that nothing answers it.
//   - The Message-ID follows from the message's key: a message that is sent
//     again after a lost answer is the same message to every mail server.
//   - The connection is encrypted by STARTTLS before anything is said, or
//     nothing is sent; certificates are always checked.
//   - What the server said decides what to do next: a 5xx about this message
//     (no such mailbox) is final; all else (4xx, a refused sender or login, a
//     certificate, a dropped connection) is worth another try, because it
//     passes or people mend it.
//
// This is the only package that knows the mail library. Errors hold no address
// and nothing of the message.
package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/mail"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"perennial/internal/fault"
)

// Message is a letter to one recipient.
type Message struct {
	Key     string // of this message for ever: the Message-ID follows from it
	From    string // address, with or without a name
	To      string // address
	Date    time.Time
	Subject string
	Text    string
	HTML    string
}

// ID is the Message-ID, without brackets: a hash of the key at the sender's
// domain. It tells nothing of the key.
func (m *Message) ID() string {
	sum := sha256.Sum256([]byte(m.Key))
	domain := "invalid"
	if a, err := mail.ParseAddress(m.From); err == nil {
		domain = a.Address[strings.LastIndexByte(a.Address, '@')+1:]
	}
	return hex.EncodeToString(sum[:16]) + "@" + domain
}

// Bytes is the message as it travels: RFC 5322, lines ended by CR LF. The same
// message gives the same bytes. An address or a part that cannot be written is
// fault.Invalid.
func (m *Message) Bytes() ([]byte, error) {
	msg, err := m.build()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if _, err := msg.WriteTo(&b); err != nil {
		return nil, fault.New(fault.Internal, "write a message", "", errors.New("the mail library refused it"))
	}
	return b.Bytes(), nil
}

// build makes the library's message.
func (m *Message) build() (*gomail.Msg, error) {
	invalid := func(what, hint string) error {
		return fault.New(fault.Invalid, "write a message", hint, errors.New(what))
	}
	if m.Key == "" || m.Date.IsZero() || strings.TrimSpace(m.Text) == "" {
		return nil, invalid("it has no key, no date or no text", "")
	}
	if strings.ContainsFunc(m.Subject, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return nil, invalid("its subject holds a control character", "")
	}
	msg := gomail.NewMsg(gomail.WithBoundary("perennial-"+m.ID()[:24]), gomail.WithEncoding(gomail.EncodingQP), gomail.WithNoDefaultUserAgent())
	if err := msg.From(m.From); err != nil {
		return nil, invalid("the sender's address cannot be used", "Look at mail.from in the settings.")
	}
	if err := msg.To(m.To); err != nil {
		return nil, invalid("the recipient's address cannot be used", "Look at mail.recipients in the settings.")
	}
	msg.Subject(m.Subject)
	msg.SetDateWithValue(m.Date)
	msg.SetMessageIDWithValue(m.ID())
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	msg.SetGenHeader("X-Auto-Response-Suppress", "All")
	msg.SetBodyString(gomail.TypeTextPlain, m.Text)
	if m.HTML != "" {
		msg.AddAlternativeString(gomail.TypeTextHTML, m.HTML)
	}
	return msg, nil
}
