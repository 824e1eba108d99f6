package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fault"
	"perennial/internal/notice"
	"perennial/internal/protocol"
	"perennial/internal/yamldoc"
)

// protocolCommand groups what is done with protocols.
func protocolCommand(e *env) *cobra.Command {
	return group("protocol", "Check, show and compare protocols, and put changed ones in force",
		protocolCheckCommand(e), protocolListCommand(e), protocolShowCommand(e), protocolCompareCommand(e), protocolAdoptCommand(e))
}

// protocolCheckCommand checks a file.
func protocolCheckCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a protocol file: all mistakes at once, with line and column",
		Long: "Checks a protocol file and says all mistakes at once, with line, column and what may have been meant: windows that overlap,\n" +
			"years without a visit, words and units that are unknown or missing, triggers that go on firing one another. As JSON each\n" +
			"mistake is one object on stdout. docs/protocol-format.md says how such a file is written.\n\n" +
			"Exit status:\n  0  the protocol is good\n  1  the file could not be read\n  2  there are mistakes",
		Example:           "  perennial protocol check harbour-evar.yaml\n  perennial protocol check --format json harbour-evar.yaml",
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: firstArg(completeYAML),
	}
	format := formatFlag(c, "table", "json")
	c.RunE = func(_ *cobra.Command, args []string) error {
		doc, err := os.ReadFile(args[0])
		if err != nil {
			return &exitCode{exitError, fault.New(fault.KindOf(err), "reading the protocol "+args[0], "Check the name and the rights of the file.", fileReason(err))}
		}
		p, problems := protocol.Parse(args[0], doc)
		switch {
		case p != nil:
			return confirm(e, *format, map[string]any{"good": true, "id": p.ID, "version": p.Version, "status": p.Status, "hash": p.Hash},
				"%s is good: %s, %s, for %s%s", args[0], p.Ref(), p.Status, classNames(p.Classes), unsigned(p))
		case *format == "json":
			return writeProblems(e, problems)
		}
		return &exitCode{exitUsage, fault.New(fault.Invalid, "", "Correct the lines named above and try again.", fmt.Errorf("the protocol has mistakes:\n%w", yamldoc.Problems(problems)))}
	}
	return c
}

// unsigned is a line for a protocol that nobody has signed off.
func unsigned(p *protocol.Protocol) string {
	switch p.Status {
	case "draft":
		return "\nDRAFT: no clinician has reviewed it."
	case "retired":
		return "\nRETIRED: it is kept for what was decided by it."
	}
	return ""
}

// classNames are classes as the trade says them.
func classNames(list []string) string {
	var names []string
	for _, c := range list {
		names = append(names, notice.ClassName(c))
	}
	return strings.Join(names, ", ")
}

// protocolListCommand lists the shipped protocols.
func protocolListCommand(e *env) *cobra.Command {
	var class string
	c := &cobra.Command{
		Use:   "list",
		Short: "List the shipped protocols, with the state of their sources",
		Long: "Lists the shipped protocols with the implants that each is for, its state and how its source is known: read (FOUND), read in a\n" +
			"summary (FOUND2), from memory (MEM-H, MEM-M, MEM-L), or set here (DESIGN).\n\n" +
			"Exit status:\n  0  listed\n  2  usage",
		Example: "  perennial protocol list --class evar",
		Args:    cobra.NoArgs,
	}
	c.Flags().StringVar(&class, "class", "", "only those for a class of implants")
	oneOf(c, "class", protocol.Classes()...)
	format := formatFlag(c, "table", "json")
	c.RunE = func(*cobra.Command, []string) error {
		g, err := assess.LoadGuidance(config.Files)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
		if *format == "table" {
			fmt.Fprintln(w, "PROTOCOL\tSTATE\tKNOWN\tCHOSEN FOR\tTITLE\tIMPLANTS")
		}
		for _, id := range g.Protocols.IDs() {
			p := g.Protocols[id]
			if class != "" && !p.For(class) {
				continue
			}
			if *format == "json" {
				err = errors.Join(err, json.NewEncoder(e.stdout).Encode(map[string]any{"id": p.ID, "version": p.Version, "title": p.Title, "status": p.Status, "evidence": p.Cite.Evidence, "source": p.Cite.Text, "classes": p.Classes, "perPatient": p.PerPatient}))
				continue
			}
			whom := "everybody"
			if p.PerPatient {
				whom = "a patient"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", p.Ref(), p.Status, p.Cite.Evidence, whom, p.Title, classNames(p.Classes))
		}
		return errors.Join(err, w.Flush())
	}
	return c
}
