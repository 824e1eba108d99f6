package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"perennial/internal/fault"
)

// Exit statuses of all commands; assess has one more (3).
const (
	exitOK    = 0
	exitError = 1 // it could not be done
	exitUsage = 2 // usage or settings
)

// exitCode is an error that carries the exit status. A silent one has told
// everything already.
type exitCode struct {
	code int
	err  error
}

// Error is the text of the cause.
func (e *exitCode) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit status %d", e.code)
	}
	return e.err.Error()
}

// Unwrap gives the cause.
func (e *exitCode) Unwrap() error { return e.err }

// rootCommand builds the whole command tree. A new command gets one line here.
func rootCommand(e *env) *cobra.Command {
	root := &cobra.Command{
		Use:   "perennial",
		Short: "Keeps patients with vascular implants under imaging surveillance",
		Long: "perennial reads FHIR R4, works out each implant's surveillance visits, tracks imaging done against due,\n" +
			"and flags patients who are lost to follow-up.\n\n" +
			"It reads no images and replaces no clinician; it proposes and never orders. Device labelling, study protocol\n" +
			"and local policy win. It is not for emergencies.",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetIn(e.stdin)
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	root.CompletionOptions.HiddenDefaultCmd = false
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return &exitCode{exitUsage, fault.New(fault.Invalid, "", "See "+c.CommandPath()+" --help.", err)}
	})
	root.AddCommand(
		assessCommand(e),
		codesCommand(e),
		settingsCommand(e),
		initCommand(e),
		importCommand(e),
		dueCommand(e),
		patientCommand(e),
		ruleCommand(e),
		takeBackCommand(e),
		statusCommand(e),
		goLiveCommand(e),
		sendCommand(e),
		demoCommand(e),
		serveCommand(e),
		backupCommand(e),
		restoreCommand(e),
		checkStoreCommand(e),
		versionCommand(e),
	)
	return root
}

// run runs one command line and gives its exit status.
func run(ctx context.Context, e *env, args []string) int {
	root := rootCommand(e)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitOK
	}
	var coded *exitCode
	code := exitError
	switch {
	case errors.As(err, &coded):
		code = coded.code
	case strings.HasPrefix(err.Error(), "unknown command"), fault.KindOf(err) == fault.Invalid:
		code = exitUsage
	}
	if coded == nil || coded.err != nil {
		tell(e.stderr, err)
	}
	return code
}

// tell prints what went wrong, and on a line of its own what to do.
func tell(w io.Writer, err error) {
	fmt.Fprintln(w, "perennial: "+err.Error())
	hint := fault.HintOf(err)
	if hint == "" && strings.HasPrefix(err.Error(), "unknown command") {
		hint = "See perennial --help for what there is."
	}
	if hint != "" {
		fmt.Fprintln(w, hint)
	}
}

// usageError is an error of what was typed.
func usageError(what, hint string) error {
	return &exitCode{exitUsage, fault.New(fault.Invalid, "", hint, errors.New(what))}
}

// tableOrJSON refuses any other format, before anything is read.
func tableOrJSON(format string) error {
	if format == "table" || format == "json" {
		return nil
	}
	return usageError("the format "+format+" is not known", "Choose --format table or json.")
}

// isTerminal says whether a stream is a terminal.
func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
