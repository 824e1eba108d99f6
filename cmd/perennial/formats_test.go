package main

import (
	"strings"
	"testing"
)

// An unknown format is a mistake in the command, not a wish for a table.
func TestUnknownFormatIsRefused(t *testing.T) {
	t.Parallel()
	for _, format := range []string{"xml", "", "JSON"} {
		err := tableOrJSON(format)
		if err == nil || !strings.Contains(err.Error(), "is not known") {
			t.Errorf("format %q: %v", format, err)
		}
	}
	for _, format := range []string{"table", "json"} {
		if err := tableOrJSON(format); err != nil {
			t.Errorf("format %q: %v", format, err)
		}
	}
}
