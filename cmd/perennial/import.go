package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"perennial/internal/assess"
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
			"On stdout: one line for each file. On stderr: one line for each resource that cannot be used (FILE:LINE: Type/id: what\n" +
			"is wrong); it is kept, and perennial status counts it.\n\n" +
			"Exit status:\n  0  all was taken in\n  1  a file could not be read, the rest was taken in; or the store took no more\n  2  usage or settings\n" +
			"  3  something was quarantined, the rest was taken in",
		Example: "  perennial import --settings site.yaml export/\n  perennial import --list old.csv --who 'N. Quay'",
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.Flags().StringVar(&list, "list", "", "CSV file of an old list of patients operated elsewhere")
	pathFlag(c, "list")
	c.Annotations = map[string]string{ofPaths: ""}
	c.Flags().StringVar(&who, "who", "", "who answers for the old list")
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(args) == 0 && list == "" {
			return usageError("nothing to import was named", "Name files or folders, - for standard input, or --list FILE.")
		}
		refused, o := &refusals{}, importOptions{args, list, who, *format}
		return opening{site: *site}.with(c.Context(), e, func(cl *clinic.Clinic) error {
			if list != "" {
				if err := importList(c.Context(), e, cl, o); err != nil {
					return err
				}
			}
			return importFiles(c.Context(), e, cl, refused, o)
		})
	}
	return c
}

// importOptions are what to import and how to tell of it.
type importOptions struct {
	paths     []string
	list, who string // the old list, and who answers for it
	format    string
}

// imported is what became of one file.
type imported struct {
	File        string `json:"file"`
	Resources   int    `json:"resources"`
	New         int    `json:"new"`
	NotRelevant int    `json:"notRelevant"`
	Refused     int    `json:"quarantined"`
}

// importFiles takes the files in; what cannot be used is told on stderr, and the
// rest goes on. A store that fails ends it.
func importFiles(ctx context.Context, e *env, cl *clinic.Clinic, refused *refusals, o importOptions) error {
	total := 0
	unread, err := eachInput(e, "importing", o.paths, func(e *env, name string, in io.Reader) error {
		refused.out, refused.n = e.stderr, 0
		counts, err := cl.ImportTelling(ctx, "files", clinic.Batches(name, in), refused.tell)
		total += refused.n
		if m := in.(*meter); err != nil && m.err == nil {
			return importStopped(name, err)
		}
		f := imported{name, counts.Resources, counts.New, counts.NotRelevant, refused.n}
		return confirm(e, o.format, f, "%s: %d resources, %d of them new, %d not relevant, %d quarantined", f.File, f.Resources, f.New, f.NotRelevant, f.Refused)
	})
	if err != nil {
		return err
	}
	return howItWent(unread, total, "taken in")
}

// importStopped says that the store takes no more.
func importStopped(name string, err error) error {
	hint := strings.TrimSpace(fault.HintOf(err) + " What was taken in before is stored.")
	if fault.KindOf(err) == fault.Full {
		hint = "Make room on the disk, then run the same import again: what was taken in before is stored, and nothing is taken twice."
	}
	return fault.New(fault.KindOf(err), "importing "+name+" was stopped", hint, err)
}

// refusals writes what cannot be used, and counts it.
type refusals struct {
	out io.Writer
	n   int
}

func (r *refusals) tell(f clinic.Refusal) {
	r.n++
	if r.out != nil {
		writeRefusal(r.out, f.File, f.Line, f.Ref, f.Why)
	}
}

// importList enters the patients of an old list as implants by hand.
func importList(ctx context.Context, e *env, cl *clinic.Clinic, o importOptions) error {
	name := o.list
	if o.who == "" {
		return usageError("who answers for the list is not said", "Add --who NAME.")
	}
	f, err := openInput(e, name)
	if err != nil {
		return assess.CannotRead(name, err)
	}
	defer f.Close()
	rulings, err := readList(name, f, o.who)
	if err != nil {
		return err
	}
	stored, err := cl.RuleAll(ctx, rulings)
	if err == nil {
		err = confirm(e, o.format, map[string]any{"file": name, "implants": len(stored)}, "%s: %d implants entered by hand", name, len(stored))
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
