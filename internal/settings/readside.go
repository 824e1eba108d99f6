package settings

import (
	"net/url"
	"strings"

	"perennial/internal/yamldoc"
)

// ReadSide is what the program serves to other programs, beside the pages.
type ReadSide struct {
	Token Secret // web.fhir.token-file: who shows it may ask; none: this computer only
	URL   string // web.fhir.url: address of the endpoint as others know it; empty: as a request names it
	Cards Cards
}

// Cards are how CDS Hooks answers (web.cds-hooks).
type Cards struct {
	Servers  []string // bases of the FHIR server whose ids the clients use, beside sources.rest.url
	Origins  []string // web pages of other origins whose scripts may ask; none by default
	Issuer   string   // iss of the clients' JSON Web Tokens; empty: they show the token of web.fhir
	Audience string   // aud of these
	KeySet   string   // file with the public keys of the issuer, a JSON Web Key Set
}

func (p parser) readSide(m *yamldoc.Section, s *ReadSide) {
	if f := m.Map("fhir"); f != nil {
		p.noSecret(f, "token")
		s.Token, s.URL = p.secret(f, "token-file"), p.webAddress(f, "url", false)
		if s.URL != "" && !strings.HasSuffix(strings.TrimRight(s.URL, "/"), "/fhir") {
			f.Report("url", "the address must end with /fhir, where the endpoint answers")
		}
		f.Done()
	}
	if c := m.Map("cds-hooks"); c != nil {
		p.cards(c, &s.Cards)
	}
}

func (p parser) cards(m *yamldoc.Section, s *Cards) {
	s.Servers = m.Texts("servers")
	for _, base := range s.Servers {
		if u, err := url.Parse(base); err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.RawQuery != "" || u.User != nil {
			m.Report("servers", "base addresses such as https://fhir.example.org/r4 are expected here")
			break
		}
	}
	s.Origins = m.Texts("origins")
	for _, o := range s.Origins {
		if u, err := url.Parse(o); err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || o != u.Scheme+"://"+u.Host {
			m.Report("origins", "origins such as https://records.example.org, without a path, are expected here; each is named, * is not allowed")
			break
		}
	}
	s.Issuer, s.Audience, s.KeySet = p.filled(m, "issuer", ""), p.filled(m, "audience", ""), p.filled(m, "key-set", "")
	if n := given(s.Issuer, s.Audience, s.KeySet); n > 0 && n < 3 {
		m.Report("", "issuer, audience and key-set belong together: all three or none")
	}
	m.Done()
}

// given counts the texts that are not empty.
func given(texts ...string) (n int) {
	for _, t := range texts {
		if t != "" {
			n++
		}
	}
	return n
}

func (p printer) readSide(s ReadSide) {
	if s.Token.Given() || s.URL != "" {
		p.head("  fhir")
		p.secret(4, "token-file", s.Token)
		p.text(4, "url", s.URL)
	}
	c := s.Cards
	if len(c.Origins)+len(c.Servers) == 0 && c.Issuer == "" {
		return
	}
	p.head("  cds-hooks")
	p.list(4, "servers", c.Servers)
	p.list(4, "origins", c.Origins)
	p.text(4, "issuer", c.Issuer)
	p.text(4, "audience", c.Audience)
	p.text(4, "key-set", c.KeySet)
}
