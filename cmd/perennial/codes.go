package main

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/fault"
	"perennial/internal/unmapped"
)

// codesCommand groups what is done with the code book.
func codesCommand(e *env) *cobra.Command {
	c := &cobra.Command{Use: "codes", Short: "Look into the code book"}
	c.AddCommand(unmappedCommand(e))
	return c
}

// unmappedCommand lists the codes that no rule recognises.
func unmappedCommand(e *env) *cobra.Command {
	var site []string
	var format string
	c := &cobra.Command{
		Use:   "unmapped [flags] PATH...",
		Short: "List the codes that no rule recognises, most frequent first",
		Long: "Reads FHIR R4 resources and lists the codes of procedures, imaging, devices and findings that the code book does\n" +
			"not know, most frequent first. What matters of them belongs into the site's own code map.\n" +
			"PATH is a file, a folder or - for standard input.\n\n" +
			"Exit status:\n  0  all was read\n  1  an input could not be read\n  2  usage or settings",
		Example: "  perennial codes unmapped export/\n  perennial codes unmapped --codes site.yaml --format tsv export/ > unknown.tsv",
		Args:    cobra.MinimumNArgs(1),
	}
	c.Flags().StringArrayVar(&site, "codes", nil, "file with the site's own code map; may be repeated")
	c.Flags().StringVar(&format, "format", "table", "table, json or tsv")
	c.RunE = func(_ *cobra.Command, args []string) error {
		book, err := loadBook(site)
		if err != nil {
			return err
		}
		counter := &unmapped.Counter{Book: book}
		if err := eachInput(e, args, counter.Read); err != nil {
			return err
		}
		return writeUnmapped(e.stdout, format, counter.Rows())
	}
	return c
}

// loadBook loads the shipped code lists and the site's maps.
func loadBook(site []string) (*codes.Book, error) {
	var docs []codes.Document
	for _, name := range site {
		text, err := os.ReadFile(name)
		if err != nil {
			return nil, fault.New(fault.Invalid, "reading the code map", "Check the name and the rights of the file.", err)
		}
		docs = append(docs, codes.Document{Name: name, Data: text})
	}
	book, problems := codes.Load(config.Files, docs...)
	if len(problems) > 0 {
		text := ""
		for _, p := range problems {
			text += "\n" + p.Error()
		}
		return nil, fault.New(fault.Invalid, "the code map has mistakes", "Mend them and try again."+text, nil)
	}
	return book, nil
}

// eachInput opens every file of the paths, one after the other.
func eachInput(e *env, paths []string, read func(name string, in io.Reader) error) error {
	for _, path := range paths {
		if path == "-" {
			if err := read("standard input", e.stdin); err != nil {
				return err
			}
			continue
		}
		err := filepath.WalkDir(path, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			f, err := os.Open(name)
			if err != nil {
				return err
			}
			defer f.Close()
			return read(name, f)
		})
		if err != nil {
			return fault.New(fault.NotFound, "reading "+path, "Check the name, and the right to read it.", err)
		}
	}
	return nil
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
	case "table":
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "COUNT\tON\tSYSTEM\tCODE\tTEXT")
		for _, r := range rows {
			fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\n", r.Count, r.On, r.System, r.Code, r.Text)
		}
		return w.Flush()
	}
	return usageError("the format "+format+" is not known", "Choose --format table, json or tsv.")
}
