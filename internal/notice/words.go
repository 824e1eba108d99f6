package notice

import (
	"strings"
	"unicode"

	"perennial/internal/chart"
)

// KindText is a kind of imaging as it is said to people.
func KindText(k chart.Kind) string {
	name := strings.NewReplacer("ct-unknown-contrast", "CT, contrast not stated", "ct-plain", "CT without contrast", "ct-contrast", "CT with contrast", "ct-", "CT ", "mr-", "MR ", "duplex-limited", "limited duplex").Replace(k.String())
	switch {
	case name == "mr":
		return "MR"
	case k == chart.RetrievalReview:
		return "no imaging: can the filter come out?"
	}
	return name
}

// EvidenceMark says what an evidence mark of a protocol means
// (docs/protocol-format.md).
func EvidenceMark(mark string) string {
	switch mark {
	case "FOUND":
		return "read in the source"
	case "FOUND2":
		return "read in a summary of the source"
	case "MEM-H":
		return "from memory (sure), to be checked against the source"
	case "MEM-M", "MEM-L":
		return "from memory (not sure), to be checked against the source"
	case "DESIGN":
		return "set here, no source"
	}
	return ""
}

// Tame makes a text from outside fit to be shown on one line: control characters,
// those that turn the direction of writing, and broken ones become spaces; of a
// text longer than most characters the rest is cut, with "…" in its place.
func Tame(text string, most int) string {
	if len(text) > 8*most {
		text = text[:8*most]
	}
	clean := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029' || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, text)
	clean = strings.Join(strings.Fields(clean), " ")
	if r := []rune(clean); len(r) > most {
		clean = string(r[:most-1]) + "…"
	}
	return clean
}
