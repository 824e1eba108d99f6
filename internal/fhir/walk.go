package fhir

import (
	"bytes"
	"encoding/json"
)

// skipper finds the end of one JSON value by counting brackets outside strings. It may be fed in pieces.
type skipper struct {
	depth   int
	inText  bool // inside a string
	escaped bool // the piece before ended in an odd number of backslashes
	newline bool // the piece before ended in a line end, inside a string
	bare    bool // inside a number, true, false or null
	torn    bool // a line end inside a string, followed by "{": the line was cut, and this is the next one
}

// The byte classes outside strings.
const (
	plain = iota
	blank
	quote
	open
	shut
	comma // and colon
)

// class tells what a byte does outside strings.
func class(c byte) uint8 {
	switch c {
	case '"':
		return quote
	case '{', '[':
		return open
	case '}', ']':
		return shut
	case ' ', '\t', '\r', '\n':
		return blank
	case ',', ':':
		return comma
	}
	return plain
}

// feed takes the next piece. It returns how much of it belongs to the value, and whether the value ends there.
// The first piece must start at the value's first byte.
func (k *skipper) feed(b []byte) (n int, done bool) {
	for n < len(b) {
		if k.inText {
			n += k.text(b[n:])
			if k.torn || k.inText {
				return n, false
			}
			if k.depth == 0 {
				return n, true
			}
			continue
		}
		if k.depth > 0 {
			// The tight loop: most bytes outside strings change nothing.
			for n < len(b) && (b[n] > '"' && b[n] < '[' || class(b[n]) < quote || class(b[n]) == comma) {
				n++
			}
			if n == len(b) {
				return n, false
			}
		}
		if k.step(b[n]) {
			if k.bare {
				return n, true // the delimiter is not part of a bare value
			}
			return n + 1, true
		}
		n++
	}
	return n, false
}

// step takes one byte outside strings and says whether the value ends with it.
func (k *skipper) step(c byte) (end bool) {
	switch class(c) {
	case quote:
		if k.bare {
			return true
		}
		k.inText = true
	case open:
		if k.bare {
			return true
		}
		k.depth++
	case shut:
		if k.bare {
			return true
		}
		k.depth--
		return k.depth <= 0
	case plain:
		k.bare = k.depth == 0
	default:
		return k.bare
	}
	return false
}

// text takes bytes of a string up to and with its closing quote.
func (k *skipper) text(b []byte) int {
	if k.newline && b[0] == '{' {
		k.torn = true
		return 0
	}
	k.newline = false
	from := 0
	for {
		j := bytes.IndexByte(b[from:], '"')
		end := from + j
		if j < 0 {
			end = len(b)
		}
		if i := bytes.Index(b[from:end], []byte("\n{")); i >= 0 {
			k.torn = true
			return from + i + 1
		}
		odd := oddBackslashes(b[from:end], k.escaped)
		k.escaped = false
		if j < 0 {
			k.escaped = odd
			k.newline = b[len(b)-1] == '\n'
			return len(b)
		}
		if !odd {
			k.inText = false
			return end + 1
		}
		from = end + 1
		if from == len(b) {
			return from
		}
	}
}

// oddBackslashes says whether b ends in an odd number of backslashes, b being preceded by one more when before.
func oddBackslashes(b []byte, before bool) bool {
	n := 0
	for n < len(b) && b[len(b)-1-n] == '\\' {
		n++
	}
	if n == len(b) && before {
		n++
	}
	return n%2 == 1
}

// spaces gives the number of blank bytes at the start of b.
func spaces(b []byte) int {
	n := 0
	for n < len(b) && class(b[n]) == blank {
		n++
	}
	return n
}

// walk calls f for each member of the object at the start of b, as far as it can be followed, until f returns
// false. The value is whole unless b ends inside it. walk returns whether it reached the object's end.
func walk(b []byte, f func(key, value []byte, whole bool) bool) bool {
	i := spaces(b)
	if i == len(b) || b[i] != '{' {
		return false
	}
	i++
	for {
		for i < len(b) && (class(b[i]) == blank || b[i] == ',') {
			i++
		}
		if i == len(b) || b[i] != '"' {
			return i < len(b) && b[i] == '}'
		}
		var k skipper
		n, done := k.feed(b[i:])
		if !done {
			return false
		}
		key := b[i+1 : i+n-1]
		i += n
		i += spaces(b[i:])
		if i == len(b) || b[i] != ':' {
			return false
		}
		i++
		i += spaces(b[i:])
		if i == len(b) {
			return false
		}
		var v skipper
		n, done = v.feed(b[i:])
		if n == 0 || !f(key, b[i:i+n], done) || !done {
			return false
		}
		i += n
	}
}

// walkList calls f for each element of the list at the start of b until f returns false; a value that is no
// list is taken as its only element.
func walkList(b []byte, f func(value []byte, whole bool) bool) {
	i := spaces(b)
	if i == len(b) {
		return
	}
	if b[i] != '[' {
		f(b[i:], true)
		return
	}
	i++
	for {
		for i < len(b) && (class(b[i]) == blank || b[i] == ',') {
			i++
		}
		if i == len(b) || b[i] == ']' {
			return
		}
		var v skipper
		n, done := v.feed(b[i:])
		if n == 0 || !f(b[i:i+n], done) || !done {
			return
		}
		i += n
	}
}

// member gives the value of one member of the object at the start of b, nil if it is not there.
func member(b []byte, name string) (value []byte) {
	walk(b, func(key, v []byte, _ bool) bool {
		if string(key) == name {
			value = v
			return false
		}
		return true
	})
	return value
}

// text gives the string that a JSON value holds, "" if it is no string.
func text(value []byte) string {
	if len(value) < 2 || value[0] != '"' || value[len(value)-1] != '"' {
		return ""
	}
	if bytes.IndexByte(value, '\\') < 0 {
		return string(value[1 : len(value)-1])
	}
	var s string
	if json.Unmarshal(value, &s) != nil {
		return ""
	}
	return s
}

// typePrefix is how nearly every server begins a resource.
const typePrefix = `{"resourceType":"`

// Peek finds the type and id of a body, "" where they are missing or are not strings.
func Peek(body []byte) (typ, id string) {
	walk(body, func(key, value []byte, whole bool) bool {
		switch string(key) {
		case "resourceType":
			typ = text(value)
		case "id":
			id = text(value)
		}
		return typ == "" || id == ""
	})
	return typ, id
}

// peekType is the type of a body, with a short way for the usual form.
func peekType(body []byte) string {
	if len(body) > len(typePrefix) && string(body[:len(typePrefix)]) == typePrefix {
		rest := body[len(typePrefix):]
		if i := bytes.IndexByte(rest[:min(len(rest), 64)], '"'); i > 0 && bytes.IndexByte(rest[:i], '\\') < 0 {
			return typeName(rest[:i])
		}
	}
	return text(member(body, "resourceType"))
}
