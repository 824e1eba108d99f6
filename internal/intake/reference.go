package intake

import (
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
	if id, ok := strings.CutPrefix(r.Reference, "Patient/"); ok && id != "" && r.Type == "" && !strings.ContainsAny(id, "/?# ") {
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
func plain(r *fhir.Reference) string { return r.Parse().String() }

// plainAll gives the references of a list, without those that say nothing.
func plainAll(list []fhir.Reference) []string {
	var out []string
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

// splitAddress takes "base/Type/id" apart; false for other forms.
func splitAddress(address string) (base, local string, ok bool) {
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

// hashText is FNV-1a of 64 bits: a filter for keys that are compared whole
// afterwards.
func hashText(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}
