package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/textproto"
	"time"

	gomail "github.com/wneessen/go-mail"

	"perennial/internal/fault"
)

// Server is a mail server for submission.
type Server struct {
	Host     string
	Port     int    // 587 for submission
	User     string // empty: no login
	Password string
	Roots    *x509.CertPool // certificates that are trusted; nil: those of the system
	Timeout  time.Duration  // for the whole conversation; zero: one minute
}

// Send hands a message to the server and gives what is worth recording: the
// Message-ID. An error of kind fault.Invalid is final; after fault.Unavailable
// the same message may be sent again.
func (s *Server) Send(ctx context.Context, m Message) (string, error) {
	op := fmt.Sprintf("send a message through %s:%d", s.Host, s.Port)
	msg, err := m.build()
	if err != nil {
		return "", err
	}
	timeout := s.Timeout
	if timeout <= 0 {
		timeout = time.Minute
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	client, err := gomail.NewClient(s.Host, s.options(timeout)...)
	if err != nil {
		return "", fault.New(fault.Unavailable, op, "Look at the mail section of the settings.", errors.New("the server's settings cannot be used"))
	}
	if err := client.DialWithContext(ctx); err != nil {
		return "", s.dialFault(op, err)
	}
	defer client.Close() //nolint:errcheck // the message's fate is known by now
	if err := client.Send(msg); err != nil && !msg.IsDelivered() {
		return "", s.sendFault(op, err)
	}
	return m.ID(), nil
}

func (s *Server) options(timeout time.Duration) []gomail.Option {
	list := []gomail.Option{gomail.WithPort(s.Port), gomail.WithTimeout(timeout), gomail.WithTLSPolicy(gomail.TLSMandatory), gomail.WithoutNoop(),
		gomail.WithTLSConfig(&tls.Config{ServerName: s.Host, RootCAs: s.Roots, MinVersion: tls.VersionTLS12})}
	if s.User != "" {
		list = append(list, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(s.User), gomail.WithPassword(s.Password))
	}
	return list
}

// dialFault says why there was no conversation: the network, the certificate or
// the login. All of it is worth another try.
func (s *Server) dialFault(op string, err error) error {
	_, unknown := errors.AsType[x509.UnknownAuthorityError](err)
	_, name := errors.AsType[x509.HostnameError](err)
	_, cert := errors.AsType[x509.CertificateInvalidError](err)
	_, verify := errors.AsType[*tls.CertificateVerificationError](err)
	what, hint := "no connection, or no encryption by STARTTLS", "Check the name and port of the mail server, and that it offers STARTTLS."
	switch {
	case unknown, name, cert, verify:
		what, hint = "its certificate is not trusted", "Ask who runs the mail server for its certificate authority, and add that to the system's."
	case s.User != "" && refused(err, 535):
		what, hint = "it refused the login", "Check mail.user and the file named under mail.password-file."
	}
	return fault.New(fault.Unavailable, op, hint, errors.New(what))
}

// sendFault says what the server said of the message, by its number only: its
// words may repeat addresses.
func (s *Server) sendFault(op string, err error) error {
	if e, ok := errors.AsType[*gomail.SendError](err); ok && e.ErrorCode() >= 400 {
		cause := fmt.Errorf("the server answered %d", e.ErrorCode())
		if e.ErrorCode() >= 500 && aboutMessage(e) {
			return fault.New(fault.Invalid, op, "Check the addresses under mail in the settings; the server takes no such message.", cause)
		}
		return fault.New(fault.Unavailable, op, "It is sent again later.", cause)
	}
	return fault.New(fault.Unavailable, op, "It is sent again later.", errors.New("the connection broke before the server took the message"))
}

// aboutMessage says whether a refusal is about this recipient or message, and
// not about us (the sender, a login that is wanted).
func aboutMessage(e *gomail.SendError) bool {
	switch e.ErrorCode() {
	case 530, 534, 535, 538:
		return false
	}
	switch e.Reason {
	case gomail.ErrSMTPRcptTo, gomail.ErrSMTPData, gomail.ErrSMTPDataClose:
		return true
	}
	return false
}

// refused says whether the server answered with a number.
func refused(err error, code int) bool {
	e, ok := errors.AsType[*textproto.Error](err)
	return ok && e.Code == code
}
