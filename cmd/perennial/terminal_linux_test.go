package main

import (
	"bytes"
	"errors"
	"io"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"
)

// atTerminal runs a command whose stderr is a terminal, and gives what is seen
// there.
func atTerminal(t *testing.T, c *child, args ...string) string {
	t.Helper()
	screen, tty, err := pty.Open()
	if err != nil {
		t.Skip("no terminal can be made here: ", err)
	}
	defer screen.Close()
	if err := pty.Setsize(tty, &pty.Winsize{Rows: 24, Cols: 120}); err != nil {
		t.Fatal(err)
	}
	c.prepare = func(cmd *exec.Cmd) { cmd.Stderr = tty }
	seen := make(chan string)
	go func() {
		var b bytes.Buffer
		_, err := io.Copy(&b, screen)
		if err != nil && !errors.Is(err, syscall.EIO) { // EIO: nobody has it open any more
			b.WriteString(err.Error())
		}
		seen <- b.String()
	}()
	c.run(args...)
	_ = tty.Close()
	return <-seen
}

// Long work shows a bar with rate and time left at a terminal, above it what goes
// wrong, and nothing of it when it is done; and no bar at all in a file.
func TestProgressAtATerminal(t *testing.T) {
	t.Parallel()
	bar := regexp.MustCompile(`(reading|importing) +\d+% \|[█ ]+\| +\([0-9.]+( [kM]B)?/[0-9.]+ [kM]B, [0-9.]+ [kMG]B/s\) \[\d+s:\d+s\]`)
	for command, args := range map[string][]string{
		"assess": {"assess", "--format", "tsv"}, "import": {"import"}, "codes": {"codes", "unmapped"},
	} {
		t.Run(command, func(t *testing.T) {
			t.Parallel()
			c := newChild(t)
			c.executable = "perennial-real"
			c.good("init")
			var b strings.Builder
			for range 4000 {
				b.WriteString(strings.Replace(strings.TrimSpace(goodProcedure), `"status"`, `"note":[{"text":"`+strings.Repeat("invented ", 900)+`"}],"status"`, 1) + "\n")
			}
			c.file("long.ndjson", b.String()+"{\"a\":1}\n")
			args = append(args, filepath.Join(c.dir, "long.ndjson"))
			seen := atTerminal(t, c, args...)
			if !bar.MatchString(seen) || c.status != 3 {
				t.Errorf("exit status %d, seen:\n%q", c.status, seen)
			}
			if !strings.Contains(seen, "\x1b[Kperennial: ") {
				t.Errorf("the bar is not taken away at the end: %q", seen)
			}
			c.prepare = nil
			if c.run(args...); strings.ContainsAny(c.errs, "\r%█\x1b") || !strings.Contains(c.errs, "long.ndjson:4001: ") {
				t.Errorf("into a file: %q", c.errs)
			}
		})
	}
}

// An export shows a bar in patients at a terminal.
func TestExportAtATerminal(t *testing.T) {
	t.Parallel()
	c := newChild(t)
	c.executable = "perennial-real"
	c.good("demo", "--as-of", "2026-06-30", "--dir", "shown", "--pages=false")
	c.file("site.yaml", "site: {name: Quay, zone: UTC}\nstore: {path: shown/demo.db}\n")
	bar := regexp.MustCompile(`exporting +\d+% \|[█ ]+\| +\([0-9]+/400\) \[\d+s:\d+s\]`)
	args := []string{"export", "fhir", "--settings", "site.yaml", "--out", "all.json"}
	if seen := atTerminal(t, c, args...); !bar.MatchString(seen) || c.status != 0 || !strings.HasSuffix(seen, "\r\x1b[K") {
		t.Errorf("exit status %d, seen:\n%q", c.status, seen)
	}
	c.prepare = nil
	if c.run(args...); c.errs != "" || c.status != 0 {
		t.Errorf("into a file: %d %q", c.status, c.errs)
	}
}
