package fhir

import (
	"encoding/json"
	"errors"
	"reflect"
)

// Decimal is a JSON number as its text: 62.0 stays 62.0 and 1e2 stays 1e2. "" is absent.
type Decimal string

// UnmarshalJSON keeps the text of a number; anything else is a wrong type.
func (d *Decimal) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		return nil
	}
	if len(b) == 0 || b[0] != '-' && (b[0] < '0' || b[0] > '9') {
		return &json.UnmarshalTypeError{Value: jsonType(b), Type: reflect.TypeFor[json.Number]()}
	}
	*d = Decimal(b)
	return nil
}

// MarshalJSON writes the number as it was sent.
func (d Decimal) MarshalJSON() ([]byte, error) {
	if d == "" {
		return []byte("null"), nil
	}
	return []byte(d), nil
}

// ContainedDevices are the Devices among a resource's contained resources; the others are left out.
type ContainedDevices []Device

// UnmarshalJSON reads a list of resources of any type.
func (c *ContainedDevices) UnmarshalJSON(b []byte) error {
	var all []json.RawMessage
	if err := json.Unmarshal(b, &all); err != nil {
		return err
	}
	*c = nil
	for _, body := range all {
		if typ, _ := Peek(body); typ != "Device" {
			continue
		}
		var d Device
		if err := unmarshal(newDecoder(copying), body, &d); err != nil {
			return errors.New("a contained Device cannot be read")
		}
		*c = append(*c, d)
	}
	return nil
}

// jsonType names the JSON type of a value by its first byte, as encoding/json does.
func jsonType(b []byte) string {
	if len(b) == 0 {
		return "nothing"
	}
	switch b[0] {
	case '"':
		return "string"
	case '{':
		return "object"
	case '[':
		return "array"
	case 't', 'f':
		return "bool"
	case 'n':
		return "null"
	}
	return "number"
}
