package fhir

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
)

// Raw is one resource as it was found in an input.
type Raw struct {
	File string // the name given to Read
	Line int    // the line on which the resource begins, from 1
	// FullURL is the Bundle entry's fullUrl, "" elsewhere: what a urn:uuid reference in that Bundle points to.
	FullURL string
	// Body is the JSON object. It lies in the reader's own buffer and holds only during the call: copy to keep.
	Body []byte
}

// IssueKind says what sort of thing could not be read.
type IssueKind uint8

// The kinds of issue.
const (
	Unreadable IssueKind = iota // not JSON, or not a resource: one resource, line or list of elements lost
	Oversize                    // one resource over the limit, skipped
	Truncated                   // the input or a Bundle ends or breaks in the middle: what followed in it is lost
	NotFHIR                     // the whole input is something else
)

// Issue is one thing in an input that could not be read. It holds no patient data beyond ids.
type Issue struct {
	Kind IssueKind
	File string
	Line int    // the line on which the thing begins, from 1
	Ref  string // "Type/id" if known
	What string // what is wrong
	Fix  string // what to do about it
	// Known is what could be found out about the resource, for the question to its patient.
	Known Salvaged
}

// Limits bound what is held in memory.
type Limits struct {
	MaxResource int // bytes of one resource; 0 is 16 MB (16 << 20)
	Buffer      int // bytes read at once; 0 is 1 MB
}

// Handler takes what Read finds.
type Handler struct {
	// Each gets every resource in order. An error of its stops the reading and is returned by Read as it is.
	Each func(Raw) error
	// Issue gets every thing that could not be read, in order with the resources. May be nil.
	Issue  func(Issue)
	Limits Limits
}

// Read takes one input apart: see the package comment for what it recognises. It returns an error only when r
// itself fails (a disk, a network) or when Each does; whatever is wrong with the content goes to Issue. A Bundle
// is an envelope: it is not handed out itself, and its entries without a resource are passed over. The Body of a
// Raw is an object; whether it is a resource is for [Decode] to say.
func Read(name string, r io.Reader, h Handler) error {
	if h.Limits.MaxResource <= 0 {
		h.Limits.MaxResource = 16 << 20
	}
	if h.Limits.Buffer <= 0 {
		h.Limits.Buffer = 1 << 20
	}
	if h.Issue == nil {
		h.Issue = func(Issue) {}
	}
	src := &source{r: r}
	s := &stream{name: name, h: h, line: 1, mark: -1}
	s.open(src)
	if !s.foreign() {
		s.inputs()
	}
	switch {
	case s.err != nil:
		return s.err
	case src.err != nil:
		return fmt.Errorf("reading %s: %w", name, src.err)
	case s.broken != nil && !s.told:
		s.issue(Issue{Kind: Truncated, Line: s.lineAt(s.r), What: "the compressed input is cut or damaged", Fix: fixCut})
	}
	return nil
}

// What to do about the common troubles.
const (
	fixCut   = "everything before this place was read; get the file again and read it once more"
	fixLine  = "ask the sender to write one complete JSON object there; the rest was read"
	fixLarge = "ask the sender to leave embedded documents and instances out; the rest was read"
	fixKind  = "give FHIR R4 as JSON: a resource, a Bundle, NDJSON or a JSON array, each also gzipped"
)

// source remembers an error of the reader that was given, to tell it from an error in compressed data.
type source struct {
	r   io.Reader
	err error
}

// Read reads from the reader that was given.
func (s *source) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	if err != nil && err != io.EOF {
		s.err = err
	}
	return n, err
}

// stream is a window on the input: buf[r:w] is what was read and is not yet used.
type stream struct {
	name   string
	h      Handler
	src    io.Reader // nil: all there is lies in buf
	buf    []byte
	r, w   int
	mark   int   // if not negative, buf from here on must stay
	line   int   // the line of buf[lined]
	lined  int   // up to here line ends are counted
	broken error // why src gave no more, other than its end
	told   bool  // the break was reported
	seen   bool  // an object was found
	junk   bool  // lines that are no JSON were reported
	dense  bool  // objects follow one another on one line
	inside bool  // in a list or Bundle
	k      skipper
	err    error // what Each returned
}

// open looks for gzip.
func (s *stream) open(src io.Reader) {
	b := bufio.NewReaderSize(src, 4096)
	s.src = b
	s.buf = make([]byte, s.h.Limits.Buffer)
	head, _ := b.Peek(2)
	if len(head) == 2 && head[0] == 0x1f && head[1] == 0x8b {
		z, err := gzip.NewReader(b)
		if err != nil {
			s.src, s.broken = nil, err
			return
		}
		s.src = z
	}
}

// more reads on, keeping the window's unused bytes and those from mark on. It says whether there was more.
func (s *stream) more() bool {
	if s.src == nil {
		return false
	}
	keep := s.r
	if s.mark >= 0 {
		keep = s.mark
	}
	if s.w == len(s.buf) || keep == s.w {
		s.slide(keep)
	}
	for range 100 {
		n, err := s.src.Read(s.buf[s.w:])
		s.w += n
		if err != nil {
			s.src = nil
			if err != io.EOF {
				s.broken = err
			}
		}
		if n > 0 {
			return true
		}
		if err != nil {
			return false
		}
	}
	s.src, s.broken = nil, io.ErrNoProgress
	return false
}

// slide moves buf[keep:w] to the front, into a larger buffer when half of it is in use.
func (s *stream) slide(keep int) {
	s.lineAt(keep)
	to := s.buf
	if used := s.w - keep; used > len(s.buf)/2 {
		to = make([]byte, min(2*len(s.buf), max(s.h.Limits.MaxResource+entrySlack+len(s.buf)/4, used+s.h.Limits.Buffer)))
	}
	copy(to, s.buf[keep:s.w])
	s.buf = to
	s.r, s.w, s.lined = s.r-keep, s.w-keep, s.lined-keep
	if s.mark >= 0 {
		s.mark -= keep
	}
}

// lineAt gives the line of a place in buf, not before the last place that was asked for.
func (s *stream) lineAt(i int) int {
	if i > s.lined {
		s.line += bytes.Count(s.buf[s.lined:i], []byte{'\n'})
		s.lined = i
	}
	return s.line
}

// issue reports one thing that could not be read.
func (s *stream) issue(i Issue) {
	i.File = s.name
	if i.Ref == "" {
		i.Ref = i.Known.Ref()
	}
	s.h.Issue(i)
}

// give hands out one resource and says whether to go on.
func (s *stream) give(line int, fullURL string, body []byte) bool {
	s.err = s.h.Each(Raw{File: s.name, Line: line, FullURL: fullURL, Body: body})
	return s.err == nil
}

// next skips blanks and says which byte comes then; 0 is the end.
func (s *stream) next() byte {
	for {
		s.r += spaces(s.buf[s.r:s.w])
		if s.r < s.w {
			return s.buf[s.r]
		}
		if !s.more() {
			return 0
		}
	}
}

// foreign reports an input that is something else altogether, judged by its first bytes; and passes a byte order mark.
func (s *stream) foreign() bool {
	for s.w-s.r < 4 && s.more() {
	}
	head := s.buf[s.r:s.w]
	what := ""
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		s.r += 3
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")), bytes.IndexByte(head[:min(4, len(head))], 0) >= 0:
		what = "this is UTF-16 or binary data, not UTF-8 text"
	case bytes.HasPrefix(head, []byte("PK\x03\x04")):
		what = "this is a ZIP archive"
	case s.next() == '<':
		what = "this is XML or a web page"
	}
	if what == "" {
		return false
	}
	s.told = true // that it also breaks off later matters no more, and may not have been seen yet
	s.issue(Issue{Kind: NotFHIR, Line: 1, What: what, Fix: fixKind})
	return true
}
