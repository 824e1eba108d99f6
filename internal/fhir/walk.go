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
	torn    bool // the value was cut: a line end and "{" inside a string, or "{" right after a value
	max     int  // the nesting that is allowed; 0 is any
	deep    bool // it is nested deeper
	done    bool // for the owner's use
	last    byte // the last byte outside strings that is not blank
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

// feed takes the next piece. It returns how much of it belongs to the value, and whether the value ends there. Without
// an end, all of the piece was taken, or the value is torn or deep. The first piece must start at the value's first byte.
func (k *skipper) feed(b []byte) (n int, done bool) {
	for n < len(b) {
		if k.inText {
			n += k.text(b[n:])
			if k.torn || k.inText || k.depth == 0 {
				return n, !k.torn && !k.inText
			}
			continue
		}
		if k.depth > 0 {
			// Most bytes outside strings change nothing.
			for n < len(b) && (b[n] > '"' && b[n] < '[' || neutral(b[n])) {
				n++
			}
			if n == len(b) {
				break
			}
		}
		if b[n] == '{' && k.afterValue(b[:n]) {
			k.torn = true
			return n, false
		}
		if k.step(b[n]) {
			if k.bare {
				return n, true // what ends a bare value is not part of it
			}
			return n + 1, true
		}
		if n++; k.max > 0 && k.depth > k.max {
			k.deep = true
			return n, false
		}
	}
	if !k.inText {
		k.last = lastSign(b, k.last)
	}
	return n, false
}

// neutral says whether a byte outside strings and inside an object or list leaves the skipper as it is.
func neutral(c byte) bool {
	return c != '"' && c != '{' && c != '[' && c != '}' && c != ']'
}

// afterValue says whether a value has just ended, so that no other may begin without a comma.
func (k *skipper) afterValue(before []byte) bool {
	if k.depth == 0 {
		return false
	}
	c := lastSign(before, k.last)
	return c == '}' || c == ']' || c == '"'
}

// lastSign is the last byte of b that is not blank, or the one before b.
func lastSign(b []byte, before byte) byte {
	for i := len(b) - 1; i >= 0; i-- {
		if class(b[i]) != blank {
			return b[i]
		}
	}
	return before
}

// step takes one byte outside strings and says whether the value ends with it.
func (k *skipper) step(c byte) (end bool) {
	kind := class(c)
	if k.bare {
		return kind != plain
	}
	switch kind {
	case quote:
		k.inText = true
	case open:
		k.depth++
	case shut:
		k.depth--
		return k.depth <= 0
	case plain:
		k.bare = k.depth == 0
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
