package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/internal/probe"
	"perennial/internal/settings"
	"perennial/internal/source/rest"
)

// tasksName is the server of out.rest, where it is looked at by itself.
const tasksName = "tasks"

// probeTries is how often a probe asks for the same: a person waits for it.
const probeTries = 2

// sourceCommand groups what is done with the servers of the settings.
func sourceCommand(e *env) *cobra.Command {
	return group("source", "Look at the FHIR servers of the settings", sourceCheckCommand(e))
}

func sourceCheckCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "check NAME",
		Short: "Ask a FHIR server of the settings what it offers, and say what that means here",
		Long: "Logs in at a FHIR server of the settings, reads its CapabilityStatement, tries each search that will be used and looks at a\n" +
			"sample of what comes back: what works, what is missing, what it means for this site, and the settings to add. It only\n" +
			"reads. What it prints holds counts and codes, and nothing about a patient.\n" +
			"NAME is server (sources.rest), bulk (sources.bulk: an export that holds nothing is begun and ended) or tasks (out.rest).\n\n" +
			"Exit status:\n  0  what is needed works\n  1  the server cannot be asked: no answer, or the login is refused\n  2  usage or settings\n" +
			"  3  something is missing without which the server is of no use",
		Example:   "  perennial source check server --settings site.yaml\n  perennial source check tasks --settings site.yaml --format json",
		Args:      cobra.ExactArgs(1),
		ValidArgs: []string{serverName, bulkName, tasksName},
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	sample := c.Flags().Int("sample", 100, "resources of each type to look at")
	c.RunE = func(c *cobra.Command, args []string) error {
		if !slices.Contains(c.ValidArgs, args[0]) {
			return usageError(fmt.Sprintf("%q is no server of the settings", args[0]), "Choose "+orList(c.ValidArgs)+".")
		}
		if *sample < 1 || *sample > 10_000 {
			return usageError(fmt.Sprintf("--sample %d is out of range", *sample), "Choose a number from 1 to 10000.")
		}
		s, w, err := workOf(e, *site)
		if err != nil {
			return err
		}
		r, err := probeServer(c.Context(), &s, args[0], probe.Options{Book: w.Book, Sample: *sample})
		if err != nil {
			return err
		}
		if err := writeProbe(e.stdout, *format, r); err != nil {
			return err
		}
		if r.Severe() {
			return &exitCode{code: exitRefused} // told already
		}
		return nil
	}
	return c
}

// probeServer asks one of the servers.
func probeServer(ctx context.Context, s *settings.Settings, name string, o probe.Options) (*probe.Report, error) {
	server, key, aliases := s.Sources.Rest, "sources.rest", s.Sources.Pull.Aliases
	switch name {
	case tasksName:
		server, key, aliases = s.Out.Rest, "out.rest", s.Out.Write.Aliases
	case bulkName:
		server, key = s.Sources.Bulk.Rest, "sources.bulk"
	}
	if server.URL == "" {
		return nil, usageError("the settings name no such server", "Write url under "+key+", and name the file with --settings.")
	}
	var err error
	o.Types, o.Mapped = rest.Types(), s.Codes != ""
	switch name {
	case tasksName:
		if o.Client, err = fhirClient(server, probeTries, aliases...); err == nil {
			return probe.Tasks(ctx, o)
		}
	case bulkName:
		if o.Client, err = bulkClient(&s.Sources.Bulk, probeTries); err == nil {
			return probe.Export(ctx, o, exportPath(&s.Sources.Bulk))
		}
	default:
		if o.Client, err = fhirClient(server, probeTries, aliases...); err == nil {
			return probe.Source(ctx, o)
		}
	}
	return nil, err
}

func writeProbe(out io.Writer, format string, r *probe.Report) error {
	if format == "json" {
		return json.NewEncoder(out).Encode(r)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "%s, FHIR %s\n\n", r.Server, r.FHIRVersion)
	fmt.Fprintln(w, "TYPE\tOFFERED\tSEARCH\tSINCE\tSAMPLED")
	for _, t := range r.Types {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\n", t.Type, t.Offered, t.Search, t.Since, t.Sampled)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out, "\nWHAT IT MEANS")
	for _, f := range r.Findings {
		writeFinding(out, f)
	}
	if len(r.Findings) == 0 {
		fmt.Fprintln(out, "  All that was tried works, and nothing was missing in the sample.")
	}
	return writeRest(out, w, r)
}

// writeFinding writes one finding: ! where it is severe.
func writeFinding(out io.Writer, f probe.Finding) {
	mark, typ := "-", f.Type
	if f.Severe {
		mark = "!"
	}
	if typ != "" {
		typ += ": "
	}
	fmt.Fprintf(out, "%s %s%s", mark, typ, f.What)
	if f.Of > 0 {
		fmt.Fprintf(out, " (%d of %d)", f.Count, f.Of)
	}
	fmt.Fprintf(out, "\n  %s\n", f.Means)
}

// writeRest writes the codes and the settings to add.
func writeRest(out io.Writer, w *tabwriter.Writer, r *probe.Report) error {
	if len(r.Codes) > 0 {
		fmt.Fprintln(w, "\nCODES THAT NO RULE KNOWS\nCOUNT\tON\tSYSTEM\tCODE")
	}
	for _, c := range r.Codes {
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\n", c.Count, c.On, c.System, c.Code)
	}
	if len(r.Settings) > 0 {
		fmt.Fprintln(w, "\nSETTINGS TO ADD")
	}
	for _, line := range r.Settings {
		fmt.Fprintln(w, line)
	}
	return w.Flush()
}
