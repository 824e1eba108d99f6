package yamldoc

import "strings"

// Nearest gives the word most like the one written, for "did you mean": at
// most two edits away, and fewer than half of its letters changed. The first
// of equals wins; "" where none is near.
func Nearest(written string, words []string) string {
	best, least := "", 3
	w := strings.ToLower(written)
	if len(w) > 64 {
		return ""
	}
	for _, word := range words {
		d := edits(w, strings.ToLower(word))
		if d < least && 2*d < max(len(word), len(w)) {
			best, least = word, d
		}
	}
	return best
}

// edits is the number of letters to insert, delete, change or swap with their
// neighbour to turn a into b (restricted Damerau-Levenshtein distance).
func edits(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
