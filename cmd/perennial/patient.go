package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/internal/assess"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/notice"
	"perennial/internal/sac"
	"perennial/internal/surveil"
)

// patientCommand shows everything about one patient.
func patientCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "patient ID",
		Short: "Show one patient: visits with their reasons, work, questions, decisions",
		Long: "Shows one patient as of today: each implant's visits with their reasons, the measured diameters, what to think of before a CT with contrast medium,\n" +
			"the work, the questions, what people decided, and what studies are told (study scope). As JSON: name, plan (as assess writes it), decisions,\n" +
			"chosen (why an implant has another protocol than everybody, and what that goes before) and studyScope.\n\n" +
			"Exit status:\n  0  shown\n  1  nobody knows the id, or the store could not be read\n  2  usage or settings",
		Example: "  perennial patient p1\n  perennial patient p1 --format json",
		Args:    cobra.ExactArgs(1),
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.ValidArgsFunction = firstArg(completePatients(e, site))
	c.RunE = func(c *cobra.Command, args []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			v, err := cl.Patient(c.Context(), args[0])
			if err != nil {
				return err
			}
			if *format == "json" {
				return json.NewEncoder(e.stdout).Encode(patientJSON{v.Chart.Name, assess.PlanJSON(&v.Plan), v.Rulings, choices(&v.Plan), scopeObjects(&v.Plan)})
			}
			return writePatient(e.stdout, &v)
		})
	}
	return c
}

// patientJSON is a patient for machines.
type patientJSON struct {
	Name      string          `json:"name,omitempty"`
	Plan      json.RawMessage `json:"plan"`
	Decisions []chart.Ruling  `json:"decisions,omitempty"`
	Chosen    []choiceJSON    `json:"chosen,omitempty"`
	Scope     []scopeJSON     `json:"studyScope,omitempty"`
}

func writePatient(out io.Writer, v *clinic.View) error {
	p := &v.Plan
	fmt.Fprintf(out, "%s  %s  surveillance %s", v.Patient, v.Chart.Name, p.Surveillance)
	if p.FollowUp != "" {
		fmt.Fprintf(out, ", follow-up %s", p.FollowUp)
	}
	if p.LastSeen > 0 {
		fmt.Fprintf(out, ", last seen %s", p.LastSeen.Text())
	}
	fmt.Fprintln(out)
	for i := range p.Implants {
		if err := writeImplant(out, &p.Implants[i]); err != nil {
			return err
		}
		writeSac(out, v, &p.Implants[i])
	}
	writeScope(out, p)
	writePrompts(out, v)
	for i := range p.Work {
		w := &p.Work[i]
		by := "until done"
		if w.By > 0 {
			by = "by " + w.By.Text()
		}
		if w.Snoozed > 0 {
			by += ", snoozed until " + w.Snoozed.Text()
		}
		fmt.Fprintf(out, "work      %s (%s) from %s, %s\n          %s\n", w.Kind, w.Urgency, w.From.Text(), by, w.Key)
		there := v.There[w.Key]
		for _, line := range there.Lines(true) {
			fmt.Fprintln(out, "          "+notice.Tame(line, 500))
		}
	}
	for i := range p.Scans {
		fmt.Fprintf(out, "scans     %s\n", notice.ScanText(p, &p.Scans[i]))
	}
	for i := range p.Questions {
		q := &p.Questions[i]
		fmt.Fprintf(out, "question  %s\n          %s\n", q.Key, q.Why.Text())
	}
	for i := range v.Rulings {
		r := &v.Rulings[i]
		back := ""
		if r.TakenBack != nil {
			back = ", taken back by " + r.TakenBack.Who
		}
		fmt.Fprintf(out, "decision  %s %s by %s: %s%s\n", r.ID, decided(r), r.Who, r.Why, back)
	}
	return nil
}

// writeSac writes what was measured, and how probable it is that it changed.
func writeSac(out io.Writer, v *clinic.View, m *surveil.Implant) {
	list := sac.Of(v.Chart.Findings, sac.ScopeOf(m, v.Plan.AsOf))
	for i := range list {
		fmt.Fprintf(out, "diameter  %s\n", list[i].Name())
		for j := range list[i].Points {
			pt := &list[i].Points[j]
			fmt.Fprintf(out, "          %s mm  %s  %s\n", sac.Millimetres(pt.Tenths), pt.On.Text(), pt.Observer)
		}
		for _, text := range list[i].Said() {
			fmt.Fprintf(out, "          %s\n", text)
		}
	}
	if sac.Confirm(list) {
		fmt.Fprintln(out, "          The newest value was measured in another way than those before it: confirm with the same modality.")
	}
	if len(list) > 0 {
		fmt.Fprintf(out, "          Error of measuring: %s.\n\n", sac.Basis(list))
	}
}

// writePrompts writes what to think of beside the visits that are due and may
// be a CT with contrast medium.
func writePrompts(out io.Writer, v *clinic.View) {
	if len(v.Beside) == 0 {
		return
	}
	fmt.Fprint(out, "Before the CT with contrast medium (")
	for i, visit := range v.Beside {
		fmt.Fprintf(out, "%s%s", [...]string{"", ", "}[min(i, 1)], visit.Key())
	}
	fmt.Fprintln(out, "), to think of; nothing here puts off or drops a visit:")
	for i := range v.Prompts {
		p := &v.Prompts[i]
		fmt.Fprintf(out, "prompt    %s (%s): %s\n          %s", p.Kind, p.Level, p.Text, p.Source)
		if p.Evidence != "" {
			fmt.Fprintf(out, " [%s]", p.Evidence)
		}
		if days, ok := p.Age(v.Plan.AsOf); ok {
			fmt.Fprintf(out, "; %s, %d days old", p.On.Text(), days)
		}
		for _, ref := range p.Facts {
			fmt.Fprintf(out, " %s", ref)
		}
		fmt.Fprintln(out)
	}
	fmt.Fprintln(out)
}

// decided is what a ruling says, without who and why.
func decided(r *chart.Ruling) string {
	words := []string{string(r.Kind), r.About, r.Visit, r.Value}
	if r.Until > 0 {
		words = append(words, "until "+r.Until.Text())
	}
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), " ")
}

func writeImplant(out io.Writer, m *surveil.Implant) error {
	draft := ""
	if m.Draft {
		draft = " (draft protocol)"
	}
	fmt.Fprintf(out, "\n%s  %s  implanted %s  by %s, chosen by %s%s\n", m.ID, m.Class, m.Index.Text(), m.Protocol, m.Chosen, draft)
	for _, why := range m.Choice() {
		fmt.Fprintln(out, why.Text())
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for i := range m.Visits {
		v := &m.Visits[i]
		why := ""
		if len(v.Why) > 0 {
			why = v.Why[len(v.Why)-1].Text()
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", v.Step, v.Target.Text(), v.Standing, why)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	writeDevices(out, m)
	fmt.Fprintln(out)
	return nil
}

// writeDevices shows the devices of an implant's cluster.
func writeDevices(out io.Writer, m *surveil.Implant) {
	for i := range m.Devices {
		d := &m.Devices[i]
		fmt.Fprintf(out, "device    %s", d.Ref)
		for _, part := range [][2]string{{"", d.Part}, {"", d.Name}, {"UDI ", d.UDI}, {"lot ", d.Lot}, {"serial ", d.Serial}, {"expiry ", d.Expiry.Text()}} {
			if part[1] != "" && (part[0] != "expiry " || d.Expiry.Known()) {
				fmt.Fprintf(out, ", %s%s", part[0], part[1])
			}
		}
		if d.ExpiredBefore(m.Index) {
			fmt.Fprint(out, ", expired at implant")
		}
		fmt.Fprintln(out)
	}
}
