package mail_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"math/big"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"perennial/internal/fault"
	"perennial/internal/mail"
)

// post is an SMTP server in this process, written by another hand than the
// client under test, with what it took.
type post struct {
	mu    sync.Mutex
	got   []letter
	rcpt  func(to string) error // nil: everybody
	data  func(conn *smtp.Conn) error
	from  func() error
	plain bool // no STARTTLS
	open  bool // no login
	port  int
	roots *x509.CertPool
}

type letter struct{ from, to, text string }

type session struct {
	p        *post
	conn     *smtp.Conn
	loggedIn bool
	now      letter
}

func (s *session) AuthMechanisms() []string {
	if s.p.open {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "perennial" || password != "open sesame" {
			return smtp.ErrAuthFailed
		}
		s.loggedIn = true
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if _, encrypted := s.conn.TLSConnectionState(); !encrypted || !s.loggedIn {
		return &smtp.SMTPError{Code: 530, Message: "log in first"}
	}
	s.now.from = from
	if s.p.from != nil {
		return s.p.from()
	}
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.now.to += to
	if s.p.rcpt != nil {
		return s.p.rcpt(to)
	}
	return nil
}

func (s *session) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.p.mu.Lock()
	s.now.text = string(text)
	s.p.got = append(s.p.got, s.now)
	s.p.mu.Unlock()
	if s.p.data != nil {
		return s.p.data(s.conn)
	}
	return nil
}

func (s *session) Reset()        { s.now = letter{} }
func (s *session) Logout() error { return nil }

func (p *post) letters() []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]letter(nil), p.got...)
}

func (p *post) start(t *testing.T) *post {
	t.Helper()
	cert, roots := certificate(t)
	server := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) { return &session{p: p, conn: c}, nil }))
	server.Domain, server.ErrorLog = "localhost", quiet{}
	if !p.plain {
		server.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.port, p.roots = l.Addr().(*net.TCPAddr).Port, roots
	go server.Serve(l) //nolint:errcheck // it ends when the test does
	t.Cleanup(func() { _ = server.Close() })
	return p
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// certificate is a test certificate for 127.0.0.1.
func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	shape := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, shape, shape, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, _ := x509.ParseCertificate(der)
	roots := x509.NewCertPool()
	roots.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}

func (p *post) client() *mail.Server {
	return &mail.Server{Host: "127.0.0.1", Port: p.port, User: "perennial", Password: "open sesame", Roots: p.roots, Timeout: 5 * time.Second}
}

func TestSend(t *testing.T) {
	t.Parallel()
	p := (&post{}).start(t)
	m := message()
	receipt, err := p.client().Send(context.Background(), m)
	if err != nil || receipt != m.ID() {
		t.Fatalf("%q, %v", receipt, err)
	}
	got := p.letters()
	if len(got) != 1 || got[0].from != "surveillance@example.org" || got[0].to != "nurse@example.org" {
		t.Fatalf("%+v", got)
	}
	read, err := netmail.ReadMessage(strings.NewReader(got[0].text))
	if err != nil || read.Header.Get("Message-ID") != "<"+m.ID()+">" {
		t.Errorf("%v, %v", read.Header, err)
	}
}

// What the server says decides whether the message is tried again. Servers may
// keep a no to the sender until they know the recipient, and tell it apart by
// the status of RFC 3463 only.
func TestAnswers(t *testing.T) {
	t.Parallel()
	const from, rcpt, data = "MAIL", "RCPT", "DATA"
	for name, c := range map[string]struct {
		at     string
		code   int
		status smtp.EnhancedCode
		want   fault.Kind
		hint   string // a word of it
	}{
		"no such mailbox":             {rcpt, 550, smtp.EnhancedCode{5, 1, 1}, fault.Invalid, "addresses"},
		"mailbox is closed":           {rcpt, 550, smtp.EnhancedCode{5, 2, 1}, fault.Invalid, "addresses"},
		"without a status":            {rcpt, 550, smtp.NoEnhancedCode, fault.Invalid, "addresses"},
		"try later":                   {rcpt, 451, smtp.EnhancedCode{4, 3, 0}, fault.Unavailable, "later"},
		"greylisted":                  {rcpt, 450, smtp.EnhancedCode{4, 7, 1}, fault.Unavailable, "later"},
		"login wanted":                {rcpt, 530, smtp.EnhancedCode{5, 7, 0}, fault.Unavailable, "mail.user"},
		"sender not ours":             {rcpt, 553, smtp.EnhancedCode{5, 7, 1}, fault.Unavailable, "mail.from"},
		"computer not let in":         {rcpt, 554, smtp.EnhancedCode{5, 7, 1}, fault.Unavailable, "mail.from"},
		"sender's mailbox unknown":    {rcpt, 550, smtp.EnhancedCode{5, 1, 0}, fault.Unavailable, "mail.from"},
		"sender's address is wrong":   {rcpt, 553, smtp.EnhancedCode{5, 1, 7}, fault.Unavailable, "mail.from"},
		"sender's domain unknown":     {rcpt, 550, smtp.EnhancedCode{5, 1, 8}, fault.Unavailable, "mail.from"},
		"sender refused at once":      {from, 550, smtp.EnhancedCode{5, 7, 1}, fault.Unavailable, "mail.from"},
		"sender refused for a moment": {from, 451, smtp.EnhancedCode{4, 1, 8}, fault.Unavailable, "later"},
		"refused after the text":      {data, 554, smtp.EnhancedCode{5, 7, 1}, fault.Invalid, "addresses"},
		"full after the text":         {data, 452, smtp.EnhancedCode{4, 3, 1}, fault.Unavailable, "later"},
		"too big":                     {data, 552, smtp.EnhancedCode{5, 3, 4}, fault.Invalid, "big"},
		"mailbox full":                {data, 552, smtp.NoEnhancedCode, fault.Invalid, "full"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			answer := &smtp.SMTPError{Code: c.code, EnhancedCode: c.status, Message: "nurse@example.org no"}
			p := &post{}
			switch c.at {
			case from:
				p.from = func() error { return answer }
			case rcpt:
				p.rcpt = func(string) error { return answer }
			case data:
				p.data = func(*smtp.Conn) error { return answer }
			}
			_, err := p.start(t).client().Send(context.Background(), message())
			if fault.KindOf(err) != c.want || !strings.Contains(fault.HintOf(err), c.hint) || strings.Contains(err.Error(), "nurse") || !strings.Contains(err.Error(), strconv.Itoa(c.code)) {
				t.Errorf("%v (%v, %s)", err, fault.KindOf(err), fault.HintOf(err))
			}
		})
	}
}

// The server takes the text and the connection breaks before its 250: nobody
// knows whether it took the message, so it is sent again, with the same
// Message-ID, by which a mail server tells that it is the same.
func TestConnectionBreaksBeforeTheAnswer(t *testing.T) {
	t.Parallel()
	p := &post{}
	first := true
	p.data = func(c *smtp.Conn) error {
		if first {
			first = false
			_ = c.Conn().Close()
			return errors.New("gone")
		}
		return nil
	}
	p.start(t)
	_, err := p.client().Send(context.Background(), message())
	if fault.KindOf(err) != fault.Unavailable {
		t.Fatalf("%v (%v)", err, fault.KindOf(err))
	}
	if _, err := p.client().Send(context.Background(), message()); err != nil {
		t.Fatal(err)
	}
	got := p.letters()
	if len(got) != 2 || got[0].text != got[1].text {
		t.Errorf("%d letters, the same: %v", len(got), len(got) == 2 && got[0].text == got[1].text)
	}
}

// Without STARTTLS or a login, with a certificate nobody vouches for, or with the
// wrong password nothing is sent, and it is worth another try.
func TestNothingIsSentInTheClear(t *testing.T) {
	t.Parallel()
	plain, open, tls := (&post{plain: true}).start(t), (&post{open: true}).start(t), (&post{}).start(t)
	untrusted, wrong := tls.client(), tls.client()
	untrusted.Roots, wrong.Password = nil, "guess"
	closed := tls.client()
	closed.Port = 1
	for name, c := range map[string]struct {
		server *mail.Server
		words  string
	}{"plain": {plain.client(), "STARTTLS"}, "untrusted": {untrusted, "certificate is not trusted"}, "wrong password": {wrong, "refused the login"}, "nobody there": {closed, "no connection"}, "no login": {open.client(), "no way to log in"}} {
		_, err := c.server.Send(context.Background(), message())
		if fault.KindOf(err) != fault.Unavailable || !strings.Contains(err.Error(), c.words) || fault.HintOf(err) == "" || strings.Contains(err.Error(), "sesame") {
			t.Errorf("%s: %v (%v)", name, err, fault.KindOf(err))
		}
	}
	if n := len(plain.letters()) + len(open.letters()) + len(tls.letters()); n != 0 {
		t.Errorf("%d letters arrived", n)
	}
}

// A server that says nothing does not hold the program up for ever.
func TestSilentServer(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	s := &mail.Server{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port, Timeout: 300 * time.Millisecond}
	begun := time.Now()
	if _, err := s.Send(context.Background(), message()); fault.KindOf(err) != fault.Unavailable || time.Since(begun) > 10*time.Second {
		t.Errorf("after %v: %v", time.Since(begun), err)
	}
}
