package codes

import (
	"bytes"
	"regexp"
	"regexp/syntax"
	"strings"
)

// pattern is a pattern on text, which ignores case. Most texts hold none of the
// words that a pattern needs, and looking for a word is a hundred times faster
// than looking for a pattern: needs changes no answer, only how soon it comes.
type pattern struct {
	re    *regexp.Regexp
	needs [][]byte // in small letters; every text that fits holds one of these; none: not known
}

func newPattern(text string) (*pattern, error) {
	text = "(?i)" + text
	re, err := regexp.Compile(text)
	if err != nil {
		return nil, err
	}
	p := &pattern{re: re}
	if tree, err := syntax.Parse(text, syntax.Perl); err == nil {
		p.needs = needed(tree)
	}
	return p, nil
}

// fits says whether the pattern is somewhere in the text.
func (p *pattern) fits(s *searched) bool {
	return p.may(s) && p.re.MatchString(s.text)
}

// may says whether the text holds what the pattern needs.
func (p *pattern) may(s *searched) bool {
	if len(p.needs) == 0 || s.odd {
		return true
	}
	for _, word := range p.needs {
		if bytes.Contains(s.small, word) {
			return true
		}
	}
	return false
}

// searched is a text with what is needed to search it fast.
type searched struct {
	text  string
	small []byte // the text with small letters for A to Z
	odd   bool   // it has a sign that counts as a letter of a to z beside the usual two
}

// search makes a text ready; its small letters go behind what lies in room.
func search(text string, room []byte) searched {
	from := len(room)
	for i := range len(text) {
		c := text[i]
		if 'A' <= c && c <= 'Z' {
			c |= 0x20
		}
		room = append(room, c)
	}
	return searched{text: text, small: room[from:], odd: strings.ContainsAny(text, oddLetters)}
}

// oddLetters are all signs beyond a to z that equal one of these where case is
// ignored: the long s and the sign of the unit kelvin.
const oddLetters = "\u017f\u212a"

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
		var all [][]byte
		for _, sub := range re.Sub {
			words := needed(sub)
			if all = append(all, words...); len(words) == 0 || len(all) > most {
				return nil
			}
		}
		return all
	}
	return nil
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
