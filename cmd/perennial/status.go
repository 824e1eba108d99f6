package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/fault"
)

// statusCommand says how the clinic stands.
func statusCommand(e *env) *cobra.Command {
	var check bool
	c := &cobra.Command{
		Use:   "status",
		Short: "Show the three sums, the sources and whether things are sent",
		Long: "Shows the three sums that must hold, each source's last success, and whether anything is sent.\n" +
			"--check counts every term anew from the records and verifies all indexes and the audit trail.\n\n" +
			"Exit status:\n  0  all holds\n  1  something does not hold, or the store could not be read\n  2  usage or settings",
		Example: "  perennial status\n  perennial status --check --format json",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	c.Flags().BoolVar(&check, "check", false, "count everything anew and verify the store")
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			st, err := cl.Status(c.Context())
			if err != nil {
				return err
			}
			var problems []string
			if check {
				rep, err := cl.Check(c.Context())
				if err != nil {
					return err
				}
				st.Sums, problems = rep.Sums, rep.Problems
			}
			if *format == "json" {
				err = json.NewEncoder(e.stdout).Encode(st)
			} else {
				writeStatus(e.stdout, &st, cl.Zone())
			}
			if err == nil && (len(problems) > 0 || !st.Sums.Hold()) {
				return fault.New(fault.Damaged, "the store does not hold together: "+strings.Join(problems, "; "), "Restore the latest backup, then import again.", nil)
			}
			if err == nil && check && *format == "table" {
				_, err = fmt.Fprintln(e.stdout, "checked: every term was counted anew from the records; the indexes, what waits to be sent and the audit trail are sound")
			}
			return err
		})
	}
	return c
}

func writeStatus(out io.Writer, st *clinic.Status, zone *time.Location) {
	r, p, w := st.Sums.Resources, st.Sums.Patients, st.Sums.Work
	fmt.Fprintf(out, "as of %s\n\n", st.Today.Text())
	fmt.Fprintf(out, "resources received      %8d  =  used %d + superseded %d + not relevant %d + in error %d + quarantined %d\n", r.Received, r.Used, r.Superseded, r.NotRelevant, r.InError, r.Quarantined)
	fmt.Fprintf(out, "patients with implant   %8d  =  under surveillance %d + paused %d + ended %d + unresolved %d\n", p.WithImplant, p.Active, p.Paused, p.Ended, p.Unresolved)
	fmt.Fprintf(out, "work items ever made    %8d  =  open %d + completed %d + cancelled %d\n\n", w.Ever, w.Open, w.Completed, w.Cancelled)
	for i := range st.Sources {
		s := &st.Sources[i]
		last := "never"
		if !s.Success.IsZero() {
			last = s.Success.Format(time.RFC3339)
		}
		fmt.Fprintf(out, "source %-16s last success %s\n", s.Name, last)
		if s.Error != "" {
			fmt.Fprintf(out, "  last trouble: %s\n", s.Error)
		}
		if s.Waits != "" {
			fmt.Fprintf(out, "  waiting: %s\n", s.Waits)
		}
	}
	live := "not yet: nothing is sent to servers or people"
	if !st.Live.IsZero() {
		live = "since " + st.Live.Format(time.DateOnly) + ", said by " + st.LiveBy
	}
	fmt.Fprintf(out, "mode %s; live %s\n", st.Mode, live)
	for _, c := range st.ClosedWays(zone) {
		fmt.Fprintf(out, "%s\n  %s\n", c.Text, c.Hint)
	}
	if st.Removed > 0 {
		fmt.Fprintf(out, "Tasks that people removed in the other system, which are not made again while their work stays as it is: %d\n", st.Removed)
	}
	if st.Waiting {
		fmt.Fprintln(out, "The protocols in the settings have changed and are not in force yet; until somebody adopts them the old ones hold: perennial protocol adopt")
	}
	if st.Behind {
		fmt.Fprintln(out, "Some plans are from before today, or were made with other settings; the next import or night brings them up to date.")
	}
}

// goLiveCommand lets things be sent, after showing what that means.
func goLiveCommand(e *env) *cobra.Command {
	var who string
	var yes bool
	c := &cobra.Command{
		Use:   "go-live",
		Short: "Show what would be sent, and let it be sent",
		Long: "Shows how many work items and patients are behind what would be sent. With --yes and --who it is said: from then on\n" +
			"Tasks and digests go out where the settings' mode is send. It can be stopped at any time with mode off.\n\n" +
			"Exit status:\n  0  shown, or said\n  1  not said\n  2  usage or settings",
		Example: "  perennial go-live\n  perennial go-live --yes --who 'N. Quay'",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.Flags().StringVar(&who, "who", "", "who decides it")
	c.Flags().BoolVar(&yes, "yes", false, "say it")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			p, err := cl.Preview(c.Context())
			if err != nil {
				return err
			}
			if yes {
				if err := cl.GoLive(c.Context(), who); err != nil {
					return err
				}
			}
			return writePreview(e, *format, &p, yes)
		})
	}
	return c
}

// writePreview shows what go-live lets out, and whether it was said now.
func writePreview(e *env, format string, p *clinic.Preview, said bool) error {
	if format == "json" {
		return json.NewEncoder(e.stdout).Encode(map[string]any{"said": said, "withImplant": p.Sums.Patients.WithImplant, "overdue": p.Overdue, "lost": p.Lost, "open": p.Open})
	}
	fmt.Fprintf(e.stdout, "%d patients with an implant; %d with an overdue visit, %d presumed lost or lost\n", p.Sums.Patients.WithImplant, p.Overdue, p.Lost)
	for _, kind := range sortedKeys(p.Open) {
		fmt.Fprintf(e.stdout, "%6d  %s\n", p.Open[kind], kind)
	}
	text := "Nothing was changed. To let this be sent: perennial go-live --yes --who NAME"
	if said {
		text = "live: where the settings' mode is send, this goes out from now on. Mode off stops it."
	}
	_, err := fmt.Fprintln(e.stdout, text)
	return err
}
