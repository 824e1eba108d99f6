package fhir

import "bytes"

const (
	entrySlack = 64 << 10 // what a Bundle entry may hold beside its resource
	maxNesting = 1        // a Bundle may hold Bundles, and these no further ones
	maxDepth   = 64       // nesting of objects and lists in a value that spans lines or sits in a list or Bundle
	entryDepth = 8        // what a Bundle inside a Bundle adds to that
)

// outcome is how the reading of one value went.
type outcome uint8

const (
	whole outcome = iota
	large         // more than was allowed; see beginning
	deep          // nested deeper than was allowed; buf[mark:r] is its beginning
	torn          // the input ends inside it, or it is broken; buf[mark:r] is its beginning
)

// span reads the value that begins at r. A whole one is good until the window moves; otherwise mark stays set, and
// finish, tornValue or a new place for r must follow.
func (s *stream) span(limit, depth int) ([]byte, outcome) {
	s.mark = s.r
	s.k = skipper{max: depth}
	for {
		n, done := s.k.feed(s.buf[s.r:s.w])
		s.r += n
		switch {
		case s.r-s.mark > limit:
			s.k.done = done
			return nil, large
		case done:
			b := s.buf[s.mark:s.r]
			s.mark = -1
			return b, whole
		case s.k.torn:
			return nil, torn
		case s.k.deep:
			return nil, deep
		case !s.more():
			return nil, torn
		}
	}
}

// beginning is what a value that span gave up begins with: no more of a large one than was allowed, so that what is
// found in it does not hang on how much was read at once.
func (s *stream) beginning(limit int) []byte {
	return s.buf[s.mark:min(s.r, s.mark+limit)]
}

// finish passes over the rest of a value that span gave up. It says whether the value's end was found.
func (s *stream) finish() bool {
	s.mark = -1
	s.k.max = 0
	s.k.deep = false
	for !s.k.done {
		n, done := s.k.feed(s.buf[s.r:s.w])
		s.r += n
		s.k.done = done
		if !done && (s.k.torn || !s.more()) {
			return false
		}
	}
	return true
}

// skip passes over one value without keeping any of it.
func (s *stream) skip() bool {
	s.k = skipper{}
	return s.finish()
}

// inputs reads the values on the outermost level until the end, whatever happens between.
func (s *stream) inputs() {
	for s.err == nil {
		switch s.next() {
		case 0:
			return
		case '{':
			s.object()
			s.seen = true
		case '[':
			s.seen = true
			if !s.elements("list", func() bool { return s.element(0) }) {
				s.resync()
			}
		default:
			s.junkLine()
		}
	}
}

// junkLine passes over a line that is no JSON. Lines before the first object are reported once.
func (s *stream) junkLine() {
	line := s.lineAt(s.r)
	switch {
	case s.seen:
		s.issue(Issue{Line: line, What: "this line does not begin with a JSON object", Fix: fixLine})
	case !s.junk:
		s.junk = true
		s.issue(Issue{Kind: NotFHIR, Line: line, What: "the input does not begin with JSON", Fix: fixKind})
	}
	s.nextLine()
}

// nextLine goes to the start of the next line and says whether there is one.
func (s *stream) nextLine() bool {
	s.mark = -1
	for {
		i := bytes.IndexByte(s.buf[s.r:s.w], '\n')
		if i >= 0 {
			s.r += i + 1
			return s.r < s.w || s.more()
		}
		s.r = s.w
		if !s.more() {
			return false
		}
	}
}

// resync goes to the next line that begins with a resource, after something broken.
func (s *stream) resync() {
	for s.err == nil && s.nextLine() {
		if s.buf[s.r] != '{' {
			continue
		}
		for s.w-s.r < 1<<10 && s.more() {
		}
		if member(s.buf[s.r:min(s.w, s.r+entrySlack)], "resourceType") != nil {
			return
		}
	}
}

// object reads one object on the outermost level: a whole line at once if it is one, else value by value.
func (s *stream) object() {
	if !s.dense && s.lineObject() || s.element(0) {
		return
	}
	s.resync()
}

// lineObject hands out the line at r if it is one complete object: it ends in "}", and after it comes another object or
// the end. (Valid JSON never has a line like that in the middle of an object: a comma would be missing.)
func (s *stream) lineObject() bool {
	n, ok := s.lineLength()
	if !ok {
		return false
	}
	body := bytes.TrimRight(s.buf[s.r:s.r+n], " \t\r\n")
	if body[len(body)-1] != '}' {
		return false
	}
	if c := s.after(n); c != '{' && c != 0 {
		return false
	}
	body = s.buf[s.r : s.r+len(body)] // the window may have moved
	if !s.seen {
		var k skipper
		if end, done := k.feed(body); done && end < len(body) {
			s.dense = true
			return false
		}
	}
	line := s.lineAt(s.r)
	s.r += n
	s.lined = s.r // no line ends before its own
	s.hand(line, "", body, 0)
	return true
}

// lineLength gives the length of the line at r without its end, if all of it fits in the window and it is no Bundle
// that has yet to be read.
func (s *stream) lineLength() (n int, ok bool) {
	for {
		i := bytes.IndexByte(s.buf[s.r+n:s.w], '\n')
		if i >= 0 {
			return n + i, n+i <= s.h.Limits.MaxResource
		}
		n = s.w - s.r
		if n > s.h.Limits.MaxResource || bundleOrNot(s.buf[s.r:s.w]) == isBundle {
			return 0, false
		}
		if !s.more() {
			return n, true
		}
	}
}

// after gives the first byte that is not blank at n bytes from r, 0 at the end.
func (s *stream) after(n int) byte {
	for {
		n += spaces(s.buf[s.r+n : s.w])
		if s.r+n < s.w {
			return s.buf[s.r+n]
		}
		if n > 2*s.h.Limits.MaxResource || !s.more() {
			return 0
		}
	}
}

// element reads the object at r, a resource or a Bundle. It says whether the place after it was found.
func (s *stream) element(level int) bool {
	if s.classify() == isBundle {
		return s.bundle(level)
	}
	line := s.lineAt(s.r)
	body, out := s.span(s.h.Limits.MaxResource, maxDepth)
	if out == whole {
		return s.give(line, "", body)
	}
	return s.lost(line, out)
}

// lost reports a resource that span gave up. It says whether the place after it was found.
func (s *stream) lost(line int, out outcome) bool {
	i := Issue{Line: line, Known: Salvage(s.beginning(s.h.Limits.MaxResource)), Fix: fixLine}
	atEnd := out == torn && s.r == s.w && s.src == nil
	switch {
	case atEnd && !s.inside && bytes.Contains(s.buf[s.mark:s.r], []byte("\n{")):
		// A line that was cut: the lines after it are not part of it.
		i.What = "this line is not one complete JSON object"
	case atEnd:
		s.told = true
		i.Kind, i.What, i.Fix = Truncated, "the input ends in the middle of a resource", fixCut
	case out == torn:
		i.What = "this is not one complete JSON object"
	case out == large:
		i.Kind, i.What, i.Fix = Oversize, "the resource is larger than "+megabytes(s.h.Limits.MaxResource), fixLarge
	case out == deep:
		i.What = "the resource is nested too deeply"
	}
	s.issue(i)
	if out == large || out == deep && s.inside {
		return s.finish()
	}
	s.r, s.mark = s.mark, -1
	return s.inside && !atEnd && s.broke(line, "list")
}

// bundle reads the Bundle at r, entry by entry. It says whether its end was found.
func (s *stream) bundle(level int) bool {
	line := s.lineAt(s.r)
	s.r++
	return s.members(line, func(key []byte) bool {
		entries := string(key) == `"entry"`
		if c := s.next(); !entries || c != '[' && c != '{' {
			return s.skip() || s.broke(line, "Bundle")
		}
		return s.elements("Bundle", func() bool { return s.entry(level) })
	})
}

// members reads the members of an object from r to and with its closing bracket. At the call of f, r is at or before the
// member's value, and f must pass it.
func (s *stream) members(line int, f func(key []byte) bool) bool {
	for s.err == nil {
		switch s.next() {
		case ',':
			s.r++
			continue
		case '}':
			s.r++
			return true
		case '"':
		default:
			return s.broke(line, "Bundle")
		}
		var name [64]byte
		key, out := s.span(s.h.Limits.MaxResource, 0)
		if out != whole {
			return s.broke(line, "Bundle")
		}
		key = name[:copy(name[:], key)]
		if s.next() != ':' {
			return s.broke(line, "Bundle")
		}
		s.r++
		if !f(key) {
			return false
		}
	}
	return false
}

// elements reads the list at r and calls f at each object in it; other things in it are reported together. A lone object
// is taken as a list of one. It says whether the list's end was found.
func (s *stream) elements(of string, f func() bool) bool {
	if s.buf[s.r] == '{' {
		return f()
	}
	defer func(before bool) { s.inside = before }(s.inside)
	s.inside = true
	line, odd, first := s.lineAt(s.r), 0, 0
	s.r++
	for s.err == nil {
		switch c := s.next(); c {
		case ',':
			s.r++
		case '{':
			if !f() {
				return false
			}
		case ']':
			s.r++
			if odd > 0 {
				s.issue(Issue{Line: first, What: plural(odd, "thing") + " in this " + of + " that are no objects", Fix: fixLine})
			}
			return true
		case 0, '}', ':':
			return s.broke(line, of)
		default:
			if odd++; odd == 1 {
				first = s.lineAt(s.r)
			}
			if !s.skip() {
				return s.broke(line, of)
			}
		}
	}
	return false
}

// broke reports a Bundle or list that cannot be followed further, and is false.
func (s *stream) broke(line int, of string) bool {
	if s.err != nil {
		return false
	}
	s.mark = -1
	what := "the " + of + " that begins here breaks off in line " + decimal(s.lineAt(s.r))
	if s.r == s.w && s.src == nil {
		s.told = true
		what = "the " + of + " that begins here does not end"
	}
	s.issue(Issue{Kind: Truncated, Line: line, What: what + "; what followed in it is lost", Fix: fixCut})
	return false
}

// entry reads the Bundle entry at r. It says whether the place after it was found.
func (s *stream) entry(level int) bool {
	line := s.lineAt(s.r)
	body, out := s.span(s.h.Limits.MaxResource+entrySlack, maxDepth+entryDepth)
	switch out {
	case whole:
		s.entryWhole(line, body, level)
		return s.err == nil
	case torn:
		s.entryLost(line, s.buf[s.mark:s.r])
		if s.r < s.w || s.src != nil {
			s.r = s.mark // the next lines may be resources of their own
		}
		return s.broke(line, "Bundle entry")
	case deep:
		s.issue(Issue{Line: line, Known: s.entryKnown(), What: "the resource is nested too deeply", Fix: fixLine})
		return s.finish() || s.broke(line, "Bundle entry")
	}
	return s.entryLarge(line, level)
}

// entryLost reports the resource in an entry that breaks off.
func (s *stream) entryLost(line int, body []byte) {
	if known := Salvage(member(body, "resource")); known.Type != "" {
		s.issue(Issue{Line: line, Known: known, What: "the resource is cut", Fix: fixCut})
	}
}

// entryKnown is what the beginning of an entry that span gave up says about its resource.
func (s *stream) entryKnown() Salvaged { return Salvage(member(s.buf[s.mark:s.r], "resource")) }

// entryWhole hands out the resource of an entry that is in memory.
func (s *stream) entryWhole(line int, body []byte, level int) {
	var resource []byte
	fullURL := ""
	walk(body, func(key, value []byte, _ bool) bool {
		switch string(key) {
		case "resource":
			resource = value
		case "fullUrl":
			fullURL = text(value)
		}
		return true
	})
	if len(resource) == 0 || resource[0] == 'n' {
		return // an entry may have none, as in a history's deletions
	}
	at := cap(body) - cap(resource)
	line += bytes.Count(body[:at], []byte{'\n'})
	if resource[0] != '{' {
		s.issue(Issue{Line: line, What: "the entry's resource is not an object", Fix: fixLine})
		return
	}
	if len(resource) > s.h.Limits.MaxResource && bundleOrNot(resource) != isBundle {
		s.issue(Issue{Kind: Oversize, Line: line, Known: Salvage(resource),
			What: "the resource is larger than " + megabytes(s.h.Limits.MaxResource), Fix: fixLarge})
		return
	}
	s.hand(line, fullURL, resource, level+1)
}

// hand gives out an object that is in memory, or what is in it if it is a Bundle, which may be on this level or not.
func (s *stream) hand(line int, fullURL string, body []byte, level int) {
	if bundleOrNot(body) != isBundle {
		s.give(line, fullURL, body)
		return
	}
	if level > maxNesting {
		s.tooNested(line)
		return
	}
	sub := &stream{name: s.name, h: s.h, buf: body, w: len(body), line: line, mark: -1}
	sub.bundle(level)
	s.err = sub.err
}

// tooNested reports a Bundle in a Bundle in a Bundle.
func (s *stream) tooNested(line int) {
	s.issue(Issue{Line: line, What: "this is a Bundle in a Bundle in a Bundle; only one in another is read", Fix: fixLine})
}

// entryLarge goes on with an entry that span found to be large: a Bundle is read as it comes, all else is passed over.
func (s *stream) entryLarge(line, level int) bool {
	head := s.beginning(s.h.Limits.MaxResource + entrySlack)
	resource := member(head, "resource")
	at := s.mark + cap(head) - cap(resource)
	switch {
	case resource != nil && bundleOrNot(resource) == isBundle && level < maxNesting:
		s.r, s.mark = at, -1
		return s.bundle(level+1) && s.members(line, func([]byte) bool {
			return s.next() != 0 && s.skip() || s.broke(line, "Bundle")
		})
	case resource != nil && bundleOrNot(resource) == isBundle:
		s.tooNested(line)
	default:
		s.issue(Issue{Kind: Oversize, Line: line, Known: Salvage(resource),
			What: "the resource is larger than " + megabytes(s.h.Limits.MaxResource), Fix: fixLarge})
	}
	return s.finish() || s.broke(line, "Bundle")
}
