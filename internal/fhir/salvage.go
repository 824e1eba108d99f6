package fhir

import "strings"

// Salvaged is what could be found in a body that was refused. All strings are copies.
type Salvaged struct {
	Type, ID, Version string
	Updated           string // meta.lastUpdated
	PatientRef        string // reference to the patient, as sent; "Patient/id" for a Patient
}

// Ref is the local reference "Type/id", "" without both.
func (s Salvaged) Ref() string {
	if s.Type == "" || s.ID == "" {
		return ""
	}
	return s.Type + "/" + s.ID
}

// Salvage finds what it can in a body that is broken, cut or of the wrong shape.
func Salvage(body []byte) Salvaged {
	var s Salvaged
	walk(body, func(key, value []byte, _ bool) bool {
		s.take(string(key), value)
		return true
	})
	if s.Type == "Patient" {
		s.PatientRef = s.Ref()
	}
	return s
}

// take notes one member if it is of use.
func (s *Salvaged) take(key string, value []byte) {
	switch key {
	case "resourceType":
		s.Type = text(value)
	case "id":
		s.ID = text(value)
	case "meta":
		s.Version, s.Updated = text(member(value, "versionId")), text(member(value, "lastUpdated"))
	case "patient", "subject", "individual", "for":
		if s.PatientRef == "" {
			s.PatientRef = referenceIn(value)
		}
	case "participant":
		walkList(value, func(v []byte, _ bool) bool {
			if ref := referenceIn(member(v, "actor")); strings.Contains(ref, "Patient/") {
				s.PatientRef = ref
			}
			return s.PatientRef == ""
		})
	}
}

// referenceIn finds the reference in a value: an object with one, plain text, or the first of a list of either.
func referenceIn(value []byte) (ref string) {
	walkList(value, func(v []byte, _ bool) bool {
		if ref = text(v); ref == "" {
			ref = text(member(v, "reference"))
		}
		return false
	})
	return ref
}
