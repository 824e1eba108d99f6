package bulk

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// Bounds of a batch, and of a line.
const (
	batchSize  = 500
	batchBytes = 8 << 20
	maxLine    = 16 << 20
)

// maxBroken is how often in a row the connection may break in one file before the export is given up.
const maxBroken = 3

// errEnough is how the caller's wish to stop leaves fhir.Read.
var errEnough = errors.New("enough")

// read reads the files of the export that were not read yet.
func (p *pass) read(m manifest) {
	r := p.at.Run
	if r.Moment != m.Moment { // what was read of another export does not count
		r.Moment, r.Read, r.Said = m.Moment, nil, nil
	}
	for i, f := range m.Files {
		if r.has(f.mark) {
			continue
		}
		n, said, err := p.file(m, f, fmt.Sprintf("%s/%s %d", p.s.o.Name, f.name(), i+1))
		if p.stopped || p.ctx.Err() != nil {
			return
		}
		if err != nil {
			p.broke(err)
			return
		}
		d := done{File: f.mark, N: n}
		if f.kind == resources {
			d.Type = f.typ
		}
		r.Read, r.Broken = append(r.Read, d), 0
		r.report(said)
		if !p.flush() {
			return
		}
	}
	p.finish()
}

// broke decides what becomes of the export when a file could not be read. What came of the file is handed over first.
func (p *pass) broke(err error) {
	r := p.at.Run
	if r.Broken++; fault.KindOf(err) == fault.Unavailable && r.Broken < maxBroken {
		p.flush()
		p.fail(err)
		return
	}
	p.giveUp(err)
}

func (r *run) report(said map[string]int) {
	for key, n := range said {
		if r.Said == nil {
			r.Said = map[string]int{}
		}
		r.Said[key] += n
	}
}

// name is what a file is called in records and messages.
func (f file) name() string {
	switch {
	case f.kind == deletions:
		return "deleted"
	case f.kind == outcomes:
		return "error"
	case f.typ == "":
		return "file"
	}
	return f.typ
}

// file reads one file to its end.
func (p *pass) file(m manifest, f file, name string) (n int, said map[string]int, err error) {
	in, err := p.s.client.File(p.ctx, f.url, m.Login)
	if fault.KindOf(err) == fault.NotFound {
		return 0, nil, spoilt("a file (" + f.name() + ") is gone: it may have expired")
	}
	if err != nil {
		return 0, nil, fault.Wrap("read "+f.name(), err)
	}
	defer in.Close()
	lines := &lineReader{r: in}
	c := &content{p: p, name: name, moment: m.Moment, said: map[string]int{}}
	if f.kind == deletions {
		err = c.deletions(lines)
	} else {
		err = fhir.Read(name, lines, fhir.Handler{Each: c.each, Issue: c.issue, Limits: fhir.Limits{MaxResource: maxLine}})
	}
	if n = lines.n(); err == nil {
		err = c.whole(f, n, p.s.o.IgnoreCounts)
	}
	if _, ok := errors.AsType[*fault.Error](err); err != nil && !ok && !errors.Is(err, errEnough) {
		err = fault.New(fault.Unavailable, "", "", errors.New("it cannot be read to its end"))
	}
	return n, c.said, fault.Wrap("read "+f.name(), err)
}

// content is what stands in a file.
type content struct {
	p      *pass
	name   string
	moment string
	said   map[string]int
	cut    string // why it is no whole file
}

// each takes one resource; an OperationOutcome is what the server says about the export, wherever it stands.
func (c *content) each(raw fhir.Raw) error {
	if err := c.p.ctx.Err(); err != nil {
		return err
	}
	if typ, _ := fhir.Peek(raw.Body); typ == "OperationOutcome" {
		for _, i := range fhir.ParseOutcome(raw.Body) {
			c.said[strings.TrimSpace(i.Severity+" "+i.Code)]++
		}
		return nil
	}
	raw.Body = bytes.Clone(raw.Body)
	return c.p.add(raw)
}

// issue takes what could not be taken apart. That the file ends early is no matter of a resource.
func (c *content) issue(i fhir.Issue) {
	switch i.Kind {
	case fhir.Truncated:
		c.cut = "it is cut"
	case fhir.NotFHIR:
		c.cut = "it is no NDJSON"
	default:
		c.p.batch.Issues = append(c.p.batch.Issues, i)
	}
}

// whole says whether all of the file came.
func (c *content) whole(f file, n int, ignore bool) error {
	switch {
	case c.cut != "":
		return spoilt(c.cut)
	case f.count >= 0 && f.count != n && !ignore:
		return spoilt(fmt.Sprintf("it has %d resources, and %d by the manifest", n, f.count))
	}
	return nil
}

// add keeps one resource, and hands over a full batch. The file does not count as read yet.
func (p *pass) add(raw fhir.Raw) error {
	if p.bytes > 0 && p.bytes+len(raw.Body) > batchBytes && !p.flush() {
		return errEnough
	}
	p.batch.Resources, p.bytes = append(p.batch.Resources, raw), p.bytes+len(raw.Body)
	if len(p.batch.Resources)+len(p.batch.Issues) >= batchSize && !p.flush() {
		return errEnough
	}
	return nil
}

// deletions reads Bundles of DELETE requests, one a line. A deletion is handed over as a version that cannot be read:
// it takes nothing back, the older version stays in force, and a person is asked.
func (c *content) deletions(in io.Reader) error {
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 64<<10), maxLine)
	for n := 1; lines.Scan(); n++ {
		if len(bytes.TrimSpace(lines.Bytes())) == 0 {
			continue
		}
		var b struct {
			Meta  struct{ LastUpdated string }
			Entry []struct {
				Request struct{ Method, URL string }
			}
		}
		if json.Unmarshal(lines.Bytes(), &b) != nil {
			return spoilt("a line of it cannot be read")
		}
		for _, e := range b.Entry {
			ref := fhir.ParseReference(e.Request.URL)
			if e.Request.Method != "DELETE" || !slices.Contains(c.p.s.o.Types, ref.Type) || ref.ID == "" {
				continue
			}
			if err := c.deleted(ref.Type, ref.ID, b.Meta.LastUpdated); err != nil {
				return err
			}
		}
	}
	if errors.Is(lines.Err(), bufio.ErrTooLong) {
		return spoilt("a line of it is over 16 MB")
	}
	return lines.Err()
}

func (c *content) deleted(typ, id, when string) error {
	if when == "" {
		when = c.moment
	}
	known := fhir.Salvaged{Type: typ, ID: id, Version: "deleted", Updated: when}
	if typ == "Patient" {
		known.PatientRef = known.Ref()
	}
	c.p.batch.Issues = append(c.p.batch.Issues, fhir.Issue{File: c.p.s.o.Name + "/deleted", Ref: known.Ref(), Known: known,
		What: "the server says that it was deleted; what it said before stays in force", Fix: "enter what is right, if it should not"})
	if len(c.p.batch.Issues) >= batchSize && !c.p.flush() {
		return errEnough
	}
	return nil
}

// lineReader counts the lines that hold something.
type lineReader struct {
	r     io.Reader
	whole int  // lines that ended
	begun bool // the present one holds something
}

// Read reads on.
func (l *lineReader) Read(p []byte) (int, error) {
	n, err := l.r.Read(p)
	for rest := p[:n]; len(rest) > 0; {
		i := bytes.IndexByte(rest, '\n')
		line := rest
		if i >= 0 {
			line, rest = rest[:i], rest[i+1:]
		} else {
			rest = nil
		}
		l.begun = l.begun || len(bytes.TrimSpace(line)) > 0
		if i >= 0 && l.begun {
			l.whole, l.begun = l.whole+1, false
		}
	}
	return n, err
}

func (l *lineReader) n() int {
	if l.begun {
		return l.whole + 1
	}
	return l.whole
}
