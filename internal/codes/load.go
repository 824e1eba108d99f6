package codes

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"perennial/internal/yamldoc"
)

// Document is a code file with the name that problems show.
type Document struct {
	Name string
	Data []byte
}

// Load makes a book of the shipped files (codes/*.yaml in the file system) and
// the site's maps. All problems of all documents come at once with file, line
// and column; with any problem the book is nil.
//
// A site's map has the same form as a shipped file: it may describe systems or
// switch one off, and give codes and patterns, which override shipped ones.
func Load(shipped fs.FS, site ...Document) (*Book, []yamldoc.Problem) {
	docs, problems := readShipped(shipped)
	l := &loader{book: newBook(), problems: problems, places: map[string]place{}}
	sum := sha256.New()
	for _, d := range docs {
		fmt.Fprintf(sum, "shipped %q %d\n%s", d.Name, len(d.Data), d.Data)
		l.open(d, false)
	}
	for _, d := range site {
		fmt.Fprintf(sum, "site %d\n%s", len(d.Data), d.Data)
		l.open(d, true)
	}
	l.readSystems()
	for _, f := range l.files {
		l.readFile(f)
	}
	if problems = l.finish(); len(problems) > 0 {
		return nil, problems
	}
	l.book.hash = hex.EncodeToString(sum.Sum(nil))
	return l.book, nil
}

// readShipped reads codes/*.yaml in the order of their names.
func readShipped(shipped fs.FS) ([]Document, []yamldoc.Problem) {
	names, err := fs.Glob(shipped, "codes/*.yaml")
	if err == nil && len(names) == 0 {
		err = fs.ErrNotExist
	}
	if err != nil {
		return nil, []yamldoc.Problem{{File: "codes", Text: "the shipped code files cannot be listed: " + err.Error()}}
	}
	var docs []Document
	var problems []yamldoc.Problem
	for _, n := range names {
		data, err := fs.ReadFile(shipped, n)
		if err != nil {
			problems = append(problems, yamldoc.Problem{File: n, Text: "cannot be read: " + err.Error()})
			continue
		}
		docs = append(docs, Document{Name: n, Data: data})
	}
	return docs, problems
}

func newBook() *Book {
	return &Book{systems: systems{byName: map[string]systemID{}, byURI: map[string]systemID{}}}
}

// loader is a book in the making.
type loader struct {
	book     *Book
	files    []*file
	problems []yamldoc.Problem
	places   map[string]place // where each code of a layer was first given
}

// place is where a code was given, and what was said of it.
type place struct {
	where string
	what  string
}

// file is one document being read.
type file struct {
	name   string
	site   bool
	reader *yamldoc.Reader
	top    *yamldoc.Section
	head   head
	count  int // patterns on text so far
}

// head is what a file says for all its entries.
type head struct{ on, source, verifiedBy, verifiedOn string }

func (l *loader) open(d Document, site bool) {
	r, top := yamldoc.Open(d.Name, d.Data)
	f := &file{name: d.Name, site: site, reader: r, top: top}
	f.head = head{on: top.OneOf("on", domains()...), source: top.Text("source"),
		verifiedBy: top.Text("verified_by"), verifiedOn: top.Text("verified_on")}
	top.Text("about")
	l.files = append(l.files, f)
}

// finish collects the problems of all files and puts the slots in order.
func (l *loader) finish() []yamldoc.Problem {
	for _, f := range l.files {
		f.top.Done()
		l.problems = append(l.problems, f.reader.Problems()...)
	}
	b := l.book
	settle(&b.operations)
	settle(&b.devices)
	settle(&b.imaging)
	settle(&b.modalities)
	settle(&b.findings)
	settle(&b.answers)
	settle(&b.sites)
	settle(&b.labs)
	settle(&b.services)
	settle(&b.categories)
	settle(&b.channels)
	settle(&b.remarks)
	return yamldoc.Sort(l.problems)
}

// settle puts the highest rank first, and the site's patterns before the
// shipped ones.
func settle[T comparable](d *domain[T]) {
	for _, slots := range d.codes {
		slices.SortStableFunc(slots, func(a, b slot[T]) int { return int(b.rank) - int(a.rank) })
	}
	slices.SortStableFunc(d.texts, func(a, b textRule[T]) int {
		return btoi(b.rule.Site) - btoi(a.rule.Site)
	})
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// readSystems reads the systems of all files, shipped ones first, so that a
// site may switch them.
func (l *loader) readSystems() {
	for _, f := range l.files {
		table := f.top.Map("systems")
		if table == nil {
			continue
		}
		for _, name := range table.Keys() {
			l.readSystem(f, table, name)
		}
		table.Done()
	}
}

// readSystem reads one row: on or off, or a description.
func (l *loader) readSystem(f *file, table *yamldoc.Section, name string) {
	id, known := l.book.systems.byName[name]
	if n := table.Node(name); n.Kind == yamldoc.Scalar {
		if !known {
			table.Report(name, "%q is not a system of the code book; one of %s can be switched", name, strings.Join(l.systemNames(), ", "))
			return
		}
		l.book.systems.all[id].enabled = table.Bool(name, true)
		return
	}
	s := table.Map(name)
	if s == nil {
		return
	}
	if known {
		table.Report(name, "the system %q is described already; it can only be switched on or off here", name)
		return
	}
	x := system{name: name, enabled: s.Bool("enabled", true), bare: s.Bool("bare", false), dotless: s.Bool("dotless", false),
		form: s.NeedOneOf("form", forms()...), uris: append([]string{s.NeedText("uri")}, s.Texts("aliases")...)}
	s.Text("title")
	if s.NeedText("licence"); x.form == "" {
		x.form = "any"
	}
	s.Done()
	for _, u := range x.uris {
		if other := l.book.systems.id(u); u == "" || other >= 0 {
			s.Report("uri", "the name %q is empty or belongs to the system %q already", u, l.systemName(other))
			return
		}
	}
	l.book.systems.add(x)
}

func (l *loader) systemNames() []string {
	var out []string
	for _, x := range l.book.systems.all {
		out = append(out, x.name)
	}
	return out
}

func (l *loader) systemName(id systemID) string {
	if id < 0 {
		return ""
	}
	return l.book.systems.all[id].name
}

// readFile reads the codes and patterns of one file.
func (l *loader) readFile(f *file) {
	for _, s := range f.top.Maps("codes") {
		l.meaning(s, l.entry(f, s))
		s.Done()
	}
	for _, s := range f.top.Maps("patterns") {
		f.count++
		e := l.entryHead(f, s)
		e.on = l.match(s)
		l.meaning(s, e)
		s.Done()
	}
}
