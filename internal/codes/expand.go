package codes

import (
	"fmt"
	"regexp/syntax"
)

// maxExpanded is the most codes that one pattern of codes may stand for.
const maxExpanded = 400

// expand lists every code that a pattern stands for. Only patterns that are
// finite are allowed: letters, digits, [classes] and (alternatives|…). So a
// pattern of codes is reviewed, checked and looked up code by code.
func expand(pattern string) ([]string, error) {
	re, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return nil, fmt.Errorf("this is no pattern: %w", err)
	}
	return product(re.Simplify())
}

func product(re *syntax.Regexp) ([]string, error) {
	switch re.Op {
	case syntax.OpEmptyMatch, syntax.OpBeginText, syntax.OpEndText, syntax.OpBeginLine, syntax.OpEndLine:
		return []string{""}, nil
	case syntax.OpLiteral:
		return []string{string(re.Rune)}, nil
	case syntax.OpCharClass:
		return class(re.Rune)
	case syntax.OpCapture:
		return product(re.Sub[0])
	case syntax.OpAlternate:
		var out []string
		for _, sub := range re.Sub {
			more, err := product(sub)
			if err != nil {
				return nil, err
			}
			if out = append(out, more...); len(out) > maxExpanded {
				return nil, tooMany()
			}
		}
		return out, nil
	case syntax.OpConcat:
		return concat(re.Sub)
	}
	return nil, fmt.Errorf("a pattern of codes may hold only letters, digits, [classes] and (a|b): %q is not one", re)
}

func concat(subs []*syntax.Regexp) ([]string, error) {
	out := []string{""}
	for _, sub := range subs {
		tails, err := product(sub)
		if err != nil {
			return nil, err
		}
		if len(out)*len(tails) > maxExpanded {
			return nil, tooMany()
		}
		var next []string
		for _, head := range out {
			for _, tail := range tails {
				next = append(next, head+tail)
			}
		}
		out = next
	}
	return out, nil
}

func class(ranges []rune) ([]string, error) {
	var out []string
	for i := 0; i+1 < len(ranges); i += 2 {
		for r := ranges[i]; r <= ranges[i+1]; r++ {
			if out = append(out, string(r)); len(out) > maxExpanded {
				return nil, tooMany()
			}
		}
	}
	return out, nil
}

func tooMany() error {
	return fmt.Errorf("a pattern of codes may stand for %d codes at most", maxExpanded)
}
