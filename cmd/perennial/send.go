package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/settings"
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
	format := formatFlag(c, "table", "json")
	c.Flags().StringVar(&gather, "gather", "", "NDJSON file for all Tasks")
	pathFlag(c, "gather")
	c.RunE = func(c *cobra.Command, _ []string) error {
		s, err := siteSettings(e, *site)
		if err != nil {
			return err
		}
		return opening{site: *site}.withStore(c.Context(), e, func(cl *clinic.Clinic, db *boltkv.DB) error {
			if _, err := cl.Tick(c.Context()); err != nil {
				return err
			}
			t, err := drainAll(c.Context(), e, cl)
			if err != nil {
				return err
			}
			if write := trailOf(&s, db); write != nil {
				if err := write(c.Context()); err != nil {
					return err
				}
			}
			r := sendResult{Folder: s.Out.Folder, Mode: s.Out.Mode, Written: t.Sent, Waiting: t.Later, Failed: t.Failed, File: gather}
			if gather != "" && t.Later+t.Failed == 0 {
				if r.Gathered, err = fhirtask.NewFiles(s.Out.Folder, "").Gather(gather); err != nil {
					return err
				}
			}
			return r.tell(e, *format, t.Why)
		})
	}
	return c
}

// drainAll tries everything that waits once, with a bar where a person watches.
func drainAll(ctx context.Context, e *env, cl *clinic.Clinic) (all outbox.Tally, err error) {
	if err := cl.Hurry(ctx); err != nil {
		return all, err
	}
	st, err := cl.Status(ctx)
	if err != nil {
		return all, err
	}
	_, show, done := showProgress(e, "sending", "Tasks")
	defer done()
	for {
		t, err := cl.Drain(ctx, 500)
		if err != nil || t == (outbox.Tally{}) {
			return all, err
		}
		all = outbox.Tally{Sent: all.Sent + t.Sent, Failed: all.Failed + t.Failed, Later: all.Later + t.Later, Why: t.Why}
		show(int64(all.Sent+all.Failed+all.Later), int64(st.Outbox.Pending))
	}
}

// sendResult is what was sent.
type sendResult struct {
	Mode     string `json:"mode"`
	Folder   string `json:"folder"`
	Written  int    `json:"written"`
	Waiting  int    `json:"waiting"`
	Failed   int    `json:"failed"`
	File     string `json:"file,omitempty"`
	Gathered int    `json:"gathered,omitempty"`
}

// tell tells it; what was not written is an error, with the last reason why.
func (r *sendResult) tell(e *env, format, why string) error {
	text := fmt.Sprintf("%d Tasks written to %s", r.Written, r.Folder)
	if r.Mode != settings.ModeFiles {
		text = "No Tasks are written to files, because the settings' mode is " + r.Mode
	}
	if r.Gathered > 0 {
		text += fmt.Sprintf("\n%d Tasks in %s", r.Gathered, r.File)
	}
	err := confirm(e, format, r, "%s", text)
	hint := "Check that the folder is there, that this program may write to it, and that there is room; then run perennial send again."
	if r.Mode != settings.ModeFiles {
		hint = "perennial status says what is in the way."
	}
	if err == nil && r.Waiting+r.Failed > 0 {
		err = fault.New(fault.Unavailable, counted(r.Waiting+r.Failed, "Task was not written and waits", "Tasks were not written and wait"),
			hint, errors.New(why))
	}
	return err
}
