package main

import (
	"strings"
	"time"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
)

// assessCommand is the heart from the shell.
func assessCommand(e *env) *cobra.Command {
	var o assess.Options
	var format, summary, site string
	c := &cobra.Command{
		Use:   "assess [flags] PATH...",
		Short: "Work out schedules and standings from FHIR files, without a database",
		Long: "Reads FHIR R4 resources (single resources, Bundles, NDJSON, JSON arrays, each also gzipped; told by content, not by\n" +
			"name) from files and folders, and writes for every patient with an implant where each visit stands, and why.\n" +
			"PATH is a file, a folder (with the folders in it) or - for standard input. No database, no network.\n\n" +
			"On stderr: one line for each resource that cannot be used (FILE:LINE: Type/id: what is wrong).\n\n" +
			"Formats: table (for people; the default at a terminal), json (one object a line, the default otherwise), and tsv:\n" +
			"patient, visits done, visits missed, next due date, lapsed. After the end of surveillance (death, explant, …) only\n" +
			"visits whose target came before it are counted.\n\n" +
			"Exit status:\n" +
			"  0  all was read\n" +
			"  1  an input could not be read: nothing was assessed, because facts may be missing\n" +
			"  2  usage or settings\n" +
			"  3  something was quarantined; the rest was assessed all the same",
		Example: "  perennial assess --as-of 2026-06-30 --zone America/Chicago export/\n" +
			"  perennial assess --format json bundle.json | jq .work\n" +
			"  zcat *.ndjson.gz | perennial assess --protocol label-1-6-12 --format tsv -",
		Args: cobra.ArbitraryArgs,
	}
	f := c.Flags()
	f.StringVar(&o.AsOf, "as-of", "", "the day to assess, YYYY-MM-DD (default today in the zone)")
	f.StringVar(&o.KnownAt, "known-at", "", "leave out what was received after this time, e.g. 2026-03-31T17:00:00Z or 2026-03-31 (the end of that day)")
	f.StringVar(&o.Zone, "zone", "", "time zone of the site, an IANA name (default UTC)")
	f.StringVar(&site, "settings", "", "settings file of the site: zone, protocols, code map, numbers")
	f.StringVar(&o.Rulings, "rulings", "", "file of rulings, NDJSON as exported")
	f.StringArrayVar(&o.Protocols, "protocol", nil, "protocol id or file for the classes that it names; may be repeated")
	f.StringArrayVar(&o.Codes, "codes", nil, "file with the site's own code map; may be repeated")
	f.StringVar(&format, "format", "", "table, json or tsv (default table at a terminal, else json)")
	f.StringVar(&summary, "summary", "", "json: print only the sums of resources and patients")
	c.RunE = func(c *cobra.Command, args []string) error {
		o.Paths, o.Now, o.Shipped = args, e.now(), config.Files
		var err error
		if site != "" {
			if err := useSettings(site, &o); err != nil {
				return err
			}
		}
		if o.Format, err = formatOf(e, format, summary); err != nil {
			return err
		}
		done := showProgress(e, &o)
		code, err := assess.Run(c.Context(), o, assess.Streams{In: e.stdin, Out: e.stdout, Err: e.stderr})
		done()
		if err != nil || code != assess.ExitOK {
			return &exitCode{code, err}
		}
		return nil
	}
	_ = c.RegisterFlagCompletionFunc("format", cobra.FixedCompletions([]string{"table", "json", "tsv"}, cobra.ShellCompDirectiveNoFileComp))
	_ = c.RegisterFlagCompletionFunc("summary", cobra.FixedCompletions([]string{"json"}, cobra.ShellCompDirectiveNoFileComp))
	_ = c.RegisterFlagCompletionFunc("protocol", completeProtocols)
	return c
}

// formatOf settles the format from both flags.
func formatOf(e *env, format, summary string) (assess.Format, error) {
	switch {
	case summary != "" && summary != "json":
		return "", usageError("the summary "+summary+" is not known", "Write --summary json.")
	case summary != "" && format != "" && format != "json":
		return "", usageError("--summary and --format "+format+" do not go together", "Give one of them.")
	case summary != "":
		return assess.FormatSummary, nil
	case format != "":
		switch f := assess.Format(format); f {
		case assess.FormatJSON, assess.FormatTSV, assess.FormatTable:
			return f, nil
		}
		return "", usageError("the format "+format+" is not known", "Choose --format table, json or tsv.")
	case e.terminal(e.stdout):
		return assess.FormatTable, nil
	}
	return assess.FormatJSON, nil
}

// completeProtocols offers the ids of the shipped protocols.
func completeProtocols(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	entries, err := config.Files.ReadDir("protocols")
	if err != nil {
		return nil, cobra.ShellCompDirectiveDefault
	}
	var ids []string
	for _, d := range entries {
		ids = append(ids, strings.TrimSuffix(d.Name(), ".yaml"))
	}
	return ids, cobra.ShellCompDirectiveDefault
}

// showProgress draws a bar while input is read, where a person watches.
func showProgress(e *env, o *assess.Options) (done func()) {
	if !e.terminal(e.stderr) {
		return func() {}
	}
	p := newProgress(e.stderr, "reading")
	o.Progress = p.set
	return p.done
}

// showEvery is the least time between two drawings of a bar.
const showEvery = 100 * time.Millisecond
