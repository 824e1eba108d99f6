package yamldoc

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Reader collects the problems of one document while it is read. Use it from
// one goroutine.
//
//	r, top := yamldoc.Open("site.yaml", doc)
//	zone := top.NeedText("zone")
//	top.Done()                  // reports keys that nobody asked for
//	if ps := r.Problems(); len(ps) > 0 { … }
type Reader struct {
	file     string
	problems []Problem
}

// Open parses a document whose top is a map. Where it cannot be parsed, or its
// top is something else, the Reader holds the problem and the map is empty.
func Open(name string, doc []byte) (*Reader, *Section) {
	r := &Reader{file: name}
	n, err := Parse(name, doc)
	if ps, ok := err.(Problems); ok {
		r.problems = append(r.problems, ps...)
		return r, &Section{r: r, broken: true, node: &Node{Kind: Map}}
	}
	if n.Kind == Null {
		n.Kind = Map
	}
	return r, r.section(n, "")
}

// Problems gives all problems so far in the order of their places.
func (r *Reader) Problems() []Problem { return Sort(r.problems) }

// Report adds a problem at a place in the document.
func (r *Reader) Report(line, col int, path, text string) {
	r.problems = append(r.problems, Problem{File: r.file, Line: line, Col: col, Path: path, Text: text})
}

func (r *Reader) section(n *Node, path string) *Section {
	s := &Section{r: r, node: n, path: path}
	if n.Kind != Map {
		r.Report(n.Line, n.Col, path, "a map (key: value) is expected here, not "+n.Kind.String())
		s.node, s.broken = &Node{Kind: Map, Line: n.Line, Col: n.Col}, true
	}
	return s
}

// Section is a map of the document under a Reader. Each getter notes its key
// as known; Done then reports the keys that were not asked for. A getter that
// finds the wrong shape reports it and gives the absent value.
type Section struct {
	r      *Reader
	node   *Node
	path   string
	known  []string
	broken bool // a problem about the whole of it stands already
}

// Has says whether a key is written with a value that is not null. It does not
// note the key as known.
func (s *Section) Has(key string) bool {
	n := s.node.Get(key)
	return n != nil && n.Kind != Null
}

// Keys gives the keys as written, in order. It does not note them as known.
func (s *Section) Keys() []string {
	keys := make([]string, len(s.node.Fields))
	for i, f := range s.node.Fields {
		keys[i] = f.Key
	}
	return keys
}

// Path is the place of the map in the document, e.g. codes[3].
func (s *Section) Path() string { return s.path }

// At gives the line and column of a key's value, or of the map where the key
// is absent (or empty).
func (s *Section) At(key string) (line, col int) {
	if n := s.node.Get(key); n != nil {
		return n.Line, n.Col
	}
	return s.node.Line, s.node.Col
}

// Node gives the raw value of a key, nil where absent, and notes the key.
func (s *Section) Node(key string) *Node { return s.get(key) }

// Allow notes keys as known without reading them.
func (s *Section) Allow(keys ...string) { s.known = append(s.known, keys...) }

// Report adds a problem at a key's value (at the map where key is absent).
func (s *Section) Report(key, format string, args ...any) {
	s.suggest(key, "", format, args...)
}

func (s *Section) suggest(key, suggestion, format string, args ...any) {
	line, col := s.At(key)
	s.r.problems = append(s.r.problems, Problem{File: s.r.file, Line: line, Col: col,
		Path: s.under(key), Text: fmt.Sprintf(format, args...), Suggestion: suggestion})
}

// under is the path of a key in the map.
func (s *Section) under(key string) string {
	if key == "" || s.path == "" {
		return s.path + key
	}
	return s.path + "." + key
}

func (s *Section) get(key string) *Node {
	s.known = append(s.known, key)
	return s.node.Get(key)
}

// scalar gives the text of a key; false where it is absent, null or, after a
// report, not a single value.
func (s *Section) scalar(key, expected string) (string, bool) {
	n := s.get(key)
	if n == nil || n.Kind == Null {
		return "", false
	}
	if n.Kind != Scalar {
		s.Report(key, "%s is expected here, not %s", expected, n.Kind)
		return "", false
	}
	return n.Value, true
}

// need reports a key that must be there.
func (s *Section) need(key, expected string) {
	if !s.broken && !s.Has(key) {
		s.Report(key, "is missing; %s is expected", expected)
	}
}

// Text gives a text; "" where absent.
func (s *Section) Text(key string) string {
	v, _ := s.scalar(key, "text")
	return v
}

// NeedText gives a text that must be there and not be blank.
func (s *Section) NeedText(key string) string {
	s.need(key, "text")
	v, ok := s.scalar(key, "text")
	if ok && strings.TrimSpace(v) == "" {
		s.Report(key, "is blank; text is expected")
	}
	return v
}

// Int gives a whole number between least and most; absent gives otherwise.
func (s *Section) Int(key string, otherwise, least, most int) int {
	v, ok := s.scalar(key, "a whole number")
	if !ok {
		return otherwise
	}
	n, err := strconv.Atoi(v)
	if err != nil {
		s.Report(key, "a whole number is expected here, not %q", short(v))
		return otherwise
	}
	if n < least || n > most {
		s.Report(key, "%d is out of range; from %d to %d is allowed", n, least, most)
		return otherwise
	}
	return n
}

// Bool gives yes or no, written yes, no, on, off, true or false without
// quotes; absent gives otherwise.
func (s *Section) Bool(key string, otherwise bool) bool {
	v, ok := s.scalar(key, "yes or no")
	if !ok {
		return otherwise
	}
	switch strings.ToLower(v) {
	case "yes", "on", "true":
		return true
	case "no", "off", "false":
		return false
	}
	s.Report(key, "yes or no is expected here, not %q", short(v))
	return otherwise
}

// OneOf gives one of the words; "" where absent or, after a report that names
// the nearest word, where it is another.
func (s *Section) OneOf(key string, words ...string) string {
	v, ok := s.scalar(key, "a word")
	if !ok || slices.Contains(words, v) {
		return v
	}
	s.unknownWord(key, v, words)
	return ""
}

// NeedOneOf is OneOf for a key that must be there.
func (s *Section) NeedOneOf(key string, words ...string) string {
	s.need(key, "one of "+strings.Join(words, ", "))
	return s.OneOf(key, words...)
}

func (s *Section) unknownWord(key, got string, words []string) {
	near := Nearest(got, words)
	if near != "" {
		s.suggest(key, near, "unknown word %q", short(got))
		return
	}
	s.Report(key, "unknown word %q; one of %s is expected", short(got), strings.Join(words, ", "))
}

// Texts gives a list of texts; a single text is a list of one. Absent is nil.
func (s *Section) Texts(key string) []string {
	n := s.get(key)
	if n == nil || n.Kind == Null {
		return nil
	}
	if n.Kind == Scalar {
		return []string{n.Value}
	}
	if n.Kind != List {
		s.Report(key, "a list of texts is expected here, not %s", n.Kind)
		return nil
	}
	out := make([]string, 0, len(n.Items))
	for i, item := range n.Items {
		if item.Kind != Scalar {
			s.r.Report(item.Line, item.Col, s.item(key, i), "text is expected here, not "+item.Kind.String())
			continue
		}
		out = append(out, item.Value)
	}
	return out
}

// SomeOf gives a list of which each must be one of the words; others are
// reported and left out. A single word is a list of one.
func (s *Section) SomeOf(key string, words ...string) []string {
	var out []string
	for _, v := range s.Texts(key) {
		if slices.Contains(words, v) {
			out = append(out, v)
			continue
		}
		s.unknownWord(key, v, words)
	}
	return out
}

func (s *Section) item(key string, i int) string {
	return fmt.Sprintf("%s[%d]", s.under(key), i)
}

// Map gives the map under a key; nil where absent.
func (s *Section) Map(key string) *Section {
	n := s.get(key)
	if n == nil || n.Kind == Null {
		return nil
	}
	return s.r.section(n, s.under(key))
}

// Maps gives a list of maps; an item of another shape is reported and left
// out. Absent is nil.
func (s *Section) Maps(key string) []*Section {
	n := s.get(key)
	if n == nil || n.Kind == Null {
		return nil
	}
	if n.Kind != List {
		s.Report(key, "a list of maps is expected here, not %s", n.Kind)
		return nil
	}
	out := make([]*Section, 0, len(n.Items))
	for i, item := range n.Items {
		if m := s.r.section(item, s.item(key, i)); !m.broken {
			out = append(out, m)
		}
	}
	return out
}

// Period gives an ISO 8601 duration in whole years, months, weeks or days
// (P5Y, P12M, P30D, P1Y6M) as written; "" where absent. Hours are refused:
// clinical dates have no time of day.
func (s *Section) Period(key string) string {
	v, ok := s.scalar(key, "a period such as P30D")
	if !ok {
		return ""
	}
	if !isPeriod(v) {
		s.Report(key, "a period such as P30D, P12M or P5Y is expected here, not %q", short(v))
		return ""
	}
	return v
}

// isPeriod checks P, then number and unit in the order Y M W D, one at least.
func isPeriod(v string) bool {
	rest, ok := strings.CutPrefix(v, "P")
	if !ok || rest == "" || len(rest) > 16 {
		return false
	}
	units := "YMWD"
	for rest != "" {
		i := strings.IndexFunc(rest, func(r rune) bool { return r < '0' || r > '9' })
		if i < 1 || i > 4 {
			return false
		}
		u := strings.IndexByte(units, rest[i])
		if u < 0 {
			return false
		}
		units, rest = units[u+1:], rest[i+1:]
	}
	return true
}

// Done reports every key that no getter asked for, with the nearest known one.
// Call it once, after the last getter.
func (s *Section) Done() {
	for _, f := range s.node.Fields {
		if slices.Contains(s.known, f.Key) {
			continue
		}
		p := Problem{File: s.r.file, Line: f.Line, Col: f.Col, Path: s.path,
			Text: fmt.Sprintf("unknown key %q", short(f.Key)), Suggestion: Nearest(f.Key, s.known)}
		if p.Suggestion == "" && len(s.known) > 0 {
			p.Text += "; known here: " + strings.Join(s.sortedKnown(), ", ")
		}
		s.r.problems = append(s.r.problems, p)
	}
}

func (s *Section) sortedKnown() []string {
	k := slices.Clone(s.known)
	slices.Sort(k)
	return slices.Compact(k)
}

// short cuts what is repeated from a document to a readable length.
func short(v string) string {
	r := []rune(v)
	if len(r) <= 40 {
		return v
	}
	return string(r[:40]) + "…"
}
