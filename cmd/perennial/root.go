package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"

	"perennial/internal/fault"
)

// Exit statuses of all commands.
const (
	exitOK      = 0
	exitError   = 1 // it could not be done
	exitUsage   = 2 // usage or settings
	exitRefused = 3 // of those that read resources: some cannot be used; the rest was done
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
		PersistentPreRunE: func(c *cobra.Command, args []string) error {
			if err := checkWords(c, args); err != nil {
				return err
			}
			return e.fromDir(c, args)
		},
	}
	root.SetIn(e.stdin)
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	root.CompletionOptions.HiddenDefaultCmd = false
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		var value *pflag.InvalidValueError
		if errors.As(err, &value) {
			expected := map[string]string{"int": "a whole number", "bool": "true or false"}[value.GetFlag().Value.Type()]
			err = fmt.Errorf("--%s %q cannot be read; %s is expected", value.GetFlag().Name, value.GetValue(), expected)
		}
		return usageError(err.Error(), "See "+c.CommandPath()+" --help.")
	})
	root.AddCommand(
		assessCommand(e),
		codesCommand(e),
		settingsCommand(e),
		sourceCommand(e),
		protocolCommand(e),
		initCommand(e),
		importCommand(e),
		dueCommand(e),
		recallCommand(e),
		reportCommand(e),
		patientCommand(e),
		ruleCommand(e),
		takeBackCommand(e),
		statusCommand(e),
		receivedCommand(e),
		goLiveCommand(e),
		sendCommand(e),
		exportCommand(e),
		demoCommand(e),
		serveCommand(e),
		backupCommand(e),
		restoreCommand(e),
		checkStoreCommand(e),
		versionCommand(e),
	)
	withCompletion(root)
	plainArgs(root)
	return root
}

// groupStatuses are the exit statuses of a command that only holds others.
const groupStatuses = "Exit status:\n  0  this help was shown\n  2  usage"

// group is a command that only holds others; its examples are the first of each.
func group(name, short string, commands ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{Use: name, Short: short, Long: short + ".\n\n" + groupStatuses, Args: cobra.NoArgs, RunE: showHelp}
	var examples []string
	for _, sub := range commands {
		first, _, _ := strings.Cut(sub.Example, "\n")
		examples = append(examples, first)
	}
	c.Example = strings.Join(examples, "\n")
	c.AddCommand(commands...)
	return c
}

func showHelp(c *cobra.Command, _ []string) error { return c.Help() }

// plainArgs makes every command say in plain words which arguments it takes.
func plainArgs(c *cobra.Command) {
	for _, sub := range c.Commands() {
		plainArgs(sub)
	}
	check := c.Args
	if check == nil || !c.HasParent() {
		return
	}
	c.Args = func(c *cobra.Command, args []string) error {
		if check(c, args) == nil {
			return nil
		}
		return usageError(argsMistake(c, args), "See "+c.CommandPath()+" --help.")
	}
}

// argsMistake says what is wrong with the arguments.
func argsMistake(c *cobra.Command, args []string) string {
	_, takes, _ := strings.Cut(strings.Replace(c.Use, "[flags] ", "", 1), " ")
	switch {
	case c.HasSubCommands():
		return fmt.Sprintf("unknown command %q for %s", args[0], c.CommandPath())
	case takes == "":
		return fmt.Sprintf("%s takes no arguments; %q is one too many", c.CommandPath(), args[0])
	case len(args) == 0:
		return c.CommandPath() + " needs " + takes
	case len(args) == 1:
		return fmt.Sprintf("%q is not known; choose %s", args[0], orList(c.ValidArgs))
	}
	return fmt.Sprintf("%s takes one argument, %s; %q is one too many", c.CommandPath(), takes, args[1])
}

// run runs one command line and gives its exit status.
func run(ctx context.Context, e *env, args []string) int {
	out := &output{w: e.stdout}
	with := *e
	with.stdout = out
	with.terminal = func(stream any) bool {
		if stream == any(out) {
			stream = out.w
		}
		return e.terminal(stream)
	}
	root := rootCommand(&with)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if e.here == nil {
		err = handOver(ctx, &with, args, err)
	}
	return report(e.stderr, out.or(err))
}

// report tells an error and gives the exit status.
func report(stderr io.Writer, err error) int {
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
		tell(stderr, err)
	}
	return code
}

// output is standard output, which remembers that it failed: a command that
// printed into a full disk has not done what was asked.
type output struct {
	w   io.Writer
	err error
}

// Write writes on.
func (o *output) Write(p []byte) (int, error) {
	if o.err != nil {
		return 0, o.err
	}
	n, err := o.w.Write(p)
	o.err = err
	return n, err
}

// or is the error of a command, or of its output where that failed.
func (o *output) or(err error) error {
	if o.err == nil || err != nil && !errors.Is(err, o.err) {
		return err
	}
	return &exitCode{exitError, fault.New(fault.KindOf(o.err), "writing the output", "The output is not complete. Make room where it goes, or send it elsewhere, and look again; what a command stores is stored.", o.err)}
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

// isTerminal says whether a stream is a terminal.
func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
