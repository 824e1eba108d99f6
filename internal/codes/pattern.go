package codes

import (
	"bytes"
	"regexp"
	"regexp/syntax"
	"strings"
	"unicode/utf8"
)

// pattern is a pattern on text, which ignores case. Most texts hold none of the
// words that a pattern needs, and in the others there are few places where it
// can begin: looking for words is a hundred times faster than looking for a
// pattern. That changes no answer, only how soon it comes.
type pattern struct {
	re     *regexp.Regexp
	needs  [][]byte // in small letters; every text that fits holds one of these; none: not known
	starts [][]byte // the same for how every fit begins
	first  *regexp.Regexp
	later  *regexp.Regexp // the pattern after the first sign of a text
}

func newPattern(text string) (*pattern, error) {
	text = "(?i)" + text
	p := &pattern{}
	var err error
	if p.re, err = regexp.Compile(text); err != nil {
		return nil, err
	}
	tree, err := syntax.Parse(text, syntax.Perl)
	if err != nil {
		return p, nil
	}
	var errLater error
	p.needs = needed(tree)
	p.first, err = regexp.Compile(`\A(?:` + text + `)`)
	p.later, errLater = regexp.Compile(`\A(?s:.)(?:` + text + `)`)
	if err == nil && errLater == nil { // an open \Q makes them fail
		p.starts = beginnings(tree)
	}
	return p, nil
}

// fits says whether the pattern is somewhere in the text.
func (p *pattern) fits(s *searched) bool {
	switch {
	case s.odd:
		return p.re.MatchString(s.text)
	case len(p.needs) > 0 && !s.holds(p.needs):
		return false
	case len(p.starts) == 0:
		return p.re.MatchString(s.text)
	}
	for _, word := range p.starts {
		for at := 0; ; at++ {
			i := bytes.Index(s.small[at:], word)
			if i < 0 {
				break
			}
			if at += i; p.beginsAt(s.text, at) {
				return true
			}
		}
	}
	return false
}

// beginsAt says whether the pattern fits from a place on. It looks at most at
// the sign before it, so that the text may be cut there.
func (p *pattern) beginsAt(text string, at int) bool {
	if at == 0 {
		return p.first.MatchString(text)
	}
	_, n := utf8.DecodeLastRuneInString(text[:at])
	return p.later.MatchString(text[at-n:])
}

// searched is a text with what is needed to search it fast.
type searched struct {
	text  string
	small []byte // the text with small letters for A to Z
	odd   bool   // it has a sign that counts as a letter of a to z beside the usual two
}

// search makes a text ready.
func search(text string) searched {
	small := []byte(text)
	for i, c := range small {
		if 'A' <= c && c <= 'Z' {
			small[i] = c | 0x20
		}
	}
	return searched{text: text, small: small, odd: strings.Contains(text, longS) || strings.Contains(text, kelvin)}
}

// holds says whether the text holds one of some words.
func (s *searched) holds(words [][]byte) bool {
	for _, word := range words {
		if bytes.Contains(s.small, word) {
			return true
		}
	}
	return false
}

// All signs beyond a to z that equal one of these where case is ignored: the
// long s and the sign of the unit kelvin.
const (
	longS  = "\u017f"
	kelvin = "\u212a"
)

// most is how many words are worth looking for.
const most = 16

// needed lists words of which every match of a pattern holds one, or none where
// that cannot be told.
func needed(re *syntax.Regexp) [][]byte {
	switch re.Op {
	case syntax.OpLiteral:
		return word(re.Rune)
	case syntax.OpCapture, syntax.OpPlus:
		return needed(re.Sub[0])
	case syntax.OpRepeat:
		if re.Min > 0 {
			return needed(re.Sub[0])
		}
	case syntax.OpConcat:
		var best [][]byte
		for _, sub := range re.Sub {
			if words := needed(sub); shortest(words) > shortest(best) {
				best = words
			}
		}
		return best
	case syntax.OpAlternate:
		return anyOf(re.Sub, needed)
	}
	return nil
}

// beginnings lists words of which every match of a pattern begins with one, or
// none where that cannot be told.
func beginnings(re *syntax.Regexp) [][]byte {
	switch re.Op {
	case syntax.OpLiteral:
		return word(re.Rune)
	case syntax.OpCapture, syntax.OpPlus:
		return beginnings(re.Sub[0])
	case syntax.OpRepeat:
		if re.Min > 0 {
			return beginnings(re.Sub[0])
		}
	case syntax.OpConcat:
		return joined(re.Sub)
	case syntax.OpAlternate:
		return anyOf(re.Sub, beginnings)
	}
	return nil
}

// joined are the beginnings of what follows one another: those of the first that
// takes room, and where that is a literal, together with those of the next.
func joined(subs []*syntax.Regexp) [][]byte {
	for len(subs) > 0 && noRoom(subs[0].Op) {
		subs = subs[1:]
	}
	if len(subs) == 0 {
		return nil
	}
	words := beginnings(subs[0])
	if subs[0].Op != syntax.OpLiteral || len(words) == 0 || len(subs) == 1 {
		return words
	}
	next := beginnings(subs[1])
	if len(next) == 0 {
		return words
	}
	for i := range next {
		next[i] = append(bytes.Clone(words[0]), next[i]...)
	}
	return next
}

// noRoom says whether a part of a pattern stands between two signs.
func noRoom(op syntax.Op) bool {
	switch op {
	case syntax.OpEmptyMatch, syntax.OpBeginLine, syntax.OpEndLine, syntax.OpBeginText, syntax.OpEndText, syntax.OpWordBoundary, syntax.OpNoWordBoundary:
		return true
	}
	return false
}

// anyOf joins the words of alternatives; none where one of them has none.
func anyOf(subs []*syntax.Regexp, words func(*syntax.Regexp) [][]byte) [][]byte {
	var all [][]byte
	for _, sub := range subs {
		more := words(sub)
		if all = append(all, more...); len(more) == 0 || len(all) > most {
			return nil
		}
	}
	return all
}

// word is a literal in small letters; none where it has other signs than ASCII.
func word(literal []rune) [][]byte {
	small := make([]byte, 0, len(literal))
	for _, r := range literal {
		if r >= 0x80 {
			return nil
		}
		small = append(small, byte(r))
	}
	return [][]byte{bytes.ToLower(small)}
}

// shortest is the length of the shortest word; 0 without one.
func shortest(words [][]byte) int {
	n := 0
	for i, w := range words {
		if i == 0 || len(w) < n {
			n = len(w)
		}
	}
	return n
}
