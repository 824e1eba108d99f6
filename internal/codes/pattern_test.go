package codes

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"perennial/internal/yamldoc"
)

func textsOf(words [][]byte) []string {
	var list []string
	for _, w := range words {
		list = append(list, string(w))
	}
	return list
}

func TestWhatAPatternNeedsAndHowItBegins(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]struct{ needs, starts []string }{
		`\bendoleaks?\b`:                        {[]string{"endoleak"}, []string{"endoleak"}},
		`\b(Migrat(ed|ion)|displace(d|ment))\b`: {[]string{"migrat", "displace"}, []string{"migrated", "migration", "displaced", "displacement"}},
		`\b(stent|wire)\b[^.;]{0,30}\bfractur`:  {[]string{"fractur"}, []string{"stent", "wire"}},
		`(no|negative for|without) x`:           {[]string{" x"}, []string{"no", "negative for", "without"}},
		`(ab|c)?de`:                             {[]string{"de"}, nil},
		`(abc){2,}x*`:                           {[]string{"abc"}, []string{"abc"}},
		`(abc){0,2}`:                            {nil, nil},
		`abc|d*`:                                {nil, nil},
		`[a-c]+`:                                {nil, nil},
		`straße`:                                {nil, nil},
		`(?-i:CT) angio`:                        {[]string{" angio"}, []string{"ct angio"}},
		`\Qa.b`:                                 {[]string{"a.b"}, nil},
	} {
		p, err := newPattern(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := textsOf(p.needs); !slices.Equal(got, want.needs) {
			t.Errorf("%s needs %q, want %q", text, got, want.needs)
		}
		if got := textsOf(p.starts); !slices.Equal(got, want.starts) {
			t.Errorf("%s begins with %q, want %q", text, got, want.starts)
		}
	}
}

// All signs that fold to a letter of a to z are known.
func TestOddLetters(t *testing.T) {
	t.Parallel()
	for r := rune(0x80); r <= unicode.MaxRune; r++ {
		for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
			if f < 0x80 && !strings.ContainsRune(longS+kelvin, r) {
				t.Errorf("%U equals %c where case is ignored", r, f)
			}
		}
	}
}

// The shipped remarks, which are tried on every report, all have words that
// they need and begin with.
func TestShippedRemarksAreFast(t *testing.T) {
	t.Parallel()
	b, problems := Load(os.DirFS("../../config"))
	if len(problems) > 0 {
		t.Fatal(yamldoc.Problems(problems))
	}
	if len(b.remarks.texts) < 5 {
		t.Fatalf("only %d patterns", len(b.remarks.texts))
	}
	for _, r := range b.remarks.texts {
		if len(r.match.needs) == 0 || len(r.match.starts) == 0 || r.unless != nil && len(r.unless.starts) == 0 {
			t.Errorf("%s needs no word, or may begin anywhere", r.match.re)
		}
	}
}

// FuzzPattern: what a pattern needs never changes an answer.
func FuzzPattern(f *testing.F) {
	for _, p := range []string{`\bendoleaks?\b`, `\b(migrat(ed|ion)|displace(d|ment))\b`, `\b(no|without)\b[^.;]{0,60}\b(occlu|thrombos|stenos)`, `(a|bc)+d?`, `x{2,3}`, `(?-i:K)s`, `ſ`,
		`[k]`, `^a$|b`, `\Qa.b\E`, `(?s).a`, `k\x{212a}`, `\Ba|^b|c$`, `(?m)^a`, `\Aab`, `\Qab`, `ab(c|d)?e|f`, `\bab`, `endoleak`, `stenos`} {
		for _, t := range []string{"", "No Endoleak.", "MIGRATION of the graft", "endolea\u212a", "\u017ftenosis, without thrombosis", "bcad", "xx", "\xffks", "a.b", "A\nb", "xab abe", "éab", "\xc3ab"} {
			f.Add(p, t)
		}
	}
	f.Fuzz(func(t *testing.T, text, on string) {
		p, err := newPattern(text)
		if err != nil {
			return
		}
		s := search(on)
		if got, want := p.fits(&s), regexp.MustCompile("(?i)"+text).MatchString(on); got != want {
			t.Fatalf("%q on %q: %v, want %v (needs %q)", text, on, got, want, p.needs)
		}
	})
}
