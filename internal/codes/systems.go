package codes

import "strings"

// systemID numbers a code system within a book.
type systemID int16

const (
	noSystem      systemID = -1 // the coding has none
	unknownSystem systemID = -2 // one that the book does not know
)

// system is a code system as the documents describe it.
type system struct {
	name    string   // short: loinc; the URI itself for a site's own system
	form    string   // how its codes look: a word of forms
	bare    bool     // its codes are unmistakable without a system
	dotless bool     // its codes are also written without the point
	enabled bool     // off: its shipped codes are not used
	uris    []string // every way that it is written
}

// systems finds a system by any of its names.
type systems struct {
	all    []system
	byName map[string]systemID // short names
	byURI  map[string]systemID // URIs and table names, as given and in lower case
	roots  []root              // for versioned URIs
}

// root is the start of the URIs of one system.
type root struct {
	prefix string
	id     systemID
}

// id finds the system that a coding names.
func (s *systems) id(uri string) systemID {
	if uri == "" {
		return noSystem
	}
	if id, ok := s.byURI[uri]; ok {
		return id
	}
	return s.loose(uri)
}

// loose accepts the ways in which servers misspell a system: other case, a
// slash or a version at the end, https for http, space around.
func (s *systems) loose(uri string) systemID {
	uri = strings.ToLower(strings.TrimSpace(uri))
	if i := strings.IndexByte(uri, '|'); i >= 0 {
		uri = uri[:i]
	}
	uri = strings.TrimSuffix(uri, "/")
	if uri == "" {
		return noSystem
	}
	if id, ok := s.byURI[uri]; ok {
		return id
	}
	rest, secure := strings.CutPrefix(uri, "https://")
	for _, r := range s.roots {
		if strings.HasPrefix(uri, r.prefix) {
			return r.id
		}
		if plain, ok := strings.CutPrefix(r.prefix, "http://"); ok && secure && strings.HasPrefix(rest+"/", plain) {
			return r.id
		}
	}
	return unknownSystem
}

// add enters a system; the caller has checked that its names are free.
func (s *systems) add(x system) systemID {
	id := systemID(len(s.all))
	s.all = append(s.all, x)
	s.byName[x.name] = id
	for _, u := range x.uris {
		low := strings.TrimSuffix(strings.ToLower(u), "/")
		s.byURI[u], s.byURI[low] = id, id
		if strings.HasPrefix(low, "http://") {
			s.roots = append(s.roots, root{low + "/", id})
		}
	}
	return id
}

// maxTidy is the longest code that is tidied, in bytes.
const maxTidy = 24

// tidyCode undoes the ways in which senders misspell a code: space around, a
// concept URI in place of the code, small letters. false where the code is
// tidy already (or no code at all), so that looking again is useless.
func tidyCode(to []byte, code string) ([]byte, bool) {
	c := strings.TrimSpace(code)
	c = strings.TrimPrefix(strings.TrimPrefix(c, "http://snomed.info/id/"), "http://snomed.info/sct/")
	if c == "" || len(c) > maxTidy {
		return nil, false
	}
	changed := len(c) != len(code)
	for i := range len(c) {
		x := c[i]
		if x >= 'a' && x <= 'z' {
			x, changed = x-'a'+'A', true
		}
		to = append(to, x)
	}
	return to, changed
}
