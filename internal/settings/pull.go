package settings

import (
	"strconv"
	"strings"

	"perennial/internal/yamldoc"
)

// Pull is how the FHIR server of sources.rest is read. Its keys stand beside the server's address.
type Pull struct {
	Aliases   []string // aliases: other names that the server gives itself in links
	Overlap   int      // overlap-minutes: how far each look reaches back before the last one
	Reconcile int      // reconcile-days: how often everything is read again; 0: never
	Counts    bool     // counts: check (yes) or ignore
	Post      bool     // search: post (yes) or get
	Whole     bool     // resources: whole (yes) or parts
	Patients  Patients
}

// Patients are those to read one by one, for servers that search by patient only. At most one of the fields is filled.
type Patients struct {
	Group string // id of a Group on the server
	List  string // id of a List on the server
	File  string // file with an id on each line
}

// Given says that patients are read one by one.
func (p Patients) Given() bool { return p != Patients{} }

// defaultPull is what holds where nothing is said.
func defaultPull() Pull { return Pull{Overlap: 10, Reconcile: 7, Counts: true} }

func (p parser) pull(m *yamldoc.Section, s *Pull) {
	if m == nil {
		return
	}
	s.Aliases = p.aliases(m)
	s.Overlap = m.Int("overlap-minutes", s.Overlap, 3, 1440)
	s.Reconcile = m.Int("reconcile-days", s.Reconcile, 0, 90)
	s.Counts = m.OneOf("counts", "check", "ignore") != "ignore"
	s.Post = m.OneOf("search", "get", "post") == "post"
	s.Whole = m.OneOf("resources", "parts", "whole") == "whole"
	if who := m.Map("patients"); who != nil {
		p.patients(who, m, &s.Patients)
	}
}

// aliases are other names that a server gives itself in links.
func (p parser) aliases(m *yamldoc.Section) []string {
	list := m.Texts("aliases")
	for _, name := range list {
		if name == "" || strings.ContainsAny(name, "/@?# \t") {
			m.Report("aliases", "names of hosts, such as fhir.inside.example or fhir.inside.example:8443, are expected here")
			break
		}
	}
	return list
}

func (p parser) patients(m, above *yamldoc.Section, s *Patients) {
	s.Group, s.List, s.File = p.serverID(m, "group"), p.serverID(m, "list"), p.filled(m, "file", "")
	n := 0
	for _, key := range []string{"group", "list", "file"} {
		if m.Has(key) {
			n++
		}
	}
	if n != 1 {
		above.Report("patients", "one of group, list and file is expected here")
	}
	m.Done()
}

// serverID is the id of a resource on the server.
func (p parser) serverID(m *yamldoc.Section, key string) string {
	id := p.filled(m, key, "")
	bad := func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.')
	}
	if len(id) > 64 || strings.ContainsFunc(id, bad) {
		m.Report(key, "an id of FHIR is expected here: letters, digits, - and . only, at most 64")
		return ""
	}
	return id
}

// pull writes the keys that stand beside the address of sources.rest.
func (p printer) pull(s Pull) {
	p.list(4, "aliases", s.Aliases)
	p.raw(4, "overlap-minutes", strconv.Itoa(s.Overlap))
	p.raw(4, "reconcile-days", strconv.Itoa(s.Reconcile))
	p.raw(4, "counts", map[bool]string{true: "check", false: "ignore"}[s.Counts])
	p.raw(4, "search", map[bool]string{true: "post", false: "get"}[s.Post])
	p.raw(4, "resources", map[bool]string{true: "whole", false: "parts"}[s.Whole])
	if s.Patients.Given() {
		p.head("    patients")
		p.text(6, "group", s.Patients.Group)
		p.text(6, "list", s.Patients.List)
		p.text(6, "file", s.Patients.File)
	}
}
