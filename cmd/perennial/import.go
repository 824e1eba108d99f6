package main

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
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
			"--list takes a clinic's old list of patients operated elsewhere: CSV (commas or semicolons) with the heading\n" +
			"patient,class,date,device, where patient is the id of the FHIR Patient. It needs --who. A row that was entered\n" +
			"before is not entered again; a patient whom no source knows is entered, and named on stderr.\n\n" +
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
