// Package email carries digests out of the outbox: each letter becomes one
// message to one recipient, to a mail server or into a folder of .eml files.
//
// The key of a letter becomes the Message-ID, so that a letter which is carried
// twice, because the program died in between, is one message to whoever gets
// it. Tasks are none of its business.
package email

import (
	"context"
	"encoding/json"
	"errors"

	"perennial/internal/digest"
	"perennial/internal/fault"
	"perennial/internal/mail"
	"perennial/internal/outbox"
)

// Sender takes messages: *mail.Server or mail.Folder.
type Sender interface {
	// Send hands a message on and gives what is worth recording. After an error of
	// kind fault.Invalid it is of no use to try again.
	Send(ctx context.Context, m mail.Message) (receipt string, err error)
}

// Carrier carries outbox items of the kind outbox.KindDigest, whose body is a
// digest.Letter. It is safe for use by several goroutines if its Sender is.
type Carrier struct {
	From string // the sender's address, with or without a name
	Out  Sender
}

var _ outbox.Carrier = Carrier{}

// Carries says whether the kind is that of digests.
func (c Carrier) Carries(kind string) bool { return kind == outbox.KindDigest }

// Carry sends the letter, dated by the moment at which it was decided on, so
// that every try is the same message.
func (c Carrier) Carry(ctx context.Context, it outbox.Item) (string, error) {
	var l digest.Letter
	if err := json.Unmarshal(it.Body, &l); err != nil || l.Key == "" || l.To == "" {
		return "", fault.New(fault.Invalid, "carry a digest", "Make the digest again; tell whoever runs this program.", errors.New("the stored letter cannot be read"))
	}
	return c.Out.Send(ctx, mail.Message{Key: l.Key, From: c.From, To: l.To, Date: it.Added, Subject: l.Subject, Text: l.Text, HTML: l.HTML})
}
