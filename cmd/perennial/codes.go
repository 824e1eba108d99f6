package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fhir"
	"perennial/internal/unmapped"
)

// codesCommand groups what is done with the code book.
func codesCommand(e *env) *cobra.Command {
	return group("codes", "Look into the code book, and enter the site's own codes", unmappedCommand(e), mapCommand(e))
}

// unmappedCommand lists the codes that no rule recognises.
func unmappedCommand(e *env) *cobra.Command {
	var site []string
	c := &cobra.Command{
		Use:   "unmapped [flags] PATH...",
		Short: "List the codes that no rule recognises, most frequent first",
		Long: "Reads FHIR R4 resources and lists the codes of procedures, imaging, devices and findings that the code book does\n" +
			"not know, most frequent first. What matters of them belongs into the site's own code map: perennial codes map.\n" +
			"PATH is a file, a folder or - for standard input.\n\n" +
			"On stderr: one line for each resource that cannot be read.\n\n" +
			"Exit status:\n  0  all was read\n  1  an input could not be read; the rest was counted\n  2  usage or settings\n  3  some resources could not be read; the rest was counted",
		Example: "  perennial codes unmapped export/\n  perennial codes unmapped --codes site.yaml --format tsv export/ > unknown.tsv",
		Args:    cobra.MinimumNArgs(1),
	}
	c.Flags().StringArrayVar(&site, "codes", nil, "file with the site's own code map; may be repeated")
	format := formatFlag(c, "table", "json", "tsv")
	c.RunE = func(_ *cobra.Command, args []string) error {
		w, err := assess.Prepare(assess.Options{Shipped: config.Files, Codes: site})
		if err != nil {
			return err
		}
		refused := 0
		counter := &unmapped.Counter{Book: w.Book}
		unread, err := eachInput(e, "reading", args, func(e *env, name string, in io.Reader) error {
			counter.Refused = func(i fhir.Issue) {
				refused++
				writeRefusal(e.stderr, i.File, i.Line, i.Ref, advice(i.What, i.Fix))
			}
			return counter.Read(name, in)
		})
		if err == nil {
			err = writeUnmapped(e.stdout, *format, counter.Rows())
		}
		if err != nil {
			return err
		}
		return howItWent(unread, refused, "counted")
	}
	return c
}

func writeUnmapped(out io.Writer, format string, rows []unmapped.Row) error {
	switch format {
	case "json":
		enc := json.NewEncoder(out)
		for _, r := range rows {
			if err := enc.Encode(r); err != nil {
				return err
			}
		}
		return nil
	case "tsv":
		for _, r := range rows {
			if _, err := fmt.Fprintf(out, "%d\t%s\t%s\t%s\t%s\n", r.Count, r.On, r.System, r.Code, r.Text); err != nil {
				return err
			}
		}
		return nil
	default:
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "NO\tCOUNT\tON\tSYSTEM\tCODE\tTEXT")
		for i, r := range rows {
			fmt.Fprintf(w, "%d\t%d\t%s\t%s\t%s\t%s\n", i+1, r.Count, r.On, r.System, r.Code, r.Text)
		}
		return w.Flush()
	}
}
