package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/google/renameio/v2"
	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/notice"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// shown is a protocol with the example patient for whom it is shown.
type shown struct {
	*protocol.Protocol
	guidance assess.Guidance
	class    string
	index    day.Day
	years    int
}

// protocolShowCommand shows a protocol.
func protocolShowCommand(e *env) *cobra.Command {
	var s shown
	var index, picture string
	c := &cobra.Command{
		Use:   "show ID|FILE",
		Short: "Show a protocol as the calendar of an example patient, with its sources",
		Long: "Shows what a protocol asks of an example patient: each visit with its target, and three different spans of days: the clinic's\n" +
			"window (is it due?), the window of a study (did it keep to the plan?) and the bin of an analysis (in which column does it\n" +
			"count?). Then what findings change, and where other sources say something else. --picture also draws it, as an SVG file,\n" +
			"for a patient who comes to every visit on its day.\n\n" +
			"Exit status:\n  0  shown\n  1  the picture could not be written\n  2  usage, or mistakes in the file",
		Example:           "  perennial protocol show svs-aaa-2018\n  perennial protocol show svs-fu-2018 --class carotid-stent --index 2024-02-29 --picture calendar.svg",
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: firstArg(completeProtocols),
	}
	f := c.Flags()
	f.StringVar(&s.class, "class", "", "class of the implant (default the first that the protocol is for)")
	oneOf(c, "class", protocol.Classes()...)
	f.StringVar(&index, "index", "2024-01-31", "day of the example patient's operation, YYYY-MM-DD")
	f.IntVar(&s.years, "years", 5, "years to show, 1 to 30")
	f.StringVar(&picture, "picture", "", "SVG file for the picture")
	format := formatFlag(c, "table", "json")
	c.RunE = func(_ *cobra.Command, args []string) error {
		if err := s.settle(args[0], index); err != nil {
			return err
		}
		if picture != "" {
			if err := s.draw(picture); err != nil {
				return err
			}
		}
		if *format == "json" {
			return json.NewEncoder(e.stdout).Encode(s.object())
		}
		return s.write(e.stdout)
	}
	return c
}

// settle finds the protocol, the class and the day of the operation.
func (s *shown) settle(name, index string) (err error) {
	if s.guidance, err = assess.LoadGuidance(config.Files); err != nil {
		return err
	}
	if s.Protocol, err = s.guidance.Protocol(name); err != nil {
		return err
	}
	if s.index, err = dayFlag("index", index); err != nil {
		return err
	}
	switch {
	case s.index < day.Of(1990, 1, 1) || s.index > day.Of(2150, 1, 1):
		return usageError("--index "+index+" is no day of such an operation", "Give a day from 1990-01-01 on.")
	case s.years < 1 || s.years > 30:
		return usageError(fmt.Sprintf("--years %d cannot be shown", s.years), "Give 1 to 30.")
	case s.class == "":
		s.class = s.Classes[0]
	case !s.For(s.class):
		return usageError("the protocol "+s.ID+" is not for "+s.class, "It is for "+strings.Join(s.Classes, ", ")+".")
	}
	return nil
}

func (s *shown) slots() []protocol.Slot {
	return s.Calendar(s.class, s.index, day.Offset{Months: 12 * s.years})
}

// conflicts are the questions about the class on which sources differ.
func (s *shown) conflicts() protocol.Conflicts { return s.guidance.Conflicts.For(s.class) }

// span is what a profile has for a visit.
func (s *shown) span(profile string, v *protocol.Slot) (from, to day.Day, ok bool) {
	p := s.guidance.Profiles[profile]
	if p == nil {
		return 0, 0, false
	}
	return p.On(s.index, v.At, v.Every)
}

func (s *shown) write(out io.Writer) error {
	fmt.Fprintf(out, "%s\n%s%s\n", s.Title, s.Ref(), strings.ReplaceAll(unsigned(s.Protocol), "\n", "  "))
	if s.PerPatient {
		fmt.Fprintln(out, "Never for everybody: a person chooses it for a patient.")
	}
	fmt.Fprintf(out, "%s, operated on %s. Source: %s\n\n", notice.ClassName(s.class), s.index.Text(), s.Cite)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "VISIT\tTARGET\tCLINIC WINDOW (%s)\tSTUDY WINDOW (%s)\tANALYSIS BIN (%s)\tDONE BY\tMUST SHOW\tKNOWN\n", s.Windows, s.Study, s.Bins)
	slots := s.slots()
	for i := range slots {
		v := &slots[i]
		step := v.Step
		if v.OnlyIf != nil {
			step += " (if)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", step, v.Target.Text(), spanText(v.Opens, v.Closes, true), spanText(s.span(s.Study, v)), spanText(s.span(s.Bins, v)),
			kindsText(v.Alone()), strings.ReplaceAll(v.Needs.String(), "+", ", "), v.Cite.Evidence)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, line := range s.endings() {
		fmt.Fprintln(out, line)
	}
	if codes.Class(s.class).Zone().Sided() {
		fmt.Fprintln(out, "The place has two sides: each side that has an implant has a calendar of its own.")
	}
	s.writeRules(out, slots)
	return writeConflicts(out, s.conflicts(), s.ID)
}

// endings say how the series go on.
func (s *shown) endings() []string {
	var list []string
	for i := range s.Series {
		r := s.Series[i].Repeat
		switch {
		case !s.Series[i].For(s.class) || r == nil:
		case r.Until.Zero():
			list = append(list, fmt.Sprintf("Series %s: again every %s, for life.", s.Series[i].ID, months(r.Every)))
		default:
			list = append(list, fmt.Sprintf("Series %s: again every %s, until %s after the operation.", s.Series[i].ID, months(r.Every), counted(r.Until.Months, "month", "months")))
		}
	}
	return list
}

func months(o day.Offset) string {
	switch {
	case o.Months == 12:
		return "year"
	case o.Months%12 == 0:
		return fmt.Sprintf("%d years", o.Months/12)
	}
	return counted(o.Months, "month", "months")
}

// writeConflicts lists the questions on which sources differ, each with the side
// of the protocol, and every other side with its sources.
func writeConflicts(out io.Writer, list protocol.Conflicts, id string) error {
	for i := range list {
		if i == 0 {
			fmt.Fprintln(out, "\nWhere the sources differ (nothing is merged; the clinic decides):")
		}
		c := &list[i]
		fmt.Fprintf(out, "  %s\n", c.About)
		if own := c.Own(id); own != nil {
			writeSide(out, "here", own)
		}
		for _, side := range c.Others(id) {
			writeSide(out, "others", &side)
		}
	}
	_, err := fmt.Fprint(out)
	return err
}

func writeSide(out io.Writer, whose string, side *protocol.Side) {
	fmt.Fprintf(out, "    %-7s %s.\n", whose, side.Says)
	for _, cite := range side.Cites {
		fmt.Fprintf(out, "            %s\n", cite)
	}
}

// spanText is a span of days; a dash where there is none.
func spanText(from, to day.Day, ok bool) string {
	if !ok {
		return "-"
	}
	return from.Text() + " to " + to.Text()
}

func kindsText(kinds []chart.Kind) string {
	var names []string
	for _, k := range kinds {
		names = append(names, notice.KindText(k))
	}
	return orList(names)
}

// object is the protocol for programs.
func (s *shown) object() map[string]any {
	var visits []map[string]any
	slots := s.slots()
	for i := range slots {
		v := &slots[i]
		one := map[string]any{"step": v.Step, "series": v.Series, "target": v.Target, "opens": v.Opens, "closes": v.Closes, "needs": v.Needs.String(), "cite": v.Cite.Text, "grade": v.Cite.Grade, "evidence": v.Cite.Evidence}
		var kinds []string
		for _, k := range v.Alone() {
			kinds = append(kinds, k.String())
		}
		one["kinds"] = kinds
		if from, to, ok := s.span(s.Study, v); ok {
			one["studyWindow"] = []day.Day{from, to}
		}
		if from, to, ok := s.span(s.Bins, v); ok {
			one["analysisBin"] = []day.Day{from, to}
		}
		if v.OnlyIf != nil {
			one["onlyIf"] = v.OnlyIf.Text()
		}
		if v.Also != nil {
			one["also"] = map[string]any{"kinds": v.Also.Text(), "within": v.Also.Within}
		}
		visits = append(visits, one)
	}
	return map[string]any{"id": s.ID, "version": s.Version, "title": s.Title, "status": s.Status, "hash": s.Hash, "source": s.Cite.Text, "evidence": s.Cite.Evidence, "class": s.class, "index": s.index,
		"windows": s.Windows, "studyWindows": s.Study, "analysisBins": s.Bins, "visits": visits, "rules": s.ruleObjects(), "conflicts": conflictObjects(s.conflicts(), s.ID)}
}

// conflictObjects are conflicts for programs.
func conflictObjects(list protocol.Conflicts, id string) []map[string]any {
	out := []map[string]any{}
	for i := range list {
		var sides []map[string]any
		for _, side := range list[i].Sides {
			var cites []string
			for _, c := range side.Cites {
				cites = append(cites, c.String())
			}
			sides = append(sides, map[string]any{"says": side.Says, "here": side.Takes(id), "protocols": side.Protocols, "sources": cites})
		}
		out = append(out, map[string]any{"id": list[i].ID, "about": list[i].About, "sides": sides})
	}
	return out
}

// draw writes the picture.
func (s *shown) draw(name string) error {
	c := s.example()
	rules := surveil.Rules{Care: map[string][]surveil.InForce{s.class: {{Protocol: s.Protocol, Chosen: "example"}}}, All: map[string]*protocol.Protocol{s.ID: s.Protocol}, Settings: surveil.Defaults()}
	plan := surveil.Evaluate(c, &rules, s.asOf())
	title := fmt.Sprintf("%s (%s, %s), example patient: %s", s.Title, s.Ref(), s.Status, notice.ClassName(s.class))
	var b bytes.Buffer
	if err := web.Picture(&b, &web.Patient{Plan: &plan, Chart: c}, title); err != nil {
		return err
	}
	if err := renameio.WriteFile(name, b.Bytes(), 0o644); err != nil {
		return fault.New(fault.KindOf(err), "writing the picture "+name, "Name a file in a folder that exists and may be written to.", fileReason(err))
	}
	return nil
}

// asOf is the day on which the example patient is looked at.
func (s *shown) asOf() day.Day { return s.index.Add(day.Offset{Months: 12 * s.years, Days: 100}) }

// example is a patient who comes to every visit on its day.
func (s *shown) example() *chart.Chart {
	zone := codes.Class(s.class).Zone()
	c := &chart.Chart{Patient: "example", Operations: []chart.Operation{{Source: chart.Source{Ref: "Procedure/example"}, On: day.On(s.index), Minute: day.NoMinute,
		Role: chart.RoleImplant, Class: s.class, Zone: string(zone), Sided: zone.Sided()}}}
	if zone.Sided() {
		c.Operations[0].Side = string(codes.Left)
	}
	slots := s.slots()
	for i := range slots {
		v := &slots[i]
		kinds := v.Alone()
		switch {
		case v.OnlyIf != nil || len(kinds) == 0:
		case slices.Contains(kinds, chart.RetrievalReview):
			c.Rulings = append(c.Rulings, chart.Ruling{ID: "example-" + v.Step, Patient: "example", Kind: chart.RuleReviewed, Visit: "Procedure/example/" + v.Step, On: v.Target, Who: "example", When: v.Target.String() + "T09:00:00Z", Why: "example"})
		default:
			c.Studies = append(c.Studies, chart.Study{Source: chart.Source{Ref: "ImagingStudy/" + v.Step}, On: day.On(v.Target), Minute: day.NoMinute, Kind: kinds[0], Covers: v.Needs, State: chart.StudyAvailable})
		}
	}
	return c
}
