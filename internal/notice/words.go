package notice

import (
	"strings"

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
