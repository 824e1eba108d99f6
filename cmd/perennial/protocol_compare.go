package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// protocolCompareCommand says what another protocol would change.
func protocolCompareCommand(e *env) *cobra.Command {
	var patient string
	c := &cobra.Command{
		Use:   "compare A B",
		Short: "Show what would change with protocol B instead of A, for a patient or for everybody",
		Long: "Evaluates the patients of the store twice, as of today: as if protocol A had been in force from the beginning for the implants that\n" +
			"both are for, and as if B had. Nothing is changed. With --patient each visit of that patient that would differ is listed, else\n" +
			"counts before and after. A and B are ids of shipped protocols, or files.\n\n" +
			"Exit status:\n  0  compared\n  1  nobody knows the patient, or the store could not be read\n  2  usage, settings, or mistakes in a file",
		Example: "  perennial protocol compare svs-aaa-2018 label-1-6-12\n  perennial protocol compare svs-aaa-2018 harbour-evar.yaml --patient p1",
		Args:    cobra.ExactArgs(2),
	}
	site := siteFlag(c)
	c.Flags().StringVar(&patient, "patient", "", "id of a patient; without it everybody is counted")
	_ = c.RegisterFlagCompletionFunc("patient", completePatients(e, site))
	c.ValidArgsFunction = completeProtocols
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, args []string) error {
		pair, err := twoProtocols(e, args)
		if err != nil {
			return err
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			return pair.compare(c.Context(), e, cl, comparison{patient: patient, format: *format})
		})
	}
	return c
}

// twoProtocols finds both protocols, and what both are for.
func twoProtocols(e *env, args []string) (*pair, error) {
	g, err := assess.LoadGuidance(config.Files)
	if err != nil {
		return nil, err
	}
	var out pair
	for i, name := range args {
		if e.dir != "" && g.Protocols[name] == nil && !filepath.IsAbs(name) {
			name = filepath.Join(e.dir, name) // typed in another folder
		}
		if out.by[i], err = g.Protocol(name); err != nil {
			return nil, err
		}
	}
	for _, class := range out.by[0].Classes {
		if out.by[1].For(class) {
			out.classes = append(out.classes, class)
		}
	}
	if len(out.classes) == 0 {
		return nil, usageError(out.by[0].ID+" and "+out.by[1].ID+" are for different implants", "Compare two protocols for the same: "+classNames(out.by[0].Classes)+".")
	}
	return &out, nil
}

// pair are two protocols and the classes that both are for.
type pair struct {
	by      [2]*protocol.Protocol
	classes []string
}

// comparison is what is asked of a comparison.
type comparison struct{ patient, format string }

// rules are those in force, with one of the protocols for the classes.
func (p *pair) rules(in *surveil.Rules, n int) *surveil.Rules {
	out := *in
	out.Care = maps.Clone(in.Care)
	for _, class := range p.classes {
		out.Care[class] = []surveil.InForce{{Protocol: p.by[n], Chosen: "comparison"}}
	}
	return &out
}

func (p *pair) compare(ctx context.Context, e *env, cl *clinic.Clinic, ask comparison) error {
	var list []clinic.Difference
	all, err := cl.Compare(ctx, p.rules(cl.Rules(), 0), p.rules(cl.Rules(), 1), ask.patient, func(d clinic.Difference) error {
		if ask.patient != "" {
			list = append(list, d)
		}
		return nil
	})
	switch {
	case err != nil:
		return err
	case ask.format == "json":
		object := map[string]any{"a": p.by[0].Ref(), "b": p.by[1].Ref(), "classes": p.classes, "counts": all}
		if ask.patient != "" {
			object["visits"] = visitObjects(list)
		}
		return json.NewEncoder(e.stdout).Encode(object)
	}
	for i, name := range []string{"A", "B"} {
		fmt.Fprintf(e.stdout, "%s  %s, %s  %s\n", name, p.by[i].Ref(), p.by[i].Status, p.by[i].Title)
	}
	fmt.Fprintf(e.stdout, "for %s, as of %s; nothing is changed\n\n", classNames(p.classes), all.AsOf.Text())
	if ask.patient == "" {
		return writeCounts(e.stdout, &all, "A", "B")
	}
	for i := range list {
		if err := writeDifference(e.stdout, &list[i]); err != nil {
			return err
		}
	}
	return nil
}

// writeDifference lists the visits of one patient that differ.
func writeDifference(out io.Writer, d *clinic.Difference) error {
	fmt.Fprintf(out, "%s  follow-up %s with A, %s with B\n", d.Patient, rungText(d.Before), rungText(d.After))
	if len(d.Visits) == 0 {
		_, err := fmt.Fprintln(out, "No visit differs.")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "IMPLANT\tVISIT\tWITH A\tWITH B")
	for _, v := range d.Visits {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", v.Implant, v.Step, visitWords(v.Was), visitWords(v.Now))
	}
	return w.Flush()
}

func rungText(p *surveil.Plan) string {
	if p.FollowUp == "" {
		return string(p.Surveillance)
	}
	return string(p.FollowUp)
}

// visitWords is a visit in one cell.
func visitWords(v *surveil.Visit) string {
	if v == nil {
		return "none"
	}
	text := fmt.Sprintf("%s, %s to %s, by %s: %s", v.Target.Text(), v.Opens.Text(), v.Closes.Text(), kindsText(v.Kinds), v.Standing)
	if v.Study != "" {
		text += " (" + v.StudyDate.Text() + ")"
	}
	return text
}

// visitObjects are the differences for programs.
func visitObjects(list []clinic.Difference) []map[string]any {
	out := []map[string]any{}
	side := func(v *surveil.Visit) any {
		if v == nil {
			return nil
		}
		return map[string]any{"target": v.Target.First, "opens": v.Opens.First, "closes": v.Closes.Last, "standing": v.Standing, "study": v.Study}
	}
	for i := range list {
		for _, v := range list[i].Visits {
			out = append(out, map[string]any{"implant": v.Implant, "step": v.Step, "a": side(v.Was), "b": side(v.Now)})
		}
	}
	return out
}

// writeCounts shows counts before and after.
func writeCounts(out io.Writer, c *clinic.Comparison, before, after string) error {
	fmt.Fprintf(out, "%s with an implant; the visits or the follow-up of %d would change\n", counted(c.Patients, "patient", "patients"), c.Affected)
	if c.Undone > 0 {
		fmt.Fprintf(out, "%s that imaging has done would be done no more\n", counted(c.Undone, "visit", "visits"))
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "\n\t%s\t%s\tchange\t\n", before, after)
	row := func(name string, was, now int) {
		if was+now > 0 {
			fmt.Fprintf(w, "%s\t%d\t%d\t%+d\t\n", name, was, now, now-was)
		}
	}
	for _, s := range []surveil.Standing{surveil.Done, surveil.Missed, surveil.Overdue, surveil.Open, surveil.Booked, surveil.Upcoming, surveil.Excused, surveil.Undecided} {
		row("visits "+string(s), c.Before.Visits[s], c.After.Visits[s])
	}
	for _, r := range []surveil.Rung{surveil.RungCurrent, surveil.RungOverdue, surveil.RungPresumedLost, surveil.RungLost} {
		row("follow-up "+string(r), c.Before.Rungs[r], c.After.Rungs[r])
	}
	kinds := maps.Clone(c.Before.Work)
	maps.Copy(kinds, c.After.Work)
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		row("work "+kind, c.Before.Work[kind], c.After.Work[kind])
	}
	return w.Flush()
}

// protocolAdoptCommand puts changed protocols in force.
func protocolAdoptCommand(e *env) *cobra.Command {
	var who string
	var yes bool
	c := &cobra.Command{
		Use:   "adopt",
		Short: "Show what changed protocols of the settings would change, and put them in force",
		Long: "When the protocols of the settings change, the old ones hold until somebody adopts the new. This shows what that would change today:\n" +
			"patients, visits, follow-up and work, before and after, and where the sources differ. With --yes and --who they hold from today on\n" +
			"(or from the later day that the settings name), and everybody is looked at again. Visits that were due before stay under the\n" +
			"version that was in force then, and so does what satisfied them. A running daemon must have read the new settings: restart it first.\n\n" +
			"Exit status:\n  0  shown, or put in force\n  1  nothing waits, or the store could not be read\n  2  usage or settings",
		Example: "  perennial protocol adopt --settings site.yaml\n  perennial protocol adopt --settings site.yaml --yes --who 'N. Quay'",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.Flags().StringVar(&who, "who", "", "who decides it")
	c.Flags().BoolVar(&yes, "yes", false, "put them in force")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error { return adopt(c.Context(), e, cl, adoption{who, *format, yes}) })
	}
	return c
}

// adoption is how changed protocols are asked for.
type adoption struct {
	who, format string
	yes         bool
}

// adopt shows before and after, and adopts where that was said.
func adopt(ctx context.Context, e *env, cl *clinic.Clinic, how adoption) error {
	was, next := cl.Rules(), cl.Waiting()
	if next == nil && !how.yes {
		return confirm(e, how.format, map[string]bool{"waiting": false}, "Nothing waits: the protocols of the settings are in force.")
	}
	var all clinic.Comparison
	var err error
	if next != nil {
		if all, err = cl.Compare(ctx, was, next, "", func(clinic.Difference) error { return nil }); err != nil {
			return err
		}
	}
	if how.yes {
		if _, err := cl.Adopt(ctx, how.who); err != nil {
			return err
		}
	}
	changes := changedCare(was, next)
	if how.format == "json" {
		return json.NewEncoder(e.stdout).Encode(map[string]any{"waiting": !how.yes, "adopted": how.yes, "changes": changes, "counts": all})
	}
	return writeAdoption(e.stdout, changes, &all, how.yes)
}

// careChange is what changes for a class.
type careChange struct {
	Class  string  `json:"class"`
	Before string  `json:"before"`
	After  string  `json:"after"`
	From   day.Day `json:"from,omitempty"`
	Draft  bool    `json:"draft,omitempty"`
	id     string
}

// changedCare lists the classes whose protocol changes.
func changedCare(was, next *surveil.Rules) []careChange {
	list := []careChange{}
	for _, class := range slices.Sorted(maps.Keys(next.Care)) {
		a, b := was.Care[class], next.Care[class]
		same := func(x, y surveil.InForce) bool { return x.Protocol.Hash == y.Protocol.Hash && x.From == y.From }
		if slices.EqualFunc(a, b, same) || len(b) == 0 {
			continue
		}
		last := b[len(b)-1]
		c := careChange{Class: class, Before: "none", After: last.Protocol.Ref(), From: last.From, Draft: last.Protocol.Status == "draft", id: last.Protocol.ID}
		if len(a) > 0 {
			c.Before = a[len(a)-1].Protocol.Ref()
		}
		list = append(list, c)
	}
	for _, s := range next.StudyCare {
		if !slices.Contains(was.StudyCare, s) {
			list = append(list, scopeChange("study "+s.Name, s.Protocol, s.From, s.Until))
		}
	}
	for _, l := range next.Labels {
		if !slices.Contains(was.Labels, l) {
			list = append(list, scopeChange("device "+l.Device, l.Protocol, l.From, l.Until))
		}
	}
	return list
}

// scopeChange is what changes for a study that makes the work, or for a device.
func scopeChange(what string, p *protocol.Protocol, from, until day.Day) careChange {
	if until > 0 {
		return careChange{Class: what, Before: p.Ref(), After: "the next in order", From: until + 1}
	}
	return careChange{Class: what, Before: "the next in order", After: p.Ref(), From: from, Draft: p.Status == "draft", id: p.ID}
}

func writeAdoption(out io.Writer, changes []careChange, all *clinic.Comparison, said bool) error {
	g, err := assess.LoadGuidance(config.Files)
	if err != nil {
		return err
	}
	for _, c := range changes {
		from := "from the beginning"
		if c.From > 0 {
			from = "from " + c.From.Text()
		}
		draft := ""
		if c.Draft {
			draft = " (DRAFT: no clinician has reviewed it)"
		}
		fmt.Fprintf(out, "%s: %s until now, %s %s%s\n", classNames([]string{c.Class}), c.Before, c.After, from, draft)
		if err := writeConflicts(out, g.Conflicts.For(c.Class), c.id); err != nil {
			return err
		}
		fmt.Fprintln(out)
	}
	if len(changes) == 0 {
		fmt.Fprintln(out, "No class has another protocol; one that rulings may name has changed.")
	}
	if err := writeCounts(out, all, "before", "after"); err != nil {
		return err
	}
	text := "Nothing was changed; the old protocols hold. To put the new ones in force: perennial protocol adopt --yes --who NAME"
	if said {
		text = "The new protocols are in force, and everybody was looked at again. What was satisfied before stays so."
	}
	_, err = fmt.Fprintln(out, "\n"+strings.TrimSpace(text))
	return err
}
