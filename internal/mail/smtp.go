package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/textproto"
	"strings"
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
	what, hint := "no connection, or no encryption by STARTTLS", "Check mail.host and mail.port, and that the mail server offers STARTTLS."
	if s.User != "" {
		what, hint = "no connection, no encryption by STARTTLS, or no way to log in", "Check mail.host and mail.port, and that the mail server offers STARTTLS and a login."
	}
	switch {
	case name:
		what, hint = "its certificate is not trusted", "It is for another name: mail.host must be a name that stands in the mail server's certificate."
	case unknown, cert, verify:
		what, hint = "its certificate is not trusted", "Ask who runs the mail server which authority its certificate is from and whether it is still valid; the authority must be among the system's."
	case s.User != "" && refused(err, 535):
		what, hint = "it refused the login", "Check mail.user and the file named under mail.password-file."
	}
	return fault.New(fault.Unavailable, op, hint, errors.New(what))
}

// sendFault says what the server said of the message, by its numbers only: its
// words may repeat addresses.
func (s *Server) sendFault(op string, err error) error {
	e, ok := errors.AsType[*gomail.SendError](err)
	if !ok || e.ErrorCode() < 400 {
		return fault.New(fault.Unavailable, op, "It is sent again later.", errors.New("the connection broke before the server took the message"))
	}
	kind, hint := fault.Unavailable, "It is sent again later."
	switch {
	case e.ErrorCode() < 500:
	case aboutUs(e):
		hint = "The server refuses the sender or wants another login: check mail.from and mail.user. It is sent again later."
	case e.ErrorCode() == 552:
		kind, hint = fault.Invalid, "The message is too big for the server, or the mailbox is full."
	default:
		kind, hint = fault.Invalid, "Check the addresses under mail in the settings; the server takes no such message."
	}
	return fault.New(kind, op, hint, fmt.Errorf("the server answered %d", e.ErrorCode()))
}

// aboutUs says whether a refusal is about the sender or the login, which people
// mend, and not about this recipient or message. Servers often keep such a no
// until they know the recipient; then only the status of RFC 3463 tells: 7 is
// for rights, 1.0, 1.7 and 1.8 are for the sender's address.
func aboutUs(e *gomail.SendError) bool {
	switch e.ErrorCode() {
	case 530, 534, 535, 538:
		return true
	}
	switch e.Reason {
	case gomail.ErrSMTPData, gomail.ErrSMTPDataClose:
		return false
	case gomail.ErrSMTPRcptTo:
		status := e.EnhancedStatusCode()
		return strings.HasPrefix(status, "5.7.") || status == "5.1.0" || status == "5.1.7" || status == "5.1.8"
	}
	return true
}

// refused says whether the server answered with a number.
func refused(err error, code int) bool {
	e, ok := errors.AsType[*textproto.Error](err)
	return ok && e.Code == code
}
