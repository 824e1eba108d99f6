package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/outbox"
)

// sendCommand brings the plans up to date and sends what waits.
func sendCommand(e *env) *cobra.Command {
	var gather string
	c := &cobra.Command{
		Use:   "send",
		Short: "Bring the plans up to today and write the Tasks that wait",
		Long: "Looks at everybody whose plan changes by today, and writes the FHIR Tasks that wait into the folder of the settings,\n" +
			"one file each. --gather also writes all of them into one NDJSON file.\n\n" +
			"Exit status:\n  0  written\n  1  something could not be written and waits for the next time\n  2  usage or settings",
		Example: "  perennial send --gather tasks.ndjson",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	c.Flags().StringVar(&gather, "gather", "", "NDJSON file for all Tasks")
	c.RunE = func(c *cobra.Command, _ []string) error {
		s, err := siteSettings(*site)
		if err != nil {
			return err
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			if _, err := cl.Tick(c.Context()); err != nil {
				return err
			}
			sent, left := 0, 0
			for {
				t, err := cl.Drain(c.Context(), 500)
				sent, left = sent+t.Sent, left+t.Failed+t.Later
				if err != nil {
					return err
				}
				if t == (outbox.Tally{}) {
					break
				}
			}
			fmt.Fprintf(e.stdout, "%d Tasks written to %s\n", sent, s.Out.Folder)
			if left > 0 {
				return fault.New(fault.Denied, fmt.Sprintf("writing %d Tasks to %s", left, s.Out.Folder), "Check that the folder may be written to; they wait for the next time.", nil)
			}
			if gather == "" {
				return nil
			}
			n, err := fhirtask.NewFiles(s.Out.Folder, "").Gather(gather)
			if err == nil {
				_, err = fmt.Fprintf(e.stdout, "%d Tasks in %s\n", n, gather)
			}
			return err
		})
	}
	return c
}
