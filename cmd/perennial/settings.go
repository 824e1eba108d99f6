package main

import (
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"perennial/internal/assess"
	"perennial/internal/fault"
	"perennial/internal/settings"
	"perennial/internal/surveil"
)

// settingsCommand groups what is done with settings.
func settingsCommand(e *env) *cobra.Command {
	c := &cobra.Command{Use: "settings", Short: "Check or print settings"}
	c.AddCommand(settingsCheckCommand(e), settingsPrintCommand(e))
	return c
}

func settingsCheckCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:     "check FILE",
		Short:   "Check a settings file: all mistakes at once, with line and column",
		Long:    "Checks a settings file and says all mistakes at once, with line and column.\n\nExit status:\n  0  the settings are good\n  1  the file could not be read\n  2  there are mistakes",
		Example: "  perennial settings check site.yaml",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if _, err := readSettings(args[0]); err != nil {
				return err
			}
			_, err := e.stdout.Write([]byte("the settings are good\n"))
			return err
		},
	}
}

func settingsPrintCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:     "print [FILE]",
		Short:   "Print settings with all defaults filled in; secrets show as a placeholder",
		Long:    "Prints the settings of a file, or the defaults, with everything filled in. Secrets show as a placeholder.\n\nExit status:\n  0  printed\n  1  the file could not be read\n  2  there are mistakes",
		Example: "  perennial settings print site.yaml",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			s := settings.Default()
			if len(args) > 0 {
				var err error
				if s, err = readSettings(args[0]); err != nil {
					return err
				}
			}
			return s.Print(e.stdout)
		},
	}
}

// readSettings reads a settings file; relative paths in it are counted from
// its folder.
func readSettings(name string) (settings.Settings, error) {
	doc, err := os.ReadFile(name)
	if err != nil {
		return settings.Settings{}, &exitCode{exitError, fault.New(fault.NotFound, "reading the settings "+name, "Check the name and the rights of the file.", err)}
	}
	s, err := settings.Parse(name, doc)
	if err != nil {
		return s, &exitCode{exitUsage, err}
	}
	return s.In(filepath.Dir(name)), nil
}

// useSettings fills in what the settings say and the command line does not.
func useSettings(name string, o *assess.Options) error {
	s, err := readSettings(name)
	if err != nil {
		return err
	}
	if o.Zone == "" {
		o.Zone = s.Site.Zone
	}
	if s.Codes != "" {
		o.Codes = append([]string{s.Codes}, o.Codes...)
	}
	for _, u := range s.Care {
		o.Site = append(o.Site, assess.SiteUse{Protocol: u.Protocol, From: u.From})
	}
	numbers := engineNumbers(&s)
	o.Settings = &numbers
	return nil
}

// engineNumbers are the numbers of the settings as the engine takes them.
func engineNumbers(s *settings.Settings) surveil.Settings {
	n := &s.Numbers
	return surveil.Settings{
		LeadDays: n.LeadDays, AsapDays: n.AsapDays, LostAfterDays: n.LostAfterDays, LostAttempts: n.LostAttempts, LostChannels: n.LostChannels,
		ReportDays: n.ReportDays, ReportAsapDays: n.ReportAsapDays, ReviewDays: n.ReviewDays, QuestionDays: n.QuestionDays, TraceDays: n.TraceDays,
		ClusterDays: n.ClusterDays, DeathDays: n.DeathDays, FeedStaleDays: n.FeedStaleDays,
		KidneyDays: n.KidneyDays, KidneyLongDays: n.KidneyLongDays, KidneyThreshold: n.KidneyThreshold, AcceptReports: n.AcceptReports,
		RecordsFrom: s.Site.RecordsFrom, Start: s.Site.Start,
	}
}
