package main

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/surveil"
)

// reportCommand groups what is told to others.
func reportCommand(e *env) *cobra.Command {
	return group("report", "Report to studies and registries", reportStudyCommand(e))
}

// reportStudyCommand lists what studies are told.
func reportStudyCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "study [STUDY]",
		Short: "List the visits of patients on a study as the study asks for them",
		Long: "Lists for every patient who is or was on a study, and every implant, the visits by the study's own calendar and windows, one line each,\n" +
			"sorted by study, patient and implant. STUDY is the study as the settings name it (its reference, identifier or name); without it all.\n\n" +
			"States: in-window; out-of-window (imaging outside the window, nearest to this visit: a deviation); missed; open; upcoming;\n" +
			"not-expected (before the patient took part, or after the study or the implant was left). The bin is that of the analysis.\n" +
			"It is counted from the operation and makes no work. Without names; the patient is told by id and record number.\n\n" +
			"Formats: table (without the columns that a screen has no room for), csv, json (one object a line).\n\nExit status:\n  0  listed, also where nobody is on the study\n" +
			"  1  nothing is known of the study, or the store could not be read\n  2  usage or settings",
		Example: "  perennial report study\n  perennial report study ResearchStudy/quay-graft-study --format csv > study.csv",
		Args:    cobra.MaximumNArgs(1),
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "csv", "json")
	c.ValidArgsFunction = firstArg(completeStudies(e, site))
	c.RunE = func(c *cobra.Command, args []string) error {
		study := strings.Join(args, "")
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			rows, err := studyRows(c.Context(), cl, study)
			if err != nil {
				return err
			}
			return writeStudy(e.stdout, *format, rows)
		})
	}
	return c
}

// completeStudies offers the studies of the settings.
func completeStudies(e *env, site *string) cobra.CompletionFunc {
	return completeFrom(e, site, func(_ context.Context, cl *clinic.Clinic, offer func(string) error) error {
		for _, s := range cl.Rules().Studies {
			if err := offer(s.Key); err != nil {
				return err
			}
		}
		return nil
	})
}

// scopeJSON is a line for machines: what a study is told of one visit, or of a
// patient without any.
type scopeJSON struct {
	Patient   string `json:"patient,omitempty"`
	Record    string `json:"record,omitempty"`
	Study     string `json:"study"`
	Name      string `json:"name"`
	Protocol  string `json:"protocol,omitempty"`
	Implant   string `json:"implant,omitempty"`
	Class     string `json:"class,omitempty"`
	Since     string `json:"since,omitempty"`
	Until     string `json:"until,omitempty"`
	Left      string `json:"left,omitempty"`
	Visit     string `json:"visit,omitempty"`
	Target    string `json:"target,omitempty"`
	Opens     string `json:"opens,omitempty"`
	Closes    string `json:"closes,omitempty"`
	State     string `json:"state,omitempty"`
	Imaging   string `json:"imaging,omitempty"`
	ImagingOn string `json:"imagingDate,omitempty"`
	BinFrom   string `json:"binFrom,omitempty"`
	BinTo     string `json:"binTo,omitempty"`
	InBin     *bool  `json:"inBin,omitempty"`
	Remark    string `json:"remark,omitempty"`
}

// scopeHead names the columns.
func scopeHead() []string {
	return []string{"study", "name", "protocol", "patient", "record", "implant", "class", "since", "until", "left", "visit", "due", "opens", "closes",
		"state", "imaging", "imaging date", "bin from", "bin to", "in bin", "remarks"}
}

func (s *scopeJSON) cells() []string {
	in := ""
	if s.InBin != nil {
		in = map[bool]string{true: "yes", false: "no"}[*s.InBin]
	}
	return []string{s.Study, s.Name, s.Protocol, s.Patient, s.Record, s.Implant, s.Class, s.Since, s.Until, s.Left, s.Visit, s.Target, s.Opens, s.Closes,
		s.State, s.Imaging, s.ImagingOn, s.BinFrom, s.BinTo, in, s.Remark}
}

// scopeObjects are the lines of one patient.
func scopeObjects(p *surveil.Plan) []scopeJSON {
	var list []scopeJSON
	for i := range p.Reports {
		r := &p.Reports[i]
		head := scopeJSON{Study: r.Study, Name: r.Name, Protocol: r.Protocol, Implant: r.Implant, Class: r.Class, Since: r.From.String(), Until: r.Until.String(), Left: r.Left}
		if r.Draft {
			head.Remark = "draft protocol"
		}
		if len(r.Visits) == 0 {
			head.Remark = strings.TrimPrefix(head.Remark+", "+noVisits(r), ", ")
			list = append(list, head)
		}
		for j := range r.Visits {
			list = append(list, head.visit(&r.Visits[j]))
		}
	}
	return list
}

// noVisits says why a study is told nothing of a patient.
func noVisits(r *surveil.Report) string {
	switch {
	case r.Protocol == "":
		return "no protocol is set for it"
	case r.Implant == "":
		return "no implant of the classes of its protocol"
	}
	return "the date of the operation is not known"
}

// visit is the line of one visit.
func (s scopeJSON) visit(v *surveil.ReportVisit) scopeJSON {
	s.Visit, s.Target, s.Opens, s.Closes = v.Step, v.Target.String(), v.Opens.String(), v.Closes.String()
	s.State, s.Imaging = string(v.State), v.Study
	if v.StudyDate.Known() {
		s.ImagingOn = v.StudyDate.String()
	}
	if b := v.Bin; b != nil {
		s.BinFrom, s.BinTo, s.InBin = b.From.String(), b.To.String(), &b.Imaging
	}
	return s
}

// studyRows are the lines of a study, or of all.
func studyRows(ctx context.Context, cl *clinic.Clinic, study string) ([]scopeJSON, error) {
	var rows []scopeJSON
	known := study == ""
	for _, s := range cl.Rules().Studies {
		known = known || s.Key == study || s.Name == study
	}
	err := cl.Plans(ctx, func(p *surveil.Plan, _, _ int) error {
		for _, row := range scopeObjects(p) {
			if study != "" && row.Study != study && row.Name != study {
				continue
			}
			known = true
			row.Patient = p.Patient
			if len(p.Identifiers) > 0 {
				row.Record = p.Identifiers[0][strings.LastIndexByte(p.Identifiers[0], '|')+1:]
			}
			rows = append(rows, row)
		}
		return nil
	})
	if err == nil && !known {
		err = fault.New(fault.NotFound, "report to a study", "Without a name all are listed; those of the settings stand under studies.", errors.New("neither the settings nor any patient has the study "+study))
	}
	slices.SortStableFunc(rows, func(a, b scopeJSON) int {
		return cmp.Or(strings.Compare(a.Study, b.Study), strings.Compare(a.Patient, b.Patient), strings.Compare(a.Implant, b.Implant))
	})
	return rows, err
}

func writeStudy(out io.Writer, format string, rows []scopeJSON) error {
	switch format {
	case "json":
		enc := json.NewEncoder(out)
		for i := range rows {
			if err := enc.Encode(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	case "csv":
		w := csv.NewWriter(out)
		_ = w.Write(scopeHead())
		for i := range rows {
			_ = w.Write(guarded(rows[i].cells()))
		}
		w.Flush()
		return w.Error()
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, strings.ToUpper(forScreen(scopeHead())))
	for i := range rows {
		fmt.Fprintln(w, forScreen(rows[i].cells()))
	}
	return w.Flush()
}

// forScreen joins the cells that a screen has room for, free of what would break
// a line.
func forScreen(cells []string) string {
	var shown []string
	for _, k := range []int{1, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 20} {
		shown = append(shown, printable(cells[k]))
	}
	return strings.Join(shown, "\t")
}

// choiceJSON is why an implant is followed by its protocol.
type choiceJSON struct {
	Implant  string   `json:"implant"`
	Protocol string   `json:"protocol,omitempty"`
	Rule     string   `json:"rule"`
	Text     string   `json:"text"`
	Facts    []string `json:"facts,omitempty"`
}

// choices are why implants are followed otherwise than everybody.
func choices(p *surveil.Plan) []choiceJSON {
	var list []choiceJSON
	for i := range p.Implants {
		m := &p.Implants[i]
		for _, why := range m.Choice() {
			list = append(list, choiceJSON{m.ID, m.Protocol, why.Rule, why.Text(), why.Facts})
		}
	}
	return list
}

// writeScope shows what studies are told of a patient.
func writeScope(out io.Writer, p *surveil.Plan) {
	for i := range p.Reports {
		r := &p.Reports[i]
		fmt.Fprintf(out, "study     %s (%s)", printable(r.Name), printable(r.Study))
		if r.Protocol != "" {
			fmt.Fprintf(out, " by %s", r.Protocol)
		}
		if r.Implant != "" {
			fmt.Fprintf(out, ", %s", r.Implant)
		}
		fmt.Fprintf(out, "\n          %s\n", r.Said())
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		for j := range r.Visits {
			v := &r.Visits[j]
			fmt.Fprintf(w, "          %s\t%s\t%s to %s\t%s\t%s\n", v.Step, v.Target.Text(), v.Opens.Text(), v.Closes.Text(), v.State, imagingText(v))
		}
		_ = w.Flush()
		fmt.Fprintln(out)
	}
}

// imagingText is the imaging of a visit, and whether its bin has any.
func imagingText(v *surveil.ReportVisit) string {
	var words []string
	if v.StudyDate.Known() {
		words = append(words, v.StudyDate.Text())
	}
	if v.Bin != nil {
		words = append(words, fmt.Sprintf("analysis %s to %s: %s", v.Bin.From.Text(), v.Bin.To.Text(), map[bool]string{true: "imaging", false: "none"}[v.Bin.Imaging]))
	}
	return strings.Join(words, ", ")
}
