package fhir

import (
	"cmp"
	"strings"
	"unicode"
)

// Kind says how a reference names its target.
type Kind uint8

// The kinds of reference.
const (
	NoRef     Kind = iota // nothing there, or only a display text
	Relative              // Patient/1
	Absolute              // https://host/fhir/Patient/1
	URN                   // urn:uuid:..., urn:oid:...
	Contained             // #d
	Logical               // by identifier only
	Odd                   // something else: a bare id, a search
)

// Ref is a reference taken apart. Its strings lie in the text that was parsed.
type Ref struct {
	Kind    Kind
	Type    string // Relative, Absolute; for other kinds the type that was sent beside the reference
	ID      string // Relative, Absolute; Contained without the #; the whole of URN and Odd
	Base    string // Absolute: the server's base, without a slash at the end
	Version string // of a versioned reference
	Key     string // Logical: the identifier's [Identifier.Key]
}

// ParseReference takes the text of a reference apart. It never fails: what it does not know is Odd.
func ParseReference(s string) Ref {
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return Ref{}
	case s[0] == '#':
		return Ref{Kind: Contained, ID: s[1:]}
	case hasFold(s, "urn:"):
		return Ref{Kind: URN, ID: s}
	}
	return parseLiteral(s)
}

// parseLiteral reads [base/]Type/id[/_history/version].
func parseLiteral(s string) Ref {
	odd := Ref{Kind: Odd, ID: s}
	if strings.ContainsAny(s, "?#") || strings.ContainsFunc(s, unicode.IsSpace) {
		return odd
	}
	rest, version := s, ""
	if i := strings.Index(s, "/_history/"); i > 0 {
		rest, version = s[:i], s[i+len("/_history/"):]
	}
	rest = strings.TrimSuffix(rest, "/")
	i := strings.LastIndexByte(rest, '/')
	if i < 0 || i+1 == len(rest) {
		return odd
	}
	id, before := rest[i+1:], rest[:i]
	base, typ := "", before
	if j := strings.LastIndexByte(before, '/'); j >= 0 {
		base, typ = before[:j], before[j+1:]
	}
	if !typeShaped(typ) {
		return odd
	}
	r := Ref{Kind: Relative, Type: typ, ID: id, Version: version}
	switch {
	case hasFold(base, "http://"), hasFold(base, "https://"):
		r.Kind, r.Base = Absolute, strings.TrimRight(base, "/")
	case base != "":
		return odd
	}
	return r
}

// typeShaped says whether s looks like the name of a resource type: letters, the first a capital.
func typeShaped(s string) bool {
	for i := range len(s) {
		upper, lower := s[i] >= 'A' && s[i] <= 'Z', s[i] >= 'a' && s[i] <= 'z'
		if !upper && !lower || i == 0 && !upper {
			return false
		}
	}
	return s != ""
}

// hasFold says whether s begins with prefix (lower case), in whatever case.
func hasFold(s, prefix string) bool {
	return len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix)
}

// Parse takes a reference apart: by its text, else by its identifier.
func (r Reference) Parse() Ref {
	out := ParseReference(r.Reference)
	if out.Kind == NoRef && r.Identifier != nil && r.Identifier.Value != "" {
		out = Ref{Kind: Logical, Key: r.Identifier.Key()}
	}
	if out.Type == "" {
		out.Type = r.Type
	}
	return out
}

// Local is the canonical local form "Type/id": of a relative reference, and of an absolute one whose base own
// accepts as the source's own server or a name of it. It is "" for all others. A nil own accepts no base.
func (r Ref) Local(own func(base string) bool) string {
	if r.Kind == Relative || r.Kind == Absolute && own != nil && own(r.Base) {
		return r.Type + "/" + r.ID
	}
	return ""
}

// String is a form that can be compared and kept, whatever the kind, without the version: "Type/id",
// "https://host/fhir/Type/id", "urn:uuid:...", "#d", the identifier's key, or the text as it was.
func (r Ref) String() string {
	switch r.Kind {
	case Relative:
		return r.Type + "/" + r.ID
	case Absolute:
		return r.Base + "/" + r.Type + "/" + r.ID
	case Contained:
		return "#" + r.ID
	case Logical:
		return r.Key
	}
	return r.ID
}

// Key is "system|value", as FHIR searches for tokens; the system may be empty.
func (i Identifier) Key() string { return i.System + "|" + i.Value }

// UIDKey gives a DICOM UID in the one form in which it can be compared: without urn:oid:, blanks and the zero byte that
// DICOM pads with. It gives "" for what is no UID (PS3.5 section 9.1: digits and dots, at most 64 characters).
func UIDKey(s string) string {
	if len(s) == 0 || s[0] <= ' ' || s[len(s)-1] <= ' ' {
		s = strings.Trim(s, " \t\r\n\x00")
	}
	for _, prefix := range []string{"urn:oid:", "urn:dicom:uid:", "urn:ietf:rfc:3986:"} {
		if s != "" && s[0]|0x20 == 'u' && hasFold(s, prefix) {
			s = strings.Trim(s[len(prefix):], " \x00")
		}
	}
	if len(s) == 0 || len(s) > 64 || s[0] == '.' || s[len(s)-1] == '.' || !strings.Contains(s, ".") {
		return ""
	}
	var odd, before byte
	for i := range len(s) { // without a step that cannot be foreseen
		is := uidSigns[s[i]]
		odd |= is&0x80 | is&before
		before = is
	}
	if odd != 0 {
		return ""
	}
	return s
}

// uidSigns says of each byte what it is in a UID: 1 the dot, 0 a digit, 0x80 none.
const (
	noUID    = "\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80"
	uidSigns = noUID + noUID + "\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x01\x80" + "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x80\x80\x80\x80\x80\x80" +
		noUID + noUID + noUID + noUID + noUID + noUID + noUID + noUID + noUID + noUID + noUID + noUID
)

// StudyUID finds the study instance UID among an ImagingStudy's identifiers, in its canonical form, "" without one.
// It takes an identifier of the system urn:dicom:uid or with urn:oid: before its value, then a bare UID of
// at least five parts (an accession number may hold dots too, and is marked by its type).
func StudyUID(ids []Identifier) string {
	bare := ""
	for i := range ids {
		id := &ids[i]
		uid := UIDKey(id.Value)
		switch {
		case uid == "" || hasCode(id.Type, "ACSN"):
		case hasFold(id.System, "urn:dicom:uid"), hasFold(strings.TrimSpace(id.Value), "urn:"):
			return uid
		case bare == "" && strings.Count(uid, ".") >= 4 && (id.System == "" || hasFold(id.System, "urn:ietf:rfc:3986")):
			bare = uid
		}
	}
	return bare
}

// Accession finds the accession number among identifiers, the one of type ACSN (HL7 v2 table 0203), "" without one, and
// who gave it: its system, else its assigner's reference or name, else the given source. An accession number means
// something only within the place that gave it.
func Accession(ids []Identifier, source string) (by, number string) {
	for i := range ids {
		id := &ids[i]
		if id.Value != "" && hasCode(id.Type, "ACSN") {
			return cmp.Or(id.System, id.Assigner.Reference, id.Assigner.Display, source), id.Value
		}
	}
	return "", ""
}
