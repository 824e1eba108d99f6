package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/fault"
)

// importCommand takes resources into the store.
func importCommand(e *env) *cobra.Command {
	var list, who string
	c := &cobra.Command{
		Use:   "import [flags] PATH...",
		Short: "Take FHIR resources into the store",
		Long: "Takes FHIR R4 resources (single, Bundles, NDJSON, each also gzipped) into the store, and works out what changes.\n" +
			"Doing it twice changes nothing. PATH is a file, a folder or - for standard input.\n\n" +
			"--list takes a clinic's old list of patients operated elsewhere: CSV with a heading and the columns patient, class,\n" +
			"date, device. It needs --who.\n\n" +
			"Exit status:\n  0  all was read\n  1  something could not be read, the rest was taken in\n  2  usage or settings\n  3  something was quarantined",
		Example: "  perennial import --settings site.yaml export/\n  perennial import --list old.csv --who 'N. Quay'",
	}
	site := siteFlag(c)
	c.Flags().StringVar(&list, "list", "", "CSV file of an old list of patients operated elsewhere")
	c.Flags().StringVar(&who, "who", "", "who answers for the old list")
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(args) == 0 && list == "" {
			return usageError("nothing to import was named", "Name files or folders, - for standard input, or --list FILE.")
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			if list != "" {
				if err := importList(c.Context(), e, cl, list, who); err != nil {
					return err
				}
			}
			return importFiles(c.Context(), e, cl, args)
		})
	}
	return c
}

func importFiles(ctx context.Context, e *env, cl *clinic.Clinic, paths []string) error {
	files, size, err := filesOf(paths)
	if err != nil {
		return err
	}
	show := func(int64, int64) {}
	if e.terminal(e.stderr) {
		p := newProgress(e.stderr, "importing")
		defer p.done()
		show = p.set
	}
	var failed []error
	var read int64
	quarantined := 0
	for _, name := range files {
		f, err := openInput(e, name)
		if err != nil {
			failed = append(failed, err)
			continue
		}
		in := &meter{r: f, tell: func(n int64) { read += n; show(read, size) }}
		counts, err := cl.Import(ctx, "files", clinic.Batches(name, in))
		_ = f.Close()
		quarantined += counts.Quarantined
		if err != nil {
			failed = append(failed, fmt.Errorf("%s: %w", name, err))
			continue
		}
		fmt.Fprintf(e.stdout, "%s: %d resources, %d of them new, %d not relevant, %d quarantined\n", name, counts.Resources, counts.New, counts.NotRelevant, counts.Quarantined)
	}
	switch {
	case len(failed) > 0:
		return &exitCode{exitError, errors.Join(failed...)}
	case quarantined > 0:
		return &exitCode{3, fault.New(fault.Invalid, fmt.Sprintf("%d resources are quarantined", quarantined), "They are kept; perennial status counts them.", errors.New("the rest was taken in"))}
	}
	return nil
}

// meter counts what is read.
type meter struct {
	r    io.Reader
	tell func(n int64)
}

// Read reads and counts.
func (m *meter) Read(p []byte) (int, error) {
	n, err := m.r.Read(p)
	m.tell(int64(n))
	return n, err
}

// importList enters the patients of an old list as implants by hand.
func importList(ctx context.Context, e *env, cl *clinic.Clinic, name, who string) error {
	if who == "" {
		return usageError("who answers for the list is not said", "Add --who NAME.")
	}
	f, err := openInput(e, name)
	if err != nil {
		return fault.New(fault.NotFound, "reading "+name, "Check the name.", err)
	}
	defer f.Close()
	rulings, err := readList(name, f, who)
	if err != nil {
		return err
	}
	stored, err := cl.RuleAll(ctx, rulings)
	if err == nil {
		fmt.Fprintf(e.stdout, "%s: %d implants entered by hand\n", name, len(stored))
	}
	return err
}

// readList reads the rows of an old list; all mistakes are told at once.
func readList(name string, in io.Reader, who string) ([]chart.Ruling, error) {
	r := csv.NewReader(in)
	r.FieldsPerRecord = 4
	rows, err := r.ReadAll()
	if err != nil {
		return nil, usageError(name+": "+err.Error(), "Give four columns: patient, class, date, device.")
	}
	if len(rows) == 0 || !strings.EqualFold(strings.Join(rows[0], ","), "patient,class,date,device") {
		return nil, usageError(name+":1: the heading is not patient,class,date,device", "Put that heading on the first line.")
	}
	var list []chart.Ruling
	var wrong []string
	for i, row := range rows[1:] {
		if _, err := day.ParseDate(row[2]); err != nil && row[2] != "" {
			wrong = append(wrong, fmt.Sprintf("%s:%d: %v", name, i+2, err))
		}
		list = append(list, chart.Ruling{Patient: strings.TrimSpace(row[0]), Kind: chart.RuleImplant, Class: strings.TrimSpace(row[1]), Value: row[2], Device: row[3], Who: who, Why: "from the old list " + name})
	}
	if len(wrong) > 0 {
		return nil, usageError(strings.Join(wrong, "\n"), "Correct these lines; nothing was entered.")
	}
	return list, nil
}
