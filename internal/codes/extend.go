package codes

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/yamldoc"
)

// Row is one code to be entered into a site's map. Set holds the keys that say
// what it means, such as kind and covers, in the order in which they are written.
type Row struct {
	On     string // operation, imaging, device or finding
	System string // empty: none
	Code   string
	Set    []Setting
	Means  string // for people; may be empty
}

// Setting is one key of a row, and its value: one word, or a list.
type Setting struct {
	Key    string
	Values []string
}

// MainKey is the key that says what a code of a domain means; empty where a row of
// the domain is not written by a program.
func MainKey(on string) string {
	return map[string]string{"operation": "role", "device": "role", "imaging": "kind", "finding": "finding"}[on]
}

// String writes the row as it stands in a document, on one line.
func (r *Row) String() string {
	var b strings.Builder
	b.WriteString("- {")
	if r.System != "" {
		b.WriteString("system: " + quote(r.System) + ", ")
	}
	b.WriteString("code: " + quote(r.Code) + ", on: " + r.On)
	for _, s := range r.Set {
		values := make([]string, len(s.Values))
		for i, v := range s.Values {
			if values[i] = v; !plainWord(v) {
				values[i] = quote(v)
			}
		}
		text := strings.Join(values, ", ")
		if s.list() {
			text = "[" + text + "]"
		}
		b.WriteString(", " + s.Key + ": " + text)
	}
	if r.Means != "" {
		b.WriteString(", means: " + quote(r.Means))
	}
	return b.String() + "}"
}

// list says whether a key takes several words.
func (s *Setting) list() bool { return s.Key == "covers" || s.Key == "where" }

// plainWord says whether a text means itself in YAML.
func plainWord(text string) bool {
	return text != "" && strings.Trim(text, "abcdefghijklmnopqrstuvwxyz-") == "" && text[0] != '-'
}

func quote(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

// Extend enters a row at the end of the list of codes of a site's map, and gives
// the document and the line of the row. Everything else stays as it is, letter by
// letter. It reads the result back: the shipped book with the map must load, and
// know what it knew before and the new code, and nothing else. A row that stands
// there already gives line 0 and the document as it was.
//
// The error is of kind Invalid: the map or the row is refused, with all problems.
func Extend(shipped fs.FS, doc Document, row Row) (out Document, line int, err error) {
	const op = "enter the code"
	before, problems := Load(shipped, doc)
	if len(problems) > 0 {
		return doc, 0, fault.New(fault.Invalid, "read the site's codes", "Put right what is named above first; nothing was changed.", yamldoc.Problems(problems))
	}
	text, line, err := insert(doc, row.String())
	if err != nil {
		return doc, 0, err
	}
	out = Document{Name: doc.Name, Data: text}
	after, problems := Load(shipped, out)
	if len(problems) > 0 {
		return doc, 0, fault.New(fault.Invalid, op, "Nothing was changed. Mend what --as and --set say, or the row that is named; perennial codes map --help lists the words.", yamldoc.Problems(problems))
	}
	fresh, lost := difference(before.siteEntries(), after.siteEntries())
	switch {
	case len(lost) == 0 && len(fresh) == 0:
		return doc, 0, nil
	case len(lost) > 0 || len(fresh) != 1 || fresh[0].Code != row.Code || fresh[0].On != row.On:
		return doc, 0, fault.New(fault.Invalid, op, "Enter it by hand: the document is written in a way that this command does not know. Nothing was changed.",
			errors.New("read back, the document does not say what it should"))
	}
	return out, line, nil
}

// siteEntries are the entries of the site's map, without the lines.
func (b *Book) siteEntries() (list []Entry) {
	for _, e := range b.entries {
		if e.Site {
			e.Line = 0
			list = append(list, e)
		}
	}
	return list
}

// difference gives what is only in the second list, and only in the first.
func difference(a, b []Entry) (fresh, lost []Entry) {
	count := map[Entry]int{}
	for _, e := range a {
		count[e]++
	}
	for _, e := range b {
		if count[e]--; count[e] < 0 {
			fresh = append(fresh, e)
		}
	}
	for e, n := range count {
		for range n {
			lost = append(lost, e)
		}
	}
	return fresh, lost
}

// insert puts a row into the text of a document.
func insert(doc Document, row string) (text []byte, line int, err error) {
	end := "\n"
	if bytes.Contains(doc.Data, []byte("\r\n")) {
		end = "\r\n"
	}
	lines := strings.SplitAfter(string(doc.Data), "\n")
	if last := len(lines) - 1; lines[last] == "" {
		lines = lines[:last]
	} else {
		lines[last] += end
	}
	top, err := yamldoc.Parse(doc.Name, bytes.ReplaceAll(doc.Data, []byte("\r\n"), []byte("\n"))) // else its lines are counted otherwise
	if err != nil {
		top = &yamldoc.Node{} // a document without anything: Load took it
	}
	at := slices.IndexFunc(top.Fields, func(f yamldoc.Field) bool { return f.Key == "codes" })
	if at < 0 {
		lines = append(lines, "codes:"+end, "  "+row+end)
		return []byte(strings.Join(lines, "")), len(lines), nil
	}
	f := top.Fields[at]
	indent := "  "
	if items := f.Value.Items; len(items) > 0 {
		first := lines[items[0].Line-1]
		dash := strings.IndexByte(first, '-')
		if items[0].Line == f.Line || dash < 0 || strings.TrimLeft(first[:dash], " ") != "" {
			return nil, 0, fault.New(fault.Invalid, "enter the code", "Write the list under codes with one row on a line, each behind a dash, or enter the code by hand.",
				fmt.Errorf("%s:%d: the list of codes stands in brackets", doc.Name, f.Line))
		}
		indent = first[:dash]
	}
	next := len(lines)
	if at+1 < len(top.Fields) {
		next = top.Fields[at+1].Line - 1
	}
	for next > f.Line && apart(lines[next-1]) {
		next--
	}
	lines = slices.Insert(lines, next, indent+row+end)
	return []byte(strings.Join(lines, "")), next + 1, nil
}

// apart says whether a line belongs to what follows the list: it is empty, or a
// remark that begins at the margin.
func apart(line string) bool {
	return strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#")
}
