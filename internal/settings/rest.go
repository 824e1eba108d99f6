package settings

import (
	"net/netip"
	"net/url"
	"strings"

	"perennial/internal/yamldoc"
)

// Rest is a FHIR R4 server, and how to log in there. At most one of Token,
// Basic and Smart is given; none of them is no login.
type Rest struct {
	URL         string // base address; empty: none
	Token       Secret // bearer token, read again for each request
	Basic       Basic
	Smart       Smart
	CA          string // file of certificates of authorities, PEM, beside the system's; empty: only those
	Certificate Certificate
}

// Basic is a login by user name and password.
type Basic struct {
	User     string // empty: no such login
	Password Secret
}

// Smart is a login by SMART Backend Services: a signed assertion is exchanged
// for a token that holds for some minutes.
type Smart struct {
	ClientID string // empty: no such login
	Key      Secret // private key, PEM or JWK
	KeyID    string // kid; empty: that of the JWK, else the thumbprint of the key
	KeySet   string // address at which the server finds the public key (jku); empty: it knows the key
	Scope    string
	TokenURL string // empty: the server is asked for it
}

// Certificate is a client certificate, for servers that want one (mTLS).
type Certificate struct {
	File string // PEM, with those between it and the authority; empty: none
	Key  Secret // private key, PEM
}

// DefaultScope is what is asked for where the settings do not say it: to read
// and to search everything that the server lets us.
const DefaultScope = "system/*.rs"

// files are the paths that Rest names.
func (r *Rest) files() []*string {
	return []*string{&r.Token.File, &r.Basic.Password.File, &r.Smart.Key.File, &r.CA, &r.Certificate.File, &r.Certificate.Key.File}
}

// Login says in a word how the server is logged in at: none, bearer, basic or
// smart.
func (r Rest) Login() string {
	switch {
	case r.Token.Given():
		return "bearer"
	case r.Basic.User != "":
		return "basic"
	case r.Smart.ClientID != "":
		return "smart"
	}
	return "none"
}

func (p parser) rest(m *yamldoc.Section) Rest {
	if m == nil {
		return Rest{}
	}
	p.noSecret(m, "token")
	p.noSecret(m, "password")
	rest := Rest{URL: p.webAddress(m, "url", true), Token: p.secret(m, "token-file"), CA: p.filled(m, "ca", "")}
	rest.Basic = p.basic(m.Map("basic"))
	rest.Smart = p.smart(m.Map("smart"))
	rest.Certificate = p.certificate(m.Map("client-certificate"))
	if login := p.oneLogin(m); login != "" && Readable(rest.URL) {
		m.Report("url", "the %s would go where others can read it; an address that begins with https:// is needed",
			map[string]string{"token-file": "token", "basic": "password", "smart": "token"}[login])
	}
	for _, key := range []string{"ca", "client-certificate"} {
		if m.Has(key) && strings.HasPrefix(rest.URL, "http:") {
			m.Report(key, "is of no use at an address without https")
		}
	}
	m.Done()
	return rest
}

// oneLogin gives the key of the login that is written, and reports a second one.
func (p parser) oneLogin(m *yamldoc.Section) (first string) {
	for _, key := range []string{"token-file", "basic", "smart"} {
		switch {
		case !m.Has(key):
		case first != "":
			m.Report(key, "%s is given too; only one login is used: take one of them out", first)
		default:
			first = key
		}
	}
	return first
}

// Readable says whether others can read what goes to an address: it is not
// encrypted and leads to another computer.
func Readable(address string) bool {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" {
		return false
	}
	ip, err := netip.ParseAddr(u.Hostname())
	return u.Hostname() != "localhost" && (err != nil || !ip.IsLoopback())
}

func (p parser) basic(m *yamldoc.Section) Basic {
	if m == nil {
		return Basic{}
	}
	p.noSecret(m, "password")
	b := Basic{User: need(m, "user"), Password: Secret{p.needOr(m, "password-file", "password")}}
	if strings.Contains(b.User, ":") {
		m.Report("user", "a user name with : cannot be sent this way")
	}
	m.Done()
	return b
}

func (p parser) smart(m *yamldoc.Section) Smart {
	if m == nil {
		return Smart{}
	}
	p.noSecret(m, "key")
	for _, key := range []string{"client-secret", "secret"} {
		if m.Node(key) != nil {
			m.Report(key, "this login needs no shared secret but a key pair: name the file of the private key under key-file, and change the secret, which has been seen")
		}
	}
	s := Smart{ClientID: need(m, "client-id"), Key: Secret{p.needOr(m, "key-file", "key")}, KeyID: p.filled(m, "key-id", ""),
		KeySet: p.webAddress(m, "key-set-url", false), Scope: p.filled(m, "scope", DefaultScope), TokenURL: p.webAddress(m, "token-url", false)}
	for key, address := range map[string]string{"token-url": s.TokenURL, "key-set-url": s.KeySet} {
		if Readable(address) {
			m.Report(key, "what goes there must be encrypted; an address that begins with https:// is needed")
		}
	}
	m.Done()
	return s
}

func (p parser) certificate(m *yamldoc.Section) Certificate {
	if m == nil {
		return Certificate{}
	}
	p.noSecret(m, "key")
	c := Certificate{File: need(m, "certificate-file"), Key: Secret{p.needOr(m, "key-file", "key")}}
	m.Done()
	return c
}

// needOr is need, but silent where another key stands in its place that was
// reported already.
func (p parser) needOr(m *yamldoc.Section, key, instead string) string {
	if m.Has(instead) {
		return p.filled(m, key, "")
	}
	return need(m, key)
}

// noSecret refuses a secret in the clear, without repeating it.
func (p parser) noSecret(m *yamldoc.Section, key string) {
	if m.Node(key) != nil {
		m.Report(key, "secrets are not written here: put it into a file that only this program may read, name that file under %s-file, and change the secret, which has been seen", key)
	}
}

// rest writes a server and its login; nothing where there is none.
func (p printer) rest(key string, r Rest) {
	if r.URL == "" {
		return
	}
	p.head("  " + key)
	p.text(4, "url", r.URL)
	p.secret(4, "token-file", r.Token)
	if r.Basic.User != "" {
		p.head("    basic")
		p.text(6, "user", r.Basic.User)
		p.secret(6, "password-file", r.Basic.Password)
	}
	p.smart(r.Smart)
	p.text(4, "ca", r.CA)
	if r.Certificate.File != "" {
		p.head("    client-certificate")
		p.text(6, "certificate-file", r.Certificate.File)
		p.secret(6, "key-file", r.Certificate.Key)
	}
}

func (p printer) smart(s Smart) {
	if s.ClientID == "" {
		return
	}
	p.head("    smart")
	p.text(6, "client-id", s.ClientID)
	p.secret(6, "key-file", s.Key)
	p.text(6, "key-id", s.KeyID)
	p.text(6, "key-set-url", s.KeySet)
	p.text(6, "scope", s.Scope)
	p.text(6, "token-url", s.TokenURL)
}
