package intake

import (
	"math/bits"
	"strings"

	"perennial/internal/fhir"
)

// Marks of keys that are not yet the id of a patient record: no FHIR id holds
// these characters.
const (
	markLogical   = '=' // "=system|value": by identifier
	markContained = '#' // "#p": inside the resource itself
	markBare      = '?' // "?12345": not a reference, perhaps an id
	markByRef     = '!' // "!": whose it is, an older version of the resource may tell
)

// PatientKey is the key under which the statements of a patient are collected:
// the id of the record for "Patient/id" (with or without a version), else a
// form that can be resolved when all records are known: an address
// ("https://host/fhir/Patient/1", "urn:uuid:…"), "=system|value" for an
// identifier, "?text" for a bare id, "?" where only a name was sent. It is empty
// where the reference is missing or is about something else than a patient.
func PatientKey(r fhir.Reference) string {
	if id, ok := strings.CutPrefix(r.Reference, "Patient/"); ok && r.Type == "" && isID(id) {
		return id
	}
	ref := r.Parse()
	if ref.Type != "" && ref.Type != "Patient" {
		return ""
	}
	switch ref.Kind {
	case fhir.Relative:
		return ref.ID
	case fhir.Absolute, fhir.URN:
		return ref.String()
	case fhir.Logical:
		return string(markLogical) + ref.Key
	case fhir.Contained:
		return string(markContained) + ref.ID
	case fhir.Odd:
		return string(markBare) + ref.ID
	}
	if r.IsZero() {
		return ""
	}
	return string(markBare) // a name, or an identifier without a value: nobody's, but not nothing
}

// provisional says whether a key is not the id of a record.
func provisional(key string) bool {
	return key != "" && (key[0] == markLogical || key[0] == markContained || key[0] == markBare || key[0] == markByRef || strings.Contains(key, ":"))
}

// plain is a reference to something else than a patient, in the form in which
// it can be compared.
func plain(r *fhir.Reference) string {
	if typ, id, ok := strings.Cut(r.Reference, "/"); ok && isID(id) && isType(typ) {
		return r.Reference // the usual form, which is plain already
	}
	return r.Parse().String()
}

// isID says whether a text has only signs that FHIR allows in an id.
func isID(s string) bool {
	for i := range len(s) {
		if signs[s[i]] == '!' {
			return false
		}
	}
	return s != ""
}

// isType says whether a text looks like the name of a resource type.
func isType(s string) bool {
	for i := range len(s) {
		if signs[s[i]]|0x20 != 'a' {
			return false
		}
	}
	return s != "" && s[0] <= 'Z'
}

// signs says of each byte what it is in a reference: A a capital, a a small
// letter, 0 another sign of an id, ! none. A table, because what comes next
// cannot be foreseen.
const (
	noSigns = "!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!"
	signs   = noSigns + "!!!!!!!!!!!!!00!0000000000!!!!!!" + "!AAAAAAAAAAAAAAAAAAAAAAAAAA!!!!!" + "!aaaaaaaaaaaaaaaaaaaaaaaaaa!!!!!" + noSigns + noSigns + noSigns + noSigns
)

// plainAll gives the references of a list, without those that say nothing.
func plainAll(list []fhir.Reference) []string { return appendPlain(nil, list) }

// appendPlain is plainAll behind what is there.
func appendPlain(out []string, list []fhir.Reference) []string {
	for i := range list {
		if s := plain(&list[i]); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// typed gives the references to one type.
func typed(list []fhir.Reference, typ string) []string {
	var out []string
	for i := range list {
		ref := list[i].Parse()
		if s := ref.String(); s != "" && (ref.Type == typ || ref.Type == "") {
			out = append(out, s)
		}
	}
	return out
}

// SplitAddress takes "base/Type/id" apart; false for other forms.
func SplitAddress(address string) (base, local string, ok bool) {
	i := strings.LastIndexByte(address, '/')
	if i < 0 || !strings.Contains(address, "://") {
		return "", "", false
	}
	j := strings.LastIndexByte(address[:i], '/')
	if j < 0 {
		return "", "", false
	}
	return address[:j], address[j+1:], true
}

// hashFast is a hash of 64 bits that takes eight bytes at a time: a filter for
// keys that are compared whole afterwards.
func hashFast(s string) uint64 {
	const odd = 0x9e3779b97f4a7c15
	h := uint64(len(s)) * odd
	for ; len(s) >= 8; s = s[8:] {
		w := uint64(s[0]) | uint64(s[1])<<8 | uint64(s[2])<<16 | uint64(s[3])<<24 | uint64(s[4])<<32 | uint64(s[5])<<40 | uint64(s[6])<<48 | uint64(s[7])<<56
		high, low := bits.Mul64(h^w, odd)
		h = high ^ low
	}
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * odd
	}
	high, low := bits.Mul64(h, odd)
	return high ^ low
}

// hashText is FNV-1a of 64 bits: a name for what has none.
func hashText(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}
