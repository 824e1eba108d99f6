// Package yamldoc reads a YAML document into a tree in which everything knows
// its line and column. Settings, protocols and code lists are read with it; it
// is the only package that knows the YAML library.
//
// A document that people write by hand should be answered once, with all that
// is wrong in it, each with its place: Parse makes the tree, Reader walks it
// with typed getters and collects problems instead of stopping at the first.
//
// The dialect is small on purpose, so that a document means what it seems to
// mean: one document, maps, lists, scalars and nulls. Anchors, aliases, merge
// keys, tags and directives are refused, so is a key that stands twice in a
// map. A scalar stays the text that was written: 0254 stays 0254, and "no" is
// a word until a getter asks for a bool.
package yamldoc

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Limits of a document. Settings and code lists are far below them.
const (
	// MaxBytes is the largest document read, in bytes.
	MaxBytes = 1 << 20
	// MaxDepth is how deep maps and lists may be nested.
	MaxDepth = 64
	// maxPerLine bounds list and key marks on one line ("- - - x").
	maxPerLine = 4096
)

// Kind is the shape of a Node. The zero Kind is Null.
type Kind uint8

// The shapes.
const (
	Null   Kind = iota // nothing written, "~" or "null"
	Scalar             // a piece of text; numbers and words for yes and no too
	List               // items in order
	Map                // keys with values in order
)

// String names the shape as it is said in problems.
func (k Kind) String() string {
	names := [...]string{"nothing", "a single value", "a list", "a map"}
	if int(k) >= len(names) {
		return fmt.Sprintf("kind %d", uint8(k))
	}
	return names[k]
}

// Node is one value in a document. Nodes are not changed after Parse.
type Node struct {
	Kind   Kind
	Line   int     // from 1
	Col    int     // from 1, in characters
	Value  string  // the text of a Scalar, as written, without quotes
	Quoted bool    // a Scalar in quotes, or a block of text ("|", ">")
	Fields []Field // of a Map, in order, each key once
	Items  []*Node // of a List, in order
}

// Field is a key of a map with its value, which is never nil.
type Field struct {
	Key       string
	Line, Col int // of the key
	Value     *Node
}

// Get gives the value under a key of a map; nil where the key is absent or n
// is not a map.
func (n *Node) Get(key string) *Node {
	if f := n.field(key); f != nil {
		return f.Value
	}
	return nil
}

func (n *Node) field(key string) *Field {
	if n == nil {
		return nil
	}
	for i := range n.Fields {
		if n.Fields[i].Key == key {
			return &n.Fields[i]
		}
	}
	return nil
}

// Problem is one thing that is wrong in a document, with its place. It never
// repeats more of the document than a key or a word.
type Problem struct {
	File       string // the name given to Parse
	Line, Col  int    // from 1; 0 where the whole file is meant
	Path       string // e.g. codes[3].class; empty at the top
	Text       string // what is wrong and what is expected
	Suggestion string // the nearest known word, or what to do; may be empty
}

// Error says the problem on one line, e.g.
// "site.yaml:4:9: codes[0].class: unknown word "evra" (did you mean "evar"?)".
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Col)
	}
	b.WriteString(": ")
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	b.WriteString(p.Text)
	if p.Suggestion != "" {
		fmt.Fprintf(&b, " (did you mean %q?)", p.Suggestion)
	}
	return b.String()
}

// Problems are all that is wrong in one or several documents.
type Problems []Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Sort puts problems in the order of file, line and column, each once.
func Sort(ps []Problem) []Problem {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		if c := strings.Compare(a.File, b.File); c != 0 {
			return c
		}
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Col - b.Col
	})
	return slices.Compact(ps)
}

// Parse reads one document. name is used in problems only. An empty document
// is a Null node. The error, if any, is a Problems: the first fault of syntax,
// or every key that stands twice and every construct that is refused.
func Parse(name string, doc []byte) (*Node, error) {
	doc = bytes.TrimPrefix(doc, []byte("\xef\xbb\xbf"))
	if p, bad := precheck(name, doc); bad {
		return nil, Problems{p}
	}
	n, ps := build(name, doc)
	if len(ps) > 0 {
		return nil, Problems(Sort(ps))
	}
	return n, nil
}

// precheck refuses what must not reach the YAML library at all.
func precheck(name string, doc []byte) (Problem, bool) {
	if len(doc) > MaxBytes {
		return Problem{File: name, Text: fmt.Sprintf("the file has %d bytes; more than %d are not read", len(doc), MaxBytes)}, true
	}
	line := 1
	for rest := doc; len(rest) > 0; {
		r, size := utf8.DecodeRune(rest)
		switch {
		case r == utf8.RuneError && size == 1:
			return Problem{File: name, Line: line, Col: 1, Text: "this line is not UTF-8 text; save the file as UTF-8"}, true
		case r == '\n':
			line++
		case r < ' ' && r != '\t' && r != '\r', r == 0x7f:
			return Problem{File: name, Line: line, Col: 1, Text: fmt.Sprintf("this line holds the control character %U; remove it", r)}, true
		}
		rest = rest[size:]
	}
	return Problem{}, false
}
