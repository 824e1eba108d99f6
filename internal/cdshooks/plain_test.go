package cdshooks

import "testing"

// Texts from outside stand for themselves: no mark-up, and no address that a client makes a link of by itself (GitHub
// Flavored Markdown, "Autolinks (extension)", which CDS Hooks names for the detail of a card).
func TestPlain(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"**done** [see](http://a.example)":         `\*\*done\*\* \[see\](http\://a.example)`,
		"see https://a.example/x, www.a.example":   `see https\://a.example/x, www\.a.example`,
		"WWW.a.example ftp://a mailto:q@a.example": `WWW\.a.example ftp\://a mailto:q\@a.example`,
		"2018;67:2-77.e2 at 12:30":                 "2018;67:2-77.e2 at 12:30",
		"<b>&amp;</b>\n# a\n- b":                   `\<b\>\&amp;\</b\> \# a - b`,
	} {
		if got := plain(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
