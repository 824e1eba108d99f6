package protocol

import (
	"cmp"
	"fmt"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/yamldoc"
)

// MaxWindow is the largest number of days that a window, a review or an added
// visit may span on one side.
const MaxWindow = 3660

// Parse reads one protocol document (YAML; docs/protocol-format.md). name is
// used in problems only. Every problem is given at once, in the order of the
// document, with line, column and path, and a suggestion where a known word is
// near. With any problem the protocol is nil: a protocol that is only partly
// understood would drop visits silently.
func Parse(name string, doc []byte) (*Protocol, []yamldoc.Problem) {
	r, top := yamldoc.Open(name, doc)
	p := &parser{r: r, file: name, sources: map[string]string{}, ways: map[string][]Way{}}
	if len(r.Problems()) > 0 {
		return nil, r.Problems()
	}
	out := p.protocol(top)
	ps := yamldoc.Sort(append(r.Problems(), p.own...))
	if len(ps) > 0 {
		return nil, ps
	}
	tree := &yamldoc.Node{Kind: yamldoc.Map} // the document as it was read
	for _, key := range top.Keys() {
		tree.Fields = append(tree.Fields, yamldoc.Field{Key: key, Value: top.Node(key)})
	}
	out.Hash, out.Text = hashOf(tree), string(doc)
	return out, nil
}

// parser is the state of reading one document.
type parser struct {
	r       *yamldoc.Reader
	file    string
	own     []yamldoc.Problem // those that the reader cannot make itself
	sources map[string]string // citation by the document's own short name
	ways    map[string][]Way  // by name
	known   []string          // classes of the protocol
	whenAt  []place           // of the conditions of the triggers
	status  string
}

// place is where something stands in the document.
type place struct {
	line, col int
	path      string
}

// at is the place of a key's value, or of the map where the key is absent.
func at(s *yamldoc.Section, key string) place {
	line, col := s.At(key)
	path := s.Path()
	switch {
	case path == "":
		path = key
	case key != "":
		path += "." + key
	}
	return place{line, col, path}
}

func (p *parser) report(w place, suggestion, format string, args ...any) {
	p.own = append(p.own, yamldoc.Problem{File: p.file, Line: w.line, Col: w.col, Path: w.path, Text: fmt.Sprintf(format, args...), Suggestion: suggestion})
}

// word checks one word against those that are known.
func (p *parser) word(w place, what, got string, known []string) bool {
	for _, k := range known {
		if k == got {
			return true
		}
	}
	near := yamldoc.Nearest(got, known)
	text := fmt.Sprintf("unknown %s %q", what, short(got))
	if near == "" {
		text += "; known: " + strings.Join(known, ", ")
	}
	p.report(w, near, "%s", text)
	return false
}

// words gives the known words of a list; each other one is reported at its
// own place, and so is one that stands twice.
func (p *parser) words(s *yamldoc.Section, key, what string, known []string) []string {
	n := s.Node(key)
	if n == nil || n.Kind == yamldoc.Null {
		return nil
	}
	items, path := n.Items, at(s, key).path
	if n.Kind != yamldoc.List {
		items = []*yamldoc.Node{n}
	}
	var out []string
	for i, item := range items {
		w := place{item.Line, item.Col, path}
		if n.Kind == yamldoc.List {
			w.path = fmt.Sprintf("%s[%d]", path, i)
		}
		switch {
		case item.Kind != yamldoc.Scalar:
			p.report(w, "", "a word is expected here, not %s", item.Kind)
		case !p.word(w, what, item.Value, known):
		case has(out, item.Value):
			p.report(w, "", "%q stands twice", item.Value)
		default:
			out = append(out, item.Value)
		}
	}
	if len(items) == 0 {
		p.report(at(s, key), "", "the list is empty; name at least one %s, or leave the key out", what)
	}
	return out
}

func has(list []string, word string) bool {
	for _, w := range list {
		if w == word {
			return true
		}
	}
	return false
}

func (p *parser) protocol(top *yamldoc.Section) *Protocol {
	out := &Protocol{
		ID: p.id(top, "id"), Version: top.NeedText("version"), Title: top.NeedText("title"),
		Status:     top.NeedOneOf("status", statuses()...),
		Windows:    top.NeedOneOf("windows", profiles()...),
		Study:      cmp.Or(top.OneOf("study_windows", studies()...), "trial-v1"),
		Bins:       cmp.Or(top.OneOf("analysis_bins", bins()...), "registry-ltfu-v1"),
		PerPatient: top.OneOf("choose", choosers()...) == "patient",
		Late:       top.Bool("late", true), KeepClock: top.Bool("keep_clock", false),
		Gap: p.offset(top, "gap", true),
	}
	p.status = out.Status
	if strings.ContainsAny(out.Version, "@/ \n") {
		top.Report("version", "a version holds no space, @ or /")
	}
	out.Classes = p.needWords(top, "classes", "class", Classes())
	p.known = out.Classes
	p.readSources(top)
	out.Cite = p.cite(top)
	p.readWays(top)
	out.Covers = p.covers(top)
	rows := p.series(top)
	for _, row := range rows {
		out.Series = append(out.Series, row.Series)
	}
	out.Triggers = p.triggers(top)
	top.Done()
	p.check(top, out, rows)
	return out
}

// needWords is words for a list that must be there.
func (p *parser) needWords(s *yamldoc.Section, key, what string, known []string) []string {
	if !s.Has(key) {
		s.Allow(key)
		p.report(at(s, key), "", "is missing; a list of one %s or more is expected", what)
		return nil
	}
	return p.words(s, key, what, known)
}

// id reads the name of a protocol, series, step or trigger.
func (p *parser) id(s *yamldoc.Section, key string) string {
	id := s.NeedText(key)
	for i, c := range id {
		if !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' && i > 0) || i > 60 {
			s.Report(key, "an id holds small letters, digits and hyphens only, 60 at most: %q", short(id))
			return ""
		}
	}
	return id
}

// offset reads a duration. Absent and bad ones give zero.
func (p *parser) offset(s *yamldoc.Section, key string, need bool) day.Offset {
	if need && !s.Has(key) {
		s.Allow(key)
		s.Report(key, "is missing; a duration such as P30D or P12M is expected")
		return day.Offset{}
	}
	text := s.Text(key)
	if text == "" {
		return day.Offset{}
	}
	o, err := day.ParseOffset(text)
	if err != nil {
		s.Report(key, "%s", err)
		return day.Offset{}
	}
	if o.Zero() {
		s.Report(key, "the duration is zero; it must be a day or more")
	}
	return o
}

// days reads a whole number of days that must be there.
func (p *parser) days(s *yamldoc.Section, key string, least int) int {
	if !s.Has(key) {
		s.Allow(key)
		s.Report(key, "is missing; a whole number of days is expected")
		return least
	}
	return s.Int(key, least, least, MaxWindow)
}

// classes reads an optional list of classes, each one of the protocol's.
func (p *parser) classes(s *yamldoc.Section) []string {
	var out []string
	for _, c := range p.words(s, "classes", "class", Classes()) {
		if !has(p.known, c) {
			p.report(at(s, "classes"), "", "the protocol is not for %s; add it to the classes at the top", c)
			continue
		}
		out = append(out, c)
	}
	return out
}

// territory reads a list of regions.
func (p *parser) territory(s *yamldoc.Section, key string) chart.Territory {
	var t chart.Territory
	for _, name := range p.words(s, key, "territory", chart.Territories()) {
		one, _ := chart.ParseTerritory(name)
		t |= one
	}
	return t
}

// kinds reads a list of kinds of imaging.
func (p *parser) kinds(s *yamldoc.Section, key string) []chart.Kind {
	var out []chart.Kind
	for _, name := range p.words(s, key, "kind of imaging", chart.Kinds()) {
		k, _ := chart.ParseKind(name)
		out = append(out, k)
	}
	return out
}

// readSources reads the citations that the document refers to by short name.
func (p *parser) readSources(top *yamldoc.Section) {
	s := top.Map("sources")
	if s == nil {
		return
	}
	for _, key := range s.Keys() {
		p.sources[key] = s.NeedText(key)
	}
	s.Done()
}

// cite reads where a rule comes from: a source of the document or a text, the
// grade as the source writes it, and the evidence mark.
func (p *parser) cite(of *yamldoc.Section) Cite {
	s := of.Map("cite")
	if s == nil {
		p.report(at(of, "cite"), "", "is missing; every rule says where it comes from: cite: {source: …, evidence: …}")
		return Cite{}
	}
	return p.citation(s)
}

// citation reads the inside of a citation.
func (p *parser) citation(s *yamldoc.Section) Cite {
	c := Cite{Text: s.Text("text"), Grade: s.Text("grade"), Evidence: s.Text("evidence")}
	switch name := s.Text("source"); {
	case s.Has("source") && s.Has("text"):
		s.Report("text", "a citation has a source or a text, not both")
	case !s.Has("source") && strings.TrimSpace(c.Text) == "":
		s.Report("source", "the citation is missing; name a source, or write the citation as text")
	case s.Has("source") && p.word(at(s, "source"), "source", name, sorted(p.sources)):
		c.Text = p.sources[name]
	}
	if c.Evidence == "" {
		s.Report("evidence", "the evidence mark is missing; one of %s is expected", strings.Join(EvidenceMarks(), ", "))
	} else {
		p.word(at(s, "evidence"), "evidence mark", c.Evidence, EvidenceMarks())
	}
	if c.Whole = c.String(); p.status == "draft" {
		c.Whole = strings.TrimSuffix(c.Whole, "]") + ", draft protocol]"
	}
	s.Done()
	return c
}

// covers reads the territory that is needed, by class and condition. A list
// of classes makes one entry each.
func (p *parser) covers(top *yamldoc.Section) []Cover {
	var out []Cover
	for _, s := range top.Maps("covers") {
		c := Cover{If: s.Text("if"), Needs: p.territory(s, "needs")}
		if c.If != "" {
			p.word(at(s, "if"), "condition of the patient", c.If, conditions())
		}
		if !s.Has("needs") {
			s.Report("needs", "is missing; the territory that a study must show is expected")
		}
		classes := p.classes(s)
		if len(classes) == 0 {
			classes = []string{""}
		}
		for _, class := range classes {
			out = append(out, Cover{Class: class, If: c.If, Needs: c.Needs})
		}
		s.Done()
	}
	return out
}

// short cuts what is repeated from a document to a readable length.
func short(v string) string {
	r := []rune(v)
	if len(r) <= 40 {
		return v
	}
	return string(r[:40]) + "…"
}
