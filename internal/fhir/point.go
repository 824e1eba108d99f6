package fhir

import (
	"strings"
	"unicode/utf8"
)

// Longest text that [Tidy] leaves, in letters; Lint allows some more.
const maxTidy = 3900

// Tidy makes a text fit for what we write: trimmed, valid, not too long.
func Tidy(text string) string {
	text = strings.TrimSpace(strings.ToValidUTF8(text, "?"))
	if utf8.RuneCountInString(text) > maxTidy {
		text = strings.TrimSpace(string([]rune(text)[:maxTidy])) + " …"
	}
	return text
}

// PointTo refers to a fact: by its address, or, where it has none on a server (a ruling, a hand-made implant), by its
// name with us. Of an empty name it gives no reference.
func PointTo(fact string) Reference {
	switch {
	case Tidy(fact) == "":
		return Reference{}
	case WellFormed(fact):
		return Reference{Reference: fact}
	}
	return Reference{Identifier: &Identifier{System: FactSystem, Value: Tidy(fact)}}
}

// PointToPatient refers to a patient by the key under which we know them (package intake: an id, an address,
// "=system|value" or "?text"), and by the first of their identifiers ("system|value").
func PointToPatient(key string, identifiers []string) Reference {
	r := PointTo(key)
	if WellFormed("Patient/" + key) {
		r = Reference{Reference: "Patient/" + key}
	} else if id, ok := strings.CutPrefix(key, "="); ok {
		r = Reference{Identifier: bySystem(id)}
	} else if id, ok := strings.CutPrefix(key, "?"); ok {
		r = Reference{Identifier: bySystem(id)}
	}
	if len(identifiers) > 0 && (r.Identifier == nil || r.Identifier.System == FactSystem) {
		r.Identifier = bySystem(identifiers[0])
	}
	if r.Identifier != nil && r.Identifier.Value == "" {
		r.Identifier = nil
	}
	return r
}

// bySystem takes "system|value" apart.
func bySystem(text string) *Identifier {
	system, value, ok := strings.Cut(text, "|")
	if !ok {
		return &Identifier{Value: Tidy(text)}
	}
	if strings.ContainsFunc(system, func(r rune) bool { return r <= ' ' }) {
		system = ""
	}
	return &Identifier{System: system, Value: Tidy(value)}
}
