package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
)

// recallCommand lists everybody with a device.
func recallCommand(e *env) *cobra.Command {
	var w clinic.Wanted
	c := &cobra.Command{
		Use:   "recall",
		Short: "List every patient with a device, by lot, device identifier or serial number",
		Long: "Lists every patient with a device, living or not: with the next visit, the last scan and the state of contact.\n" +
			"A whole UDI may be given for any of the three. Case, blanks, hyphens and zeros in front do not matter.\n" +
			"Several values of one flag mean any of them; several flags mean all of them, and a device that does not\n" +
			"say one of them is listed as possible, as is one that has the text in another field.\n\n" +
			"Below the list stands what could not be searched: devices without a lot or UDI, and implants of which no\n" +
			"device is on record (csv and tsv: on standard error; json: the last object, \"notSearched\").\n\n" +
			"--tasks writes one FHIR Task for each row with a patient, a line each, with the same identifier whenever it\n" +
			"is asked again; nothing is sent.\n\n" +
			"Formats: table, json (one object a line), tsv, csv.\n\nExit status:\n  0  listed, also where nobody has such a device\n" +
			"  1  the store could not be read, or the Tasks not written\n  2  usage or settings",
		Example: "  perennial recall --lot 7654321D\n  perennial recall --udi-di 00844588003288 --lot 7654321D --lot 7654322D --format csv > recall.csv\n" +
			"  perennial recall --serial 10987654d321 --tasks recall.ndjson",
		Args: cobra.NoArgs,
	}
	site := siteFlag(c)
	c.Flags().StringArrayVar(&w.Lots, "lot", nil, "lot or batch number; may be repeated")
	c.Flags().StringArrayVar(&w.Models, "udi-di", nil, "device identifier (GTIN, HIBCC or ICCBBA); may be repeated")
	c.Flags().StringArrayVar(&w.Serials, "serial", nil, "serial number; may be repeated")
	tasks := c.Flags().String("tasks", "", "write the list as FHIR Tasks into this NDJSON file")
	pathFlag(c, "tasks")
	format := formatFlag(c, "table", "json", "tsv", "csv")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			list, err := cl.Recall(c.Context(), w)
			if err != nil {
				return err
			}
			if *tasks != "" {
				if err := writeRecallTasks(e, cl, &w, &list, *tasks); err != nil {
					return err
				}
			}
			return writeRecall(e, *format, &list)
		})
	}
	return c
}

// recallHead names the columns.
func recallHead() []string {
	return []string{"match", "patient", "record", "name", "born", "phone", "device", "device name", "udi-di", "lot", "serial", "expiry", "implant", "implanted",
		"surveillance", "contact", "last seen", "last scan", "next visit", "due", "standing", "remarks"}
}

func recallCells(r *clinic.RecallRow) []string {
	match, record := "possible", ""
	if r.Sure {
		match = "sure"
	}
	if len(r.Line.Identifiers) > 0 {
		record = r.Line.Identifiers[0][strings.LastIndexByte(r.Line.Identifiers[0], '|')+1:]
	}
	state := string(r.State)
	if r.Dead {
		state = "died"
	}
	next := []string{"", "", ""}
	if v := r.Next; v != nil && !r.Dead {
		next = []string{v.Step, v.Target.String(), string(v.Standing)}
	}
	l := &r.Label
	cells := []string{match, r.Patient, record, r.Line.Name, r.Line.Born, r.Line.Phone, l.Ref, l.Name, l.UDI, l.Lot, l.Serial, l.Expiry, r.Class, r.Index.String(),
		state, string(r.FollowUp), r.Line.LastSeen.String(), r.Line.LastImaging.String()}
	cells = append(cells, next...)
	return append(cells, strings.Join(recallRemarks(r), "; "))
}

// recallRemarks are the remarks, and what was found where if that is not plain.
func recallRemarks(r *clinic.RecallRow) []string {
	var list []string
	for _, how := range r.Found {
		if !strings.HasSuffix(how, " as asked") {
			list = append(list, how)
		}
	}
	return append(list, r.Remarks...)
}

func writeRecall(e *env, format string, list *clinic.Recall) error {
	switch format {
	case "json":
		return writeRecallJSON(e.stdout, list)
	case "csv":
		w := csv.NewWriter(e.stdout)
		_ = w.Write(recallHead())
		for i := range list.Rows {
			_ = w.Write(guarded(recallCells(&list.Rows[i])))
		}
		w.Flush()
		if err := w.Error(); err != nil {
			return err
		}
		return writeGaps(e.stderr, list)
	case "tsv":
		tabs := strings.NewReplacer("\t", " ", "\n", " ", "\r", " ")
		for i := range list.Rows {
			cells := recallCells(&list.Rows[i])
			for k := range cells {
				cells[k] = tabs.Replace(cells[k])
			}
			if _, err := fmt.Fprintln(e.stdout, strings.Join(cells, "\t")); err != nil {
				return err
			}
		}
		return writeGaps(e.stderr, list)
	}
	return writeRecallTable(e.stdout, list)
}

func writeRecallJSON(out io.Writer, list *clinic.Recall) error {
	enc := json.NewEncoder(out)
	for i := range list.Rows {
		object := map[string]string{}
		cells := recallCells(&list.Rows[i])
		for k, name := range recallHead() {
			if cells[k] != "" {
				object[name] = cells[k]
			}
		}
		if err := enc.Encode(object); err != nil {
			return err
		}
	}
	return enc.Encode(map[string]any{"notSearched": list.Gaps})
}

// writeRecallTable writes for people: without the columns that a screen has no
// room for, and the remarks below each row.
func writeRecallTable(out io.Writer, list *clinic.Recall) error {
	shown := []int{0, 1, 3, 5, 9, 10, 12, 13, 14, 15, 17, 18, 19}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(cells []string) {
		var picked []string
		for _, k := range shown {
			picked = append(picked, cells[k])
		}
		fmt.Fprintln(w, strings.Join(picked, "\t"))
	}
	head := recallHead()
	for i := range head {
		head[i] = strings.ToUpper(head[i])
	}
	if len(list.Rows) > 0 {
		line(head)
	}
	for i := range list.Rows {
		line(recallCells(&list.Rows[i]))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for i := range list.Rows {
		r := &list.Rows[i]
		if remarks := recallRemarks(r); len(remarks) > 0 {
			fmt.Fprintf(out, "%s, %s: %s\n", r.Patient, r.Label.Ref, strings.Join(remarks, "; "))
		}
	}
	return writeGaps(out, list)
}

// writeGaps says how many there are, and what could not be searched.
func writeGaps(out io.Writer, list *clinic.Recall) error {
	sure := 0
	for i := range list.Rows {
		if list.Rows[i].Sure {
			sure++
		}
	}
	g := &list.Gaps
	_, err := fmt.Fprintf(out, "Devices found: %d, of patients: %d (sure: %d, possible: %d).\n"+
		"Not on record, so not searched. These may be among the recalled:\n"+
		"  devices without a lot: %d, without a device identifier: %d, without a serial number: %d, without any of the three: %d\n"+
		"  implants of which no device is on record: %d, of patients: %d\n"+
		"  device records that cannot be read: %d, that name no patient: %d\n",
		len(list.Rows), list.Patients, sure, len(list.Rows)-sure, g.NoLot, g.NoModel, g.NoSerial, g.Nothing, g.NoDevice, g.Of, g.Unread, g.NoPatient)
	return err
}
