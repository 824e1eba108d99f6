package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/protocol"
)

// ruleHelp says what kinds of decisions there are.
const ruleHelp = "Stores a decision of a person about one patient. It is kept with who, when and why, and can be taken back.\n\nKinds:\n" +
	"  accept, refuse   a study, for a visit (--about STUDY --visit VISIT) or for all\n" +
	"  reviewed         a study, report or finding has been read (--about)\n" +
	"  answer           a question (--about KEY)\n" +
	"  pause            surveillance until a date (--until)\n" +
	"  decline          a visit (--visit), or imaging until further notice\n" +
	"  transfer, stop   end the care here, with the reason in --why\n" +
	"  study            takes part in a device study or registry (--value STUDY), from a day on (--on)\n" +
	"  withdraw         from a device study (--about STUDY; without it from all): its reports end, the care goes on; with --scope care surveillance ends\n" +
	"  modality         another kind of imaging does (--modality), for a visit (--visit) or for all until further notice\n" +
	"  interval         another interval between the repeated visits (--every P6M), for all or until a day (--until)\n" +
	"  stratum          the risk stratum is confirmed (--stratum); the next abnormal finding undoes it\n" +
	"  staged           operations of one plan (--about FIRST --value LAST): the last one counts as the index\n" +
	"  confirm          a finding as you read it (--about STUDY, REPORT or FINDING --value 'endoleak II')\n" +
	"  snooze           hide a work item (--about KEY --until), at most to the close of its visit\n" +
	"  attempt          an outreach attempt (--channel, --outcome)\n" +
	"  implant          an implant placed elsewhere (--class, --value DATE, --device)\n" +
	"  index-date, class, protocol, died, alive, no-implant   (--about, --value)\n\n" +
	"A visit is named as the plan names it: Procedure/x/y2.\n\n" +
	"Exit status:\n  0  stored\n  1  not stored\n  2  usage or settings"

// ruleExamples are a few of them.
const ruleExamples = "  perennial rule accept --patient p1 --about ImagingStudy/s9 --visit Procedure/x/y2 --who 'N. Quay' --why 'images seen'\n" +
	"  perennial rule pause --patient p1 --until 2026-09-01 --who 'N. Quay' --why 'abroad'\n" +
	"  perennial rule study --patient p1 --value ResearchStudy/quay-graft-study --on 2025-06-20 --who 'N. Quay' --why 'consent signed'\n" +
	"  perennial rule withdraw --patient p1 --about ResearchStudy/quay-graft-study --who 'N. Quay' --why 'consent withdrawn; clinic visits go on'\n" +
	"  perennial rule withdraw --patient p1 --scope care --who 'N. Quay' --why 'wants no more follow-up, letter of 3 March'\n" +
	"  perennial rule modality --patient p1 --about Procedure/x --modality mr-angiogram --who 'N. Quay' --why 'contrast allergy, agreed with radiology'\n" +
	"  perennial rule interval --patient p1 --about Procedure/x --every P6M --until 2028-01-31 --who 'N. Quay' --why 'sac grows slowly'\n" +
	"  perennial rule stratum --patient p1 --about Procedure/x --stratum low --who 'N. Quay' --why 'seal 12 mm at both ends'\n" +
	"  perennial rule protocol --patient p1 --about Procedure/x --value label-1-6-12 --who 'N. Quay' --why 'as the label says'\n" +
	"  perennial rule staged --patient p1 --about Procedure/x --value Procedure/y --who 'N. Quay' --why 'planned in two stages'\n" +
	"  perennial rule confirm --patient p1 --about ImagingStudy/s9 --value 'endoleak II' --who 'N. Quay' --why 'read again with radiology'\n" +
	"  perennial rule snooze --patient p1 --about 'p1|Procedure/x|1|y2|3|arrange-imaging' --until 2026-09-01 --who 'N. Quay' --why 'waits for the creatinine'"

// ruleCommand stores what a person decided.
func ruleCommand(e *env) *cobra.Command {
	var r chart.Ruling
	var on, until string
	var said value
	c := &cobra.Command{
		Use:     "rule KIND",
		Short:   "Store what a person decided, with who and why",
		Long:    ruleHelp,
		Example: ruleExamples,
		Args:    cobra.ExactArgs(1),
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	f := c.Flags()
	f.StringVar(&r.Patient, "patient", "", "id of the patient")
	f.StringVar(&r.About, "about", "", "reference of imaging, a report, an implant or a device study, or key of a question or work item")
	f.StringVar(&r.Visit, "visit", "", "the visit, as the plan names it")
	f.StringVar(&on, "on", "", "day from which it holds, YYYY-MM-DD (default today)")
	f.StringVar(&until, "until", "", "day until which it holds, YYYY-MM-DD: a pause, decline, modality, interval or snooze")
	f.StringVar(&r.Value, "value", "", "date, class, protocol, answer, finding, device study or last stage")
	said.flags(c)
	f.StringVar(&r.Class, "class", "", "class of an implant placed elsewhere")
	f.StringVar(&r.Device, "device", "", "device of an implant placed elsewhere")
	f.StringVar(&r.Channel, "channel", "", "of an attempt: "+strings.Join(chart.Channels(), ", "))
	f.StringVar(&r.Outcome, "outcome", "", "of an attempt: "+strings.Join(chart.Outcomes(), ", "))
	f.StringVar(&r.Who, "who", "", "who decided")
	f.StringVar(&r.Why, "why", "", "why")
	oneOf(c, "class", protocol.Classes()...)
	oneOf(c, "channel", chart.Channels()...)
	oneOf(c, "outcome", chart.Outcomes()...)
	c.ValidArgsFunction = firstArg(cobra.FixedCompletions(kindWords(), cobra.ShellCompDirectiveNoFileComp))
	_ = c.RegisterFlagCompletionFunc("patient", completePatients(e, site))
	_ = c.RegisterFlagCompletionFunc("value", completeValue(e, site))
	c.RunE = func(c *cobra.Command, args []string) error {
		if r.Kind = chart.RulingKind(args[0]); !slices.Contains(chart.RulingKinds(), r.Kind) {
			return usageError(fmt.Sprintf("the kind %q is not known", args[0]), "Choose one of "+orList(kindWords())+".")
		}
		err := said.into(&r)
		if err != nil {
			return err
		}
		if r.On, err = dayFlag("on", on); err != nil {
			return err
		}
		if r.Until, err = dayFlag("until", until); err != nil {
			return err
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			stored, err := cl.Rule(c.Context(), r)
			if err == nil {
				err = confirm(e, *format, stored, "stored as %s; take it back with: perennial take-back %s", stored.ID, stored.ID)
			}
			return err
		})
	}
	return c
}

// completeValue offers studies where a ruling is about one.
func completeValue(e *env, site *string) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 || args[0] != string(chart.RuleStudy) {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return completeStudies(e, site)(c, args, typed)
	}
}

// kindWords are the kinds of rulings.
func kindWords() []string {
	var words []string
	for _, k := range chart.RulingKinds() {
		words = append(words, string(k))
	}
	return words
}

// takeBackCommand takes a ruling back.
func takeBackCommand(e *env) *cobra.Command {
	var who, why string
	c := &cobra.Command{
		Use:     "take-back RULING",
		Short:   "Take a stored decision back, with who and why",
		Long:    "Takes a stored decision back. It keeps its place in the record and counts no more.\n\nExit status:\n  0  taken back\n  1  not taken back\n  2  usage or settings",
		Example: "  perennial take-back r12-1 --who 'N. Quay' --why 'entered for the wrong patient'",
		Args:    cobra.ExactArgs(1),
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.ValidArgsFunction = firstArg(completeRulings(e, site))
	c.Flags().StringVar(&who, "who", "", "who takes it back")
	c.Flags().StringVar(&why, "why", "", "why")
	c.RunE = func(c *cobra.Command, args []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			taken, err := cl.TakeBack(c.Context(), args[0], who, why)
			if err != nil {
				return err
			}
			return confirm(e, *format, taken, "%s is taken back; it keeps its place in the record and counts no more", taken.ID)
		})
	}
	return c
}

// dayFlag reads a day of a flag; zero where none was given.
func dayFlag(name, text string) (day.Day, error) {
	if text == "" {
		return 0, nil
	}
	on, err := day.ParseDate(strings.TrimSpace(text))
	if err != nil || !on.Exact() {
		return 0, usageError("--"+name+" "+text+" is no day", "Write it as YYYY-MM-DD.")
	}
	return on.First, nil
}
