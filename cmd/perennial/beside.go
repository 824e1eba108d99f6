package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"perennial/internal/clinic"
	"perennial/internal/doorway"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/settings"
)

// house is the daemon's own: what a command works with that was handed to it.
type house struct {
	clinic   *clinic.Clinic
	db       *boltkv.DB
	settings settings.Settings
}

// besides are the commands that may be handed to the daemon that holds the store.
// The others need a store that nobody holds, or none.
func besides() []string {
	return []string{"import", "due", "recall", "report", "patient", "rule", "take-back", "status", "received", "go-live", "send", "backup", "protocol", "export"}
}

// held says that another program holds the store, and which store.
type held struct {
	store string
	err   error
}

// Error is the text of the cause.
func (h *held) Error() string { return h.err.Error() }

// Unwrap gives the cause.
func (h *held) Unwrap() error { return h.err }

// handOver hands a command to the daemon where that is why it failed. Where no
// daemon answers, the error stays what it was.
func handOver(ctx context.Context, e *env, args []string, err error) error {
	var h *held
	if !errors.As(err, &h) || len(args) == 0 || !slices.Contains(besides(), args[0]) {
		return err
	}
	dir, wrong := os.Getwd()
	if wrong != nil {
		return err
	}
	call := doorway.Call{Args: args, Dir: dir, OutTerminal: e.terminal(e.stdout), ErrTerminal: e.terminal(e.stderr), Stdout: e.stdout, Stderr: e.stderr}
	if slices.Contains(args, "-") {
		call.Stdin = e.stdin
	}
	code, wrong := doorway.Run(ctx, h.store, call)
	switch {
	case fault.KindOf(wrong) == fault.NotFound:
		return err
	case wrong != nil:
		return wrong
	case code == exitOK:
		return nil
	}
	return &exitCode{code: code} // all was told already
}

// inside runs a command that was handed over, in the daemon.
func inside(e *env, h *house) func(context.Context, doorway.Call) int {
	return func(ctx context.Context, call doorway.Call) int {
		own := &env{stdin: call.Stdin, stdout: call.Stdout, stderr: call.Stderr, now: e.now, here: h, dir: call.Dir}
		own.terminal = func(stream any) bool {
			return stream == any(call.Stdout) && call.OutTerminal || stream == any(call.Stderr) && call.ErrTerminal
		}
		if len(call.Args) == 0 || !slices.Contains(besides(), call.Args[0]) {
			return report(call.Stderr, usageError("this command cannot be handed to the daemon", "Stop the daemon first."))
		}
		return run(ctx, own, call.Args)
	}
}

// ofPaths is the annotation of a flag, or of a command's arguments, that name
// files.
const ofPaths = "perennial_paths"

// pathFlag says that a flag names a file.
func pathFlag(c *cobra.Command, name string) { _ = c.Flags().SetAnnotation(name, ofPaths, []string{}) }

// fromDir counts the relative paths of a command that was handed over from the
// folder in which it was typed.
func (e *env) fromDir(c *cobra.Command, args []string) error {
	if e.dir == "" {
		return nil
	}
	at := func(path string) string {
		if path == "" || path == "-" || filepath.IsAbs(path) {
			return path
		}
		return filepath.Join(e.dir, path)
	}
	var wrong error
	c.Flags().Visit(func(f *pflag.Flag) {
		if _, ok := f.Annotations[ofPaths]; ok {
			wrong = errors.Join(wrong, f.Value.Set(at(f.Value.String())))
		}
	})
	if _, ok := c.Annotations[ofPaths]; ok {
		for i := range args {
			args[i] = at(args[i])
		}
	}
	return wrong
}
