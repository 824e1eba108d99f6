package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fault"
	"perennial/internal/notice"
	"perennial/internal/settings"
	"perennial/internal/surveil"
	"perennial/internal/yamldoc"
)

// settingsCommand groups what is done with settings.
func settingsCommand(e *env) *cobra.Command {
	return group("settings", "Check or print settings", settingsCheckCommand(e), settingsPrintCommand(e), settingsKeysCommand(e))
}

func settingsCheckCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a settings file: all mistakes at once, with line and column",
		Long: "Checks a settings file, then the protocols and the code map that it names, and says all mistakes at once, with line and\n" +
			"column. As JSON each mistake is one object on stdout.\n\n" +
			"Exit status:\n  0  the settings are good\n  1  the file could not be read\n  2  there are mistakes",
		Example:           "  perennial settings check site.yaml\n  perennial settings check --format json site.yaml",
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: firstArg(completeYAML),
	}
	format := formatFlag(c, "table", "json")
	c.RunE = func(_ *cobra.Command, args []string) error {
		_, w, err := workOf(e, args[0])
		if err == nil {
			return goodSettings(e, *format, w.Rules)
		}
		if problems, ok := errors.AsType[yamldoc.Problems](err); ok && *format == "json" {
			return writeProblems(e, problems)
		}
		return err
	}
	return c
}

// goodSettings says that settings are good, which protocols the site picks by
// them, and where the sources differ about each.
func goodSettings(e *env, format string, rules *surveil.Rules) error {
	g, err := assess.LoadGuidance(config.Files)
	if err != nil {
		return err
	}
	object := map[string]any{"good": true}
	var picked []map[string]any
	var text bytes.Buffer
	for _, class := range slices.Sorted(maps.Keys(rules.Care)) {
		for _, era := range rules.Care[class] {
			if era.Chosen != "site" {
				continue
			}
			p, list := era.Protocol, g.Conflicts.For(class)
			picked = append(picked, map[string]any{"class": class, "protocol": p.Ref(), "status": p.Status, "evidence": p.Cite.Evidence, "conflicts": conflictObjects(list, p.ID)})
			fmt.Fprintf(&text, "\n\n%s: %s, %s, source known: %s", notice.ClassName(class), p.Ref(), p.Status, p.Cite.Evidence)
			text.WriteString(unsigned(p))
			if err := writeConflicts(&text, list, p.ID); err != nil {
				return err
			}
		}
	}
	if picked != nil {
		object["protocols"] = picked
	}
	return confirm(e, format, object, "the settings are good%s", strings.TrimRight(text.String(), "\n"))
}

// writeProblems writes one object for each mistake.
func writeProblems(e *env, problems yamldoc.Problems) error {
	enc := json.NewEncoder(e.stdout)
	for i := range problems {
		p := &problems[i]
		object := map[string]any{"file": p.File, "line": p.Line, "column": p.Col, "key": p.Path, "what": p.Text}
		if p.Suggestion != "" {
			object["didYouMean"] = p.Suggestion
		}
		if err := enc.Encode(object); err != nil {
			return err
		}
	}
	return &exitCode{code: exitUsage}
}

func settingsPrintCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:     "print [FILE]",
		Short:   "Print settings with all defaults filled in; secrets show as a placeholder",
		Long:    "Prints the settings of a file, or the defaults, with everything filled in. Secrets show as a placeholder.\n\nExit status:\n  0  printed\n  1  the file could not be read\n  2  there are mistakes",
		Example: "  perennial settings print site.yaml",
		Args:    cobra.MaximumNArgs(1),

		ValidArgsFunction: firstArg(completeYAML),
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
		return settings.Settings{}, &exitCode{exitError, fault.New(fault.KindOf(err), "reading the settings "+name, "Check the name and the rights of the file.", fileReason(err))}
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
	for _, one := range s.Studies {
		o.Studies = append(o.Studies, assess.SiteStudy(one))
	}
	for _, one := range s.Labels {
		o.Labels = append(o.Labels, assess.SiteLabel(one))
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
