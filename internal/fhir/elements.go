package fhir

import (
	"reflect"
	"strings"
)

// Elements are the members of a type that are read, as _elements names them, for the types of which a server may be asked
// for these alone; nil for the others. Those others have members of which the name says the type (performedDateTime):
// servers do not agree on how _elements names them, and a date that stays away would go unnoticed.
func Elements(typ string) []string {
	switch typ {
	case "ImagingStudy":
		return members(reflect.TypeFor[ImagingStudy]())
	case "DocumentReference":
		return members(reflect.TypeFor[DocumentReference]())
	}
	return nil
}

// members are the JSON names of a record's fields, those that every resource has aside.
func members(t reflect.Type) (names []string) {
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.IsExported() && !f.Anonymous && name != "" && name != "-" && name[0] != '_' {
			names = append(names, name)
		}
	}
	return names
}
