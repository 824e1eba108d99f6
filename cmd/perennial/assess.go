package main

import (
	"errors"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fault"
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
	oneOf(c, "format", "table", "json", "tsv")
	f.StringVar(&summary, "summary", "", "json: print only the sums of resources and patients")
	oneOf(c, "summary", "json")
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
		during, show, done := showProgress(e, "reading", "")
		o.Progress = show
		code, err := assess.Run(c.Context(), o, assess.Streams{In: e.stdin, Out: e.stdout, Err: during.stderr})
		done()
		if code == assess.ExitQuarantined {
			err = fault.New(fault.Invalid, "", hintRefused, errors.New("what is named above cannot be used; the rest was assessed"))
		}
		if err != nil {
			return &exitCode{code, err}
		}
		return nil
	}
	_ = c.RegisterFlagCompletionFunc("protocol", completeProtocols)
	return c
}

// formatOf settles the format from both flags, whose words are known.
func formatOf(e *env, format, summary string) (assess.Format, error) {
	switch {
	case summary != "" && format != "" && format != "json":
		return "", usageError("--summary and --format "+format+" do not go together", "Give one of them.")
	case summary != "":
		return assess.FormatSummary, nil
	case format != "":
		return assess.Format(format), nil
	case e.terminal(e.stdout):
		return assess.FormatTable, nil
	}
	return assess.FormatJSON, nil
}
