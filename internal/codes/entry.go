package codes

import (
	"fmt"
	"strings"

	"perennial/internal/yamldoc"
)

// entry is one row of codes, or one pattern on text, before its meaning.
type entry struct {
	Entry
	system systemID
	codes  []string
	rank   int8
	used   bool   // false: a shipped row of a system that is switched off, or a broken row
	number int    // of a pattern on text, in its file
	on     *texts // of a pattern on text that is switched on
}

// domains are the words for "on".
func domains() []string {
	return []string{"operation", "device", "imaging", "modality", "finding", "answer", "site", "lab", "service", "category", "channel", "remark"}
}

// entryHead reads what rows and patterns have in common.
func (l *loader) entryHead(f *file, s *yamldoc.Section) entry {
	e := entry{number: f.count}
	e.Site, e.File = f.site, f.name
	e.Line, _ = s.At("")
	e.On = or(s.OneOf("on", domains()...), f.head.on)
	if e.On == "" && !s.Has("on") {
		e.On = guessed(s)
	}
	if e.On == "" && !s.Has("on") {
		s.Report("", "it is not said what this is about; on: one of %s is expected", strings.Join(domains(), ", "))
	}
	e.Means = s.Text("means")
	e.Source = or(s.Text("source"), f.head.source)
	e.VerifiedBy = or(s.Text("verified_by"), f.head.verifiedBy)
	e.VerifiedOn = or(s.Text("verified_on"), f.head.verifiedOn)
	if !f.site && (e.Means == "" || e.Source == "" || e.VerifiedBy == "") {
		s.Report("", "a shipped entry says means, source and verified_by")
	}
	return e
}

// guessed tells from the keys of a row what it is about: a role is that of an
// operation, a kind that of imaging, and so on. Devices, body sites and services
// must say it.
func guessed(s *yamldoc.Section) string {
	for _, key := range [][2]string{{"role", "operation"}, {"kind", "imaging"}, {"finding", "finding"}, {"lab", "lab"}, {"answer", "answer"}, {"channel", "channel"}} {
		if s.Has(key[0]) {
			return key[1]
		}
	}
	return ""
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// entry reads the system and the codes of a row and checks their form.
func (l *loader) entry(f *file, s *yamldoc.Section) entry {
	e := l.entryHead(f, s)
	e.system, e.used = l.system(f, s)
	e.System = l.systemName(e.system)
	e.rank = rankCode
	if f.site {
		e.rank = rankSite
	}
	ways := btoi(s.Has("code")) + btoi(s.Has("codes")) + btoi(s.Has("pattern"))
	if ways != 1 {
		s.Report("", "one of code, codes or pattern is expected, and only one")
	}
	if c := s.Text("code"); c != "" {
		e.codes = []string{c}
	}
	e.codes = append(e.codes, s.Texts("codes")...)
	if p := s.Text("pattern"); p != "" {
		more, err := expand(p)
		if err != nil {
			s.Report("pattern", "%v", err)
		}
		e.codes, e.rank = more, e.rank-1
	}
	l.checkCodes(s, &e)
	return e
}

// checkCodes reports every code that cannot be one of its system.
func (l *loader) checkCodes(s *yamldoc.Section, e *entry) {
	form := "any"
	if e.system >= 0 {
		form = l.book.systems.all[e.system].form
	}
	for _, c := range e.codes {
		if err := Check(form, c); err != nil {
			line, col := codeAt(s, c)
			l.problems = append(l.problems, yamldoc.Problem{File: e.File, Line: line, Col: col, Path: s.Path(), Text: err.Error()})
			e.used = false
		}
	}
}

// codeAt finds where a code stands in its row.
func codeAt(s *yamldoc.Section, code string) (line, col int) {
	if n := s.Node("codes"); n != nil {
		for _, item := range n.Items {
			if item.Value == code {
				return item.Line, item.Col
			}
		}
	}
	for _, key := range []string{"code", "pattern"} {
		if s.Has(key) {
			return s.At(key)
		}
	}
	return s.At("")
}

// system reads the system of a row: a short name, or for a site's map any URI
// or none. A site's own system is entered as it is met.
func (l *loader) system(f *file, s *yamldoc.Section) (systemID, bool) {
	name := s.Text("system")
	if id, ok := l.book.systems.byName[name]; ok {
		return id, f.site || l.book.systems.all[id].enabled
	}
	if !f.site {
		s.Report("system", "unknown system %q; shipped codes name one of %s", name, strings.Join(l.systemNames(), ", "))
		return noSystem, false
	}
	id := l.book.systems.id(name)
	if id != unknownSystem {
		return id, true
	}
	if near := yamldoc.Nearest(name, l.systemNames()); near != "" {
		s.Report("system", "unknown system %q; did you mean %q? A system of your own is written as its URI", name, near)
		return noSystem, false
	}
	return l.book.systems.add(system{name: name, form: "any", enabled: true, uris: []string{name}}), true
}

// texts are the patterns of a text rule: what must match, and what must not.
type texts struct{ match, unless *pattern }

// match reads the patterns of a text rule, which ignore case. nil where they
// are broken or switched off.
func (l *loader) match(s *yamldoc.Section) *texts {
	s.NeedText("match")
	t := &texts{match: readPattern(s, "match"), unless: readPattern(s, "unless")}
	if !s.Bool("enabled", true) || t.match == nil {
		return nil
	}
	return t
}

func readPattern(s *yamldoc.Section, key string) *pattern {
	text := s.Text(key)
	if text == "" {
		return nil
	}
	p, err := newPattern(text)
	if err != nil {
		s.Report(key, "this is no pattern: %v", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		return nil
	}
	if p.re.MatchString("") {
		s.Report(key, "this pattern matches an empty text, and so everything")
		return nil
	}
	return p
}

// meaning reads what a row means and enters it: under its codes, or under its
// pattern on text.
func (l *loader) meaning(s *yamldoc.Section, e entry) {
	b := l.book
	switch e.On {
	case "operation":
		enter(l, s, &b.operations, readOperation(s), e)
	case "device":
		enter(l, s, &b.devices, readDevice(s), e)
	case "imaging":
		enter(l, s, &b.imaging, readImaging(s), e)
	case "modality":
		enter(l, s, &b.modalities, readModality(s), e)
	case "finding":
		enter(l, s, &b.findings, readFinding(s), e)
	case "answer":
		enter(l, s, &b.answers, Answer(s.NeedOneOf("answer", names(Answers())...)), e)
	case "site":
		enter(l, s, &b.sites, readSite(s), e)
	case "lab":
		enter(l, s, &b.labs, readLab(s), e)
	case "service":
		enter(l, s, &b.services, readService(s), e)
	case "category":
		enter(l, s, &b.categories, readService(s), e)
	case "remark":
		enter(l, s, &b.remarks, readFinding(s), e)
	case "channel":
		enter(l, s, &b.channels, Channel(s.NeedOneOf("channel", names(Channels())...)), e)
	}
}

// enter puts a meaning into its domain.
func enter[T comparable](l *loader, s *yamldoc.Section, d *domain[T], what T, e entry) {
	if e.on != nil {
		d.texts = append(d.texts, textRule[T]{match: e.on.match, unless: e.on.unless, what: what, rule: e.textRule()})
		return
	}
	for _, c := range e.codes {
		if !l.firstOf(s, e, c, fmt.Sprint(what)) || !e.used {
			continue
		}
		listed := e.Entry
		listed.Code = c
		l.book.entries = append(l.book.entries, listed)
		l.slots(e, c, func(key string, id systemID, rank int8, rule Rule) {
			if d.codes == nil {
				d.codes = map[string][]slot[T]{}
			}
			d.codes[key] = append(d.codes[key], slot[T]{system: id, rank: rank, what: what, rule: rule})
		})
	}
}

// slots says under which keys a code is found: as written, without its point
// where the system is written so, and without a system where its form is
// unmistakable.
func (l *loader) slots(e entry, code string, put func(key string, id systemID, rank int8, rule Rule)) {
	keys := []string{code}
	x := system{}
	if e.system >= 0 {
		x = l.book.systems.all[e.system]
	}
	if flat := strings.ReplaceAll(code, ".", ""); x.dotless && flat != code {
		keys = append(keys, flat)
	}
	for _, key := range keys {
		put(key, e.system, e.rank, e.codeRule(code))
	}
	if always := e.On == "modality"; e.system >= 0 && (always || x.bare && unmistakable(x.form, code)) {
		rule := e.codeRule(code)
		rule.How, rule.Weak = fmt.Sprintf("code %s without a system, read as %s", code, x.name), !always
		put(code, noSystem, int8(rankBare+btoi(e.Site)), rule)
	}
}

// unmistakable says whether a code tells its system by its form. A short
// SNOMED CT code may be a local number by chance.
func unmistakable(form, code string) bool {
	switch form {
	case "loinc", "icd10pcs":
		return true
	case "snomed":
		return len(code) >= 8
	}
	return form == "any"
}

// codeRule is the rule that is kept with a fact decided by this code.
func (e entry) codeRule(code string) Rule {
	who := "code "
	if e.Site {
		who = "site code "
	}
	if e.System != "" {
		who += e.System + " "
	}
	return Rule{How: who + code, Site: e.Site}
}

func (e entry) textRule() Rule {
	who := "description pattern"
	if e.Site {
		who = "site pattern"
	}
	return Rule{How: fmt.Sprintf("%s %d on text", who, e.number), Weak: true, Site: e.Site}
}

// firstOf reports a code that stands twice in one layer with different
// meanings. true: it is to be entered.
func (l *loader) firstOf(s *yamldoc.Section, e entry, code, what string) bool {
	key := fmt.Sprintf("%v|%s|%d|%d|%s", e.Site, e.On, e.rank, e.system, code)
	line, col := codeAt(s, code)
	old, twice := l.places[key]
	if !twice {
		l.places[key] = place{where: fmt.Sprintf("%s:%d:%d", e.File, line, col), what: what}
		return true
	}
	if old.what != what {
		l.problems = append(l.problems, yamldoc.Problem{File: e.File, Line: line, Col: col, Path: s.Path(),
			Text: fmt.Sprintf("the code %s has another meaning at %s; give it once", cut(code), old.where)})
	}
	return false
}
