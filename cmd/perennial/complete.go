package main

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/store"
)

// firstArg completes the first argument only.
func firstArg(f cobra.CompletionFunc) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]string, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return f(c, args, typed)
	}
}

// completeYAML offers YAML files.
func completeYAML(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return []string{"yaml", "yml"}, cobra.ShellCompDirectiveFilterFileExt
}

// completeProtocols offers the ids of the shipped protocols, and files.
func completeProtocols(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	entries, err := config.Files.ReadDir("protocols")
	if err != nil {
		return nil, cobra.ShellCompDirectiveDefault
	}
	var ids []string
	for _, d := range entries {
		ids = append(ids, strings.TrimSuffix(d.Name(), ".yaml"))
	}
	return ids, cobra.ShellCompDirectiveDefault
}

// Completion must not keep a person waiting, nor flood the terminal.
const (
	completeWithin = 2 * time.Second
	completeMost   = 200
)

// errEnough ends a visit early.
var errEnough = errors.New("enough")

// completePatients offers the ids of patients with an implant.
func completePatients(e *env, site *string) cobra.CompletionFunc {
	return completeFrom(e, site, func(ctx context.Context, cl *clinic.Clinic, offer func(string) error) error {
		return cl.Lines(ctx, func(l store.Line) error { return offer(l.Patient) })
	})
}

// completeRulings offers the ids of rulings that count.
func completeRulings(e *env, site *string) cobra.CompletionFunc {
	return completeFrom(e, site, func(ctx context.Context, cl *clinic.Clinic, offer func(string) error) error {
		return cl.Rulings(ctx, func(r chart.Ruling) error {
			if r.TakenBack != nil {
				return nil
			}
			return offer(r.ID)
		})
	})
}

// completeFrom offers ids of a store; none where it cannot be opened at once,
// because a daemon holds it, for example.
func completeFrom(e *env, site *string, visit func(context.Context, *clinic.Clinic, func(string) error) error) cobra.CompletionFunc {
	return func(c *cobra.Command, _ []string, typed string) ([]string, cobra.ShellCompDirective) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(commandContext(c)), completeWithin)
		defer cancel()
		var ids []string
		_ = opening{site: *site, wait: 100 * time.Millisecond}.with(ctx, e, func(cl *clinic.Clinic) error {
			return visit(ctx, cl, func(id string) error {
				if strings.HasPrefix(id, typed) {
					ids = append(ids, id)
				}
				if len(ids) >= completeMost {
					return errEnough
				}
				return nil
			})
		})
		return ids, cobra.ShellCompDirectiveNoFileComp
	}
}

// commandContext is the context of a command; completion has none of its own.
func commandContext(c *cobra.Command) context.Context {
	if ctx := c.Context(); ctx != nil {
		return ctx
	}
	return context.Background()
}

// fileReason is an error of the system without its path, which was named already.
func fileReason(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// withCompletion adds the command that writes the completion for a shell, with
// what every command of ours has: an example, the exit statuses, and an error
// where a shell is not known.
func withCompletion(root *cobra.Command) {
	root.InitDefaultCompletionCmd()
	uses := map[string]string{
		"bash": "  source <(perennial completion bash)", "zsh": "  source <(perennial completion zsh)",
		"fish": "  perennial completion fish | source", "powershell": "  perennial completion powershell | Out-String | Invoke-Expression",
	}
	for _, c := range root.Commands() {
		if c.Name() != "completion" {
			continue
		}
		c.Args, c.RunE = cobra.NoArgs, showHelp
		c.Long, c.Example = strings.TrimSpace(c.Long)+"\n\n"+groupStatuses, uses["bash"]
		for _, shell := range c.Commands() {
			shell.Long, shell.Example = strings.TrimSpace(shell.Long)+"\n\nExit status:\n  0  written\n  2  usage", uses[shell.Name()]
		}
	}
}
