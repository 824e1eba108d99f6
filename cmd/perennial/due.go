package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// dueCommand lists the visits that are owed.
func dueCommand(e *env) *cobra.Command {
	var f clinic.Filter
	var standing []string
	var tests bool
	c := &cobra.Command{
		Use:   "due",
		Short: "List the visits that are overdue, open or booked",
		Long: "Lists the visits that are overdue, open or booked, those that close first at the top. Patients who are labelled as made for\n" +
			"tests (HTEST) are left out; how many visits that are is said on stderr.\n\n" +
			"Formats: table, json (one object a line), tsv, csv.\n\nExit status:\n  0  listed\n  1  the store could not be read\n  2  usage or settings",
		Example: "  perennial due\n  perennial due --standing overdue --class tevar --format csv > overdue.csv",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	c.Flags().StringSliceVar(&standing, "standing", nil, "only these: overdue, booked, open, upcoming")
	c.Flags().StringVar(&f.Class, "class", "", "only implants of this class")
	c.Flags().StringVar(&f.Text, "text", "", "only patients with this in name, id or record number")
	c.Flags().IntVar(&f.Limit, "limit", 0, "at most so many rows")
	c.Flags().BoolVar(&tests, "tests", false, "patients labelled as made for tests, too")
	format := formatFlag(c, "table", "json", "tsv", "csv")
	oneOf(c, "standing", "overdue", "booked", "open", "upcoming")
	oneOf(c, "class", protocol.Classes()...)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if f.Limit < 0 {
			return usageError(fmt.Sprintf("--limit %d is less than nothing", f.Limit), "Give a number of rows; 0 is all of them.")
		}
		for _, s := range standing {
			f.Standing = append(f.Standing, surveil.Standing(s))
		}
		left := 0
		if !tests {
			f.Tests = &left
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			rows, err := cl.Due(c.Context(), f)
			if err != nil {
				return err
			}
			if left > 0 {
				fmt.Fprintf(e.stderr, "left out: %s of patients labelled as made for tests; --tests shows them\n", counted(left, "visit", "visits"))
			}
			return writeDue(e.stdout, *format, rows)
		})
	}
	return c
}

// dueHead names the columns.
func dueHead() []string {
	return []string{"patient", "record", "name", "implant", "visit", "standing", "due", "opens", "closes", "booked", "days overdue", "follow-up", "last seen", "phone"}
}

func dueCells(r *clinic.DueRow) []string {
	days := ""
	if r.Owed.Standing == surveil.Overdue {
		days = strconv.Itoa(r.Days)
	}
	return []string{r.Line.Patient, recordNumber(&r.Line), r.Line.Name, r.Owed.Class, r.Owed.Step, string(r.Owed.Standing), r.Owed.Target.String(), r.Owed.Opens.String(), r.Owed.Closes.String(),
		r.Owed.Booked.String(), days, string(r.Line.FollowUp), r.Line.LastSeen.String(), r.Line.Phone}
}

// dueJSON is a row for machines, under the names that assess has for the same.
type dueJSON struct {
	Patient  string `json:"patient"`
	Record   string `json:"record,omitempty"`
	Name     string `json:"name,omitempty"`
	Class    string `json:"class"`
	Step     string `json:"step"`
	Standing string `json:"standing"`
	Target   string `json:"target,omitempty"`
	Opens    string `json:"opens,omitempty"`
	Closes   string `json:"closes,omitempty"`
	Booked   string `json:"booked,omitempty"`
	Overdue  int    `json:"daysOverdue,omitempty"`
	FollowUp string `json:"followUp,omitempty"`
	LastSeen string `json:"lastSeen,omitempty"`
	Phone    string `json:"phone,omitempty"`
}

func dueObject(r *clinic.DueRow) dueJSON {
	o := &r.Owed
	d := dueJSON{Patient: r.Line.Patient, Record: recordNumber(&r.Line), Name: r.Line.Name, Class: o.Class, Step: o.Step, Standing: string(o.Standing),
		Target: o.Target.String(), Opens: o.Opens.String(), Closes: o.Closes.String(), Booked: o.Booked.String(),
		FollowUp: string(r.Line.FollowUp), LastSeen: r.Line.LastSeen.String(), Phone: r.Line.Phone}
	if o.Standing == surveil.Overdue {
		d.Overdue = r.Days
	}
	return d
}

// recordNumber is the first identifier of a patient without its system.
func recordNumber(l *store.Line) string {
	if len(l.Identifiers) == 0 {
		return ""
	}
	return l.Identifiers[0][strings.LastIndexByte(l.Identifiers[0], '|')+1:]
}

func writeDue(out io.Writer, format string, rows []clinic.DueRow) error {
	switch format {
	case "json":
		enc := json.NewEncoder(out)
		for i := range rows {
			if err := enc.Encode(dueObject(&rows[i])); err != nil {
				return err
			}
		}
		return nil
	case "csv":
		w := csv.NewWriter(out)
		_ = w.Write(dueHead())
		for i := range rows {
			_ = w.Write(guarded(dueCells(&rows[i])))
		}
		w.Flush()
		return w.Error()
	case "tsv":
		for i := range rows {
			if _, err := fmt.Fprintln(out, strings.Join(dueCells(&rows[i]), "\t")); err != nil {
				return err
			}
		}
		return nil
	default:
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, strings.ToUpper(strings.Join(dueHead(), "\t")))
		for i := range rows {
			fmt.Fprintln(w, strings.Join(dueCells(&rows[i]), "\t"))
		}
		return w.Flush()
	}
}

// guarded keeps a spreadsheet from taking text for a formula.
func guarded(cells []string) []string {
	for i, c := range cells {
		if c != "" && strings.ContainsRune("=+-@\t\r", rune(c[0])) {
			cells[i] = "'" + c
		}
	}
	return cells
}
