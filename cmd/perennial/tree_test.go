package main

import (
	"bytes"
	"context"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
)

// testEnv is an environment in this process.
func testEnv(out, errs io.Writer) *env {
	return &env{stdin: strings.NewReader(""), stdout: out, stderr: errs, now: func() time.Time { return scriptNow() }, terminal: func(any) bool { return false }}
}

// noFormat are the commands without --format, and why.
func noFormat() map[string]string {
	return map[string]string{
		"perennial serve":          "it runs until it is stopped and writes a log",
		"perennial demo":           "a show for people; each part of it is a command with --format",
		"perennial settings print": "it prints a settings file, in the form of one",
		"perennial settings jwks":  "it prints a JSON Web Key Set, which is JSON",

		"perennial completion bash": "a script for a shell", "perennial completion zsh": "a script for a shell",
		"perennial completion fish": "a script for a shell", "perennial completion powershell": "a script for a shell",
	}
}

// Commands that hold others say what these are for, with an example of each, and
// refuse a word that is none of them.
func TestGroups(t *testing.T) {
	t.Parallel()
	n := 0
	for _, c := range rootCommand(testEnv(io.Discard, io.Discard)).Commands() {
		if !c.HasSubCommands() {
			continue
		}
		n++
		checkStatuses(t, c.Long)
		if !strings.Contains(c.Example, c.CommandPath()+" ") {
			t.Errorf("%s: example %q", c.CommandPath(), c.Example)
		}
		var errs bytes.Buffer
		if code := run(context.Background(), testEnv(io.Discard, &errs), []string{c.Name(), "none-such"}); code != exitUsage || !strings.Contains(errs.String(), `unknown command "none-such" for `+c.CommandPath()) {
			t.Errorf("%s none-such: exit status %d, %s", c.CommandPath(), code, errs.String())
		}
	}
	if n < 5 {
		t.Errorf("only %d groups", n)
	}
}

// leaves are the commands that do something and are shown in the help.
func leaves(c *cobra.Command) []*cobra.Command {
	if !c.HasSubCommands() && !c.Hidden {
		return []*cobra.Command{c}
	}
	var list []*cobra.Command
	for _, sub := range c.Commands() {
		list = append(list, leaves(sub)...)
	}
	return list
}

// Every command shows an example that names it, its exit statuses, and the
// formats of what it prints, which a shell completes.
func TestEveryCommand(t *testing.T) {
	t.Parallel()
	excused := noFormat()
	list := leaves(rootCommand(testEnv(io.Discard, io.Discard)))
	if len(list) < 18 {
		t.Errorf("only %d commands", len(list))
	}
	for _, c := range list {
		path := c.CommandPath()
		t.Run(path, func(t *testing.T) {
			if c.Short == "" || !strings.Contains(c.Example, path) {
				t.Errorf("Short %q, Example %q", c.Short, c.Example)
			}
			checkStatuses(t, c.Long)
			if excused[path] != "" {
				if c.Flags().Lookup("format") != nil {
					t.Error("it has --format, and needs no excuse")
				}
				return
			}
			checkFormats(t, strings.Fields(path)[1:])
		})
		delete(excused, path)
	}
	for path := range excused {
		t.Errorf("excused, but no command: %s", path)
	}
}

// checkStatuses wants a list of exit statuses: 0, 2, and the others in order.
func checkStatuses(t *testing.T, long string) {
	t.Helper()
	_, list, found := strings.Cut(long, "Exit status:\n")
	var got []string
	for line := range strings.Lines(list) {
		if code, ok := strings.CutPrefix(line, "  "); ok && code[0] >= '0' && code[0] <= '9' {
			got = append(got, code[:1])
		}
	}
	if !found || !slices.IsSorted(got) || !slices.Contains(got, "0") || !slices.Contains(got, "2") {
		t.Errorf("the help lists the exit statuses %q:\n%s", got, long)
	}
}

// checkFormats wants --format with json, which the shell completes and the help
// names, and another word refused with what there is.
func checkFormats(t *testing.T, path []string) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(context.Background(), testEnv(&out, &errs), slices.Concat([]string{"__complete"}, path, []string{"--format", ""})); code != exitOK {
		t.Fatalf("completing: %d %s", code, errs.String())
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	formats := lines[:len(lines)-1]
	if !slices.Contains(formats, "table") || !slices.Contains(formats, "json") || slices.Contains(path, "due") && !slices.Contains(formats, "csv") {
		t.Errorf("completion offers %q", formats)
	}
	out.Reset()
	run(context.Background(), testEnv(&out, &errs), append(slices.Clone(path), "--help"))
	if _, help, _ := strings.Cut(out.String(), "--format string"); !strings.HasPrefix(strings.TrimSpace(help), orList(formats)) {
		t.Errorf("the help says %.60q, the formats are %q", help, formats)
	}
	errs.Reset()
	args := append(slices.Clone(path), "--format", "xml")
	for n := range 3 { // some commands need an argument, or two
		errs.Reset()
		code := run(context.Background(), testEnv(io.Discard, &errs), append(slices.Clone(args), []string{"accept", "refuse"}[:n]...))
		if code != exitUsage {
			t.Errorf("a format that is not known: exit status %d", code)
		}
		if strings.Contains(errs.String(), `--format "xml" is not known`+"\nChoose --format "+orList(formats)+".") {
			return
		}
	}
	t.Errorf("a format that is not known: %s", errs.String())
}
