package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// wordsOf is the annotation of a flag that takes certain words only.
const wordsOf = "perennial_words"

// formatFlag adds --format with the formats that a command knows; the first is
// the default.
func formatFlag(c *cobra.Command, formats ...string) *string {
	format := c.Flags().String("format", formats[0], orList(formats))
	oneOf(c, "format", formats...)
	return format
}

// oneOf lets a flag take certain words only, and completes them. Anything else
// is refused before the command begins (checkWords).
func oneOf(c *cobra.Command, flag string, words ...string) {
	_ = c.Flags().SetAnnotation(flag, wordsOf, words)
	_ = c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
}

// checkWords refuses words that a flag does not know.
func checkWords(c *cobra.Command, _ []string) (err error) {
	c.Flags().Visit(func(f *pflag.Flag) {
		words := f.Annotations[wordsOf]
		given := []string{f.Value.String()}
		if list, ok := f.Value.(pflag.SliceValue); ok {
			given = list.GetSlice()
		}
		for _, word := range given {
			if len(words) > 0 && !slices.Contains(words, word) && err == nil {
				err = usageError(fmt.Sprintf("--%s %q is not known", f.Name, word), "Choose --"+f.Name+" "+orList(words)+".")
			}
		}
	})
	return err
}

// orList is "table, json or csv".
func orList(words []string) string {
	n := len(words) - 1
	if n < 1 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:n], ", ") + " or " + words[n]
}

// confirm tells what was done: a sentence, or one JSON object.
func confirm(e *env, format string, object any, sentence string, args ...any) error {
	if format == "json" {
		return json.NewEncoder(e.stdout).Encode(object)
	}
	_, err := fmt.Fprintf(e.stdout, sentence+"\n", args...)
	return err
}

func sortedKeys(m map[string]int) []string { return slices.Sorted(maps.Keys(m)) }
