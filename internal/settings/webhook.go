package settings

import (
	"net"
	"net/netip"
	"strconv"
	"strings"

	"perennial/internal/yamldoc"
)

// Webhook is where FHIR servers may tell that something changed (Subscription). What they tell is a hint to look.
type Webhook struct {
	Listen      string      // host:port; empty: nowhere
	Secret      Secret      // that a notification must bring; none is needed on this computer, or with ClientCA
	Header      string      // in which it comes
	Certificate Certificate // of the listener; File empty: without TLS
	ClientCA    string      // file of the authority whose client certificates are let in, PEM; empty: none is asked for
}

// Given says that hints are taken.
func (w Webhook) Given() bool { return w.Listen != "" }

// DefaultHeader is the header in which a secret comes where the settings do not say it.
const DefaultHeader = "Authorization"

func (w *Webhook) files() []*string {
	return []*string{&w.Secret.File, &w.Certificate.File, &w.Certificate.Key.File, &w.ClientCA}
}

func (p parser) webhook(m *yamldoc.Section, w *Webhook) {
	if m == nil {
		return
	}
	p.noSecret(m, "secret")
	p.noSecret(m, "key")
	w.Listen, w.Header = need(m, "listen"), p.filled(m, "header", DefaultHeader)
	w.Secret, w.ClientCA = Secret{p.filled(m, "secret-file", "")}, p.filled(m, "client-ca", "")
	w.Certificate = Certificate{File: p.filled(m, "certificate-file", ""), Key: Secret{p.filled(m, "key-file", "")}}
	p.listens(m, w)
	if !token(w.Header) {
		m.Report("header", "the name of a header is expected here, such as Authorization or X-Hook-Secret")
	}
	switch cert := w.Certificate; {
	case cert.File != "" && !cert.Key.Given():
		m.Report("key-file", "is missing; certificate-file needs the file with its key")
	case cert.File == "" && cert.Key.Given():
		m.Report("certificate-file", "is missing; key-file is of no use without it")
	case cert.File == "" && w.ClientCA != "":
		m.Report("client-ca", "client certificates need TLS; name this computer's certificate under certificate-file")
	}
	m.Done()
}

// listens checks where it listens, and who may come in there.
func (p parser) listens(m *yamldoc.Section, w *Webhook) {
	host, port, err := net.SplitHostPort(w.Listen)
	n, perr := strconv.Atoi(port)
	addr, aerr := netip.ParseAddr(host)
	here := host == "localhost" || aerr == nil && addr.IsLoopback()
	switch {
	case w.Listen == "": // reported
	case err != nil, perr != nil, n < 0, n > 65535, host == "":
		m.Report("listen", "host and port are expected here, such as 127.0.0.1:8421")
	case here:
	case !w.Secret.Given() && w.ClientCA == "":
		m.Report("listen", "others can reach this address, so it needs secret-file or client-ca; without them only 127.0.0.1, ::1 or localhost is allowed")
	case w.Certificate.File == "":
		m.Report("listen", "the secret would go where others can read it; certificate-file and key-file are needed, or 127.0.0.1 behind a proxy that has them")
	}
}

// token says whether a text can be the name of a header.
func token(text string) bool {
	return text != "" && !strings.ContainsFunc(text, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
	})
}

func (p printer) webhook(w Webhook) {
	if !w.Given() {
		return
	}
	p.head("  webhook")
	p.text(4, "listen", w.Listen)
	p.secret(4, "secret-file", w.Secret)
	p.text(4, "header", w.Header)
	p.text(4, "certificate-file", w.Certificate.File)
	p.secret(4, "key-file", w.Certificate.Key)
	p.text(4, "client-ca", w.ClientCA)
}
