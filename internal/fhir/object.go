package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"

	"perennial/internal/fault"
)

// Object is a resource of which each element is kept as it was written: for merging into what others wrote, where
// nothing that is not understood may be lost.
type Object map[string]json.RawMessage

// ParseObject reads a resource that a server gave; fault.Unavailable where it is no JSON object.
func ParseObject(body []byte) (Object, error) {
	var o Object
	if err := json.Unmarshal(body, &o); err != nil || o == nil {
		return nil, fault.New(fault.Unavailable, "read a resource", "", errors.New("it is not an object"))
	}
	return o, nil
}

// Text gives an element that is a text; "" where it is none.
func (o Object) Text(name string) string {
	var s string
	_ = json.Unmarshal(o[name], &s) // "" says enough
	return s
}

// List gives an element that is a list, each member as it was written; nil where it is none.
func (o Object) List(name string) []json.RawMessage {
	var l []json.RawMessage
	_ = json.Unmarshal(o[name], &l)
	return l
}

// Set writes an element: a text, a list, a part of a resource.
func (o Object) Set(name string, v any) {
	b, _ := Encode(v) // what is set are texts, lists and parts of what was read
	o[name] = b
}

// Same says whether two resources mean the same, however they are written.
func (o Object) Same(other Object) bool {
	return maps.EqualFunc(o, other, func(x, y json.RawMessage) bool {
		a, err1 := Canonical(x)
		b, err2 := Canonical(y)
		return err1 == nil && err2 == nil && a == b
	})
}

// SameIdentifier says whether two identifiers have one system and one value.
func SameIdentifier(a, b json.RawMessage) bool {
	var x, y Identifier
	return json.Unmarshal(a, &x) == nil && json.Unmarshal(b, &y) == nil && x.System == y.System && x.Value == y.Value
}

// Encode writes JSON on one line as FHIR wants it: < > and & as themselves.
func Encode(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}
