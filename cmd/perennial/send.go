package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
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
			sent := 0
			for {
				t, err := cl.Drain(c.Context(), 500)
				sent += t.Sent
				if err != nil {
					return err
				}
				if t.Sent == 0 {
					break
				}
			}
			fmt.Fprintf(e.stdout, "%d Tasks written to %s\n", sent, s.Out.Folder)
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
