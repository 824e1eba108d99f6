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

func needsOf(t *testing.T, text string) []string {
	t.Helper()
	p, err := newPattern(text)
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, w := range p.needs {
		words = append(words, string(w))
	}
	return words
}

func TestWhatAPatternNeeds(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		`\bendoleaks?\b`:                        {"endoleak"},
		`\b(Migrat(ed|ion)|displace(d|ment))\b`: {"migrat", "displace"},
		`\b(stent|wire)\b[^.;]{0,30}\bfractur`:  {"fractur"},
		`(ab|c)?de`:                             {"de"},
		`(abc){2,}x*`:                           {"abc"},
		`(abc){0,2}`:                            nil,
		`abc|d*`:                                nil,
		`[a-c]+`:                                nil,
		`straße`:                                nil,
		`(?-i:CT) angio`:                        {" angio"},
	} {
		if got := needsOf(t, text); !slices.Equal(got, want) {
			t.Errorf("%s needs %q, want %q", text, got, want)
		}
	}
}

// All signs that fold to a letter of a to z are known.
func TestOddLetters(t *testing.T) {
	t.Parallel()
	for r := rune(0x80); r <= unicode.MaxRune; r++ {
		for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
			if f < 0x80 && !strings.ContainsRune(oddLetters, r) {
				t.Errorf("%U equals %c where case is ignored", r, f)
			}
		}
	}
}

// The shipped remarks, which are tried on every report, all have words that
// they need.
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
		if len(r.match.needs) == 0 {
			t.Errorf("%s needs no word", r.match.re)
		}
	}
}

// FuzzPattern: what a pattern needs never changes an answer.
func FuzzPattern(f *testing.F) {
	for _, p := range []string{`\bendoleaks?\b`, `\b(migrat(ed|ion)|displace(d|ment))\b`, `\b(no|without)\b[^.;]{0,60}\b(occlu|thrombos|stenos)`, `(a|bc)+d?`, `x{2,3}`, `(?-i:K)s`, `ſ`, `[k]`, `^a$|b`, `\Qa.b\E`, `(?s).a`, `k\x{212a}`} {
		for _, t := range []string{"", "No Endoleak.", "MIGRATION of the graft", "endolea\u212a", "\u017ftenosis, without thrombosis", "bcad", "xx", "\xffks", "a.b", "A\nb"} {
			f.Add(p, t)
		}
	}
	f.Fuzz(func(t *testing.T, text, on string) {
		p, err := newPattern(text)
		if err != nil {
			return
		}
		s := search(on, []byte("before"))
		if got, want := p.fits(&s), regexp.MustCompile("(?i)"+text).MatchString(on); got != want {
			t.Fatalf("%q on %q: %v, want %v (needs %q)", text, on, got, want, p.needs)
		}
	})
}
