package yamldoc

import (
	"errors"
	"fmt"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// builder turns the library's tree into ours.
type builder struct {
	file     string
	problems []Problem
}

// build runs the library over a checked document. A panic inside the library
// becomes a problem: a broken file must not stop a daemon.
func build(name string, doc []byte) (n *Node, ps []Problem) {
	b := &builder{file: name}
	defer func() {
		if r := recover(); r != nil {
			n, ps = nil, []Problem{{File: name, Text: fmt.Sprintf("this is not readable as YAML (%v)", r)}}
		}
	}()
	tokens := lexer.Tokenize(strings.ReplaceAll(string(doc), "\r\n", "\n")) // the lexer counts a line twice that ends in both
	if b.refuse(tokens); len(b.problems) > 0 {
		return nil, b.problems
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, []Problem{b.syntax(err)}
	}
	n = b.document(file)
	return n, b.problems
}

// refuse reports every construct outside the dialect, and nesting that the
// library's recursion should not be given.
func (b *builder) refuse(tokens token.Tokens) {
	flow, marks, line, headers := 0, 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, marks = t.Position.Line, 0
		}
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			flow++
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType, token.MappingKeyType, token.MappingValueType:
			marks++
		case token.DocumentHeaderType:
			headers++
		}
		if text := refused(t.Type, headers); text != "" {
			b.at(t, text)
		}
		if flow > MaxDepth || marks > maxPerLine {
			b.at(t, fmt.Sprintf("lists and maps are nested more than %d deep", MaxDepth))
			return
		}
	}
}

// refused says why a token is outside the dialect; empty where it is inside.
func refused(t token.Type, headers int) string {
	switch t {
	case token.AnchorType:
		return `anchors ("&name") are not used here; write the value out`
	case token.AliasType:
		return `aliases ("*name") are not used here; write the value out, or put text that starts with * in quotes`
	case token.MergeKeyType:
		return `merge keys ("<<") are not used here; write the keys out`
	case token.TagType:
		return `tags ("!name") are not used here; put text that starts with ! in quotes`
	case token.DirectiveType:
		return `directives ("%NAME") are not used here; remove the line`
	case token.DocumentHeaderType:
		if headers > 1 {
			return `a second document starts here ("---"); a file holds one`
		}
	}
	return ""
}

func (b *builder) at(t *token.Token, text string) {
	b.problems = append(b.problems, Problem{File: b.file, Line: t.Position.Line, Col: t.Position.Column, Text: text})
}

// syntax turns the library's error into a problem with a place.
func (b *builder) syntax(err error) Problem {
	var ye yaml.Error
	if !errors.As(err, &ye) {
		return Problem{File: b.file, Text: "this is not readable as YAML: " + err.Error()}
	}
	p := Problem{File: b.file, Text: "this is not readable as YAML: " + ye.GetMessage()}
	if t := ye.GetToken(); t != nil && t.Position != nil {
		p.Line, p.Col = t.Position.Line, t.Position.Column
	}
	return p
}

func (b *builder) document(file *ast.File) *Node {
	var root *Node
	for _, d := range file.Docs {
		if d.Body == nil {
			continue
		}
		if _, onlyComment := d.Body.(*ast.CommentGroupNode); onlyComment {
			continue
		}
		n := b.node(d.Body, 0)
		if root != nil {
			b.problems = append(b.problems, Problem{File: b.file, Line: n.Line, Col: n.Col,
				Text: `a second document starts here; a file holds one`})
			break
		}
		root = n
	}
	if root == nil {
		return &Node{Kind: Null, Line: 1, Col: 1}
	}
	return root
}

// node turns one value into ours; depth counts the maps and lists around it.
func (b *builder) node(in ast.Node, depth int) *Node {
	t := in.GetToken()
	n := &Node{Line: t.Position.Line, Col: t.Position.Column}
	if depth > MaxDepth {
		b.at(t, fmt.Sprintf("lists and maps are nested more than %d deep", MaxDepth))
		return n
	}
	switch v := in.(type) {
	case *ast.MappingNode:
		b.mapping(n, v.Values, depth)
	case *ast.MappingValueNode:
		b.mapping(n, []*ast.MappingValueNode{v}, depth)
	case *ast.SequenceNode:
		n.Kind = List
		for _, item := range v.Values {
			n.Items = append(n.Items, b.node(item, depth+1))
		}
	case *ast.NullNode:
		n.Kind = Null
	case *ast.LiteralNode:
		n.Kind, n.Value, n.Quoted = Scalar, v.Value.Value, true
	case *ast.StringNode:
		n.Kind, n.Value, n.Quoted = Scalar, v.Value, quoted(v.Token)
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		n.Kind, n.Value = Scalar, t.Value
	default:
		b.at(t, fmt.Sprintf("this kind of value (%v) is not used here", in.Type()))
	}
	return n
}

func quoted(t *token.Token) bool {
	return t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType
}

// mapping fills a map; the map's place is that of its first key.
func (b *builder) mapping(n *Node, values []*ast.MappingValueNode, depth int) {
	n.Kind = Map
	seen := make(map[string]int, len(values))
	for i, v := range values {
		key, ok := b.key(v.Key)
		if !ok {
			continue
		}
		if i == 0 {
			n.Line, n.Col = key.Line, key.Col
		}
		if line, twice := seen[key.Key]; twice {
			b.at(v.Key.GetToken(), fmt.Sprintf("the key %q stands twice in this map, first on line %d", key.Key, line))
			continue
		}
		seen[key.Key] = key.Line
		key.Value = b.value(v, depth)
		n.Fields = append(n.Fields, key)
	}
}

// value is the value of a key; nothing written is a Null at the key's place.
func (b *builder) value(v *ast.MappingValueNode, depth int) *Node {
	if v.Value == nil {
		t := v.Key.GetToken()
		return &Node{Kind: Null, Line: t.Position.Line, Col: t.Position.Column}
	}
	return b.node(v.Value, depth+1)
}

// key reads the key of a map, which must be plain text.
func (b *builder) key(in ast.MapKeyNode) (Field, bool) {
	t := in.GetToken()
	f := Field{Line: t.Position.Line, Col: t.Position.Column}
	switch k := in.(type) {
	case *ast.StringNode:
		f.Key = k.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NullNode:
		f.Key = t.Value
	default:
		b.at(t, "a key must be a single word or text in quotes")
		return f, false
	}
	return f, true
}
