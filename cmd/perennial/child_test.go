package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// child is one run of a command in a process of its own.
type child struct {
	t          *testing.T
	dir        string
	stdin      io.Reader
	env        []string
	prepare    func(*exec.Cmd)
	out, errs  string
	status     int
	executable string // empty: perennial
}

func newChild(t *testing.T) *child { return &child{t: t, dir: t.TempDir()} }

// file writes a file into the folder of the child.
func (c *child) file(name, text string) {
	c.t.Helper()
	if err := os.WriteFile(filepath.Join(c.dir, name), []byte(text), 0o644); err != nil {
		c.t.Fatal(err)
	}
}

// run runs perennial to its end.
func (c *child) run(args ...string) {
	c.t.Helper()
	var out, errs bytes.Buffer
	cmd := c.command(args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = c.stdin, &out, &errs
	if c.prepare != nil {
		c.prepare(cmd)
	}
	err := cmd.Run()
	if cmd.ProcessState == nil {
		c.t.Fatal(err)
	}
	c.out, c.errs, c.status = out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func (c *child) command(args ...string) *exec.Cmd {
	name := c.executable
	if name == "" {
		name = "perennial"
	}
	cmd := exec.CommandContext(c.t.Context(), name, args...)
	cmd.Dir, cmd.Env = c.dir, append(os.Environ(), c.env...)
	return cmd
}

// good runs perennial, which must succeed without a complaint.
func (c *child) good(args ...string) {
	c.t.Helper()
	c.run(args...)
	c.want(0, "")
}

// want checks the exit status and the whole text on stderr; DIR in it stands for
// the folder.
func (c *child) want(status int, errs string) {
	c.t.Helper()
	errs = strings.ReplaceAll(errs, "DIR", c.dir)
	if c.status != status || c.errs != errs {
		c.t.Errorf("exit status %d, want %d\n--- it says\n%s--- want\n%s", c.status, status, c.errs, errs)
	}
}

const goodProcedure = `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/p1"},"performedDateTime":"2024-01-31"}` + "\n"

// manyProcedures are n patients with an implant each.
func manyProcedures(n int) string {
	var b strings.Builder
	for i := range n {
		id := string(rune('a'+i%26)) + strings.Repeat("z", i/26)
		b.WriteString(strings.NewReplacer(`"x"`, `"x`+id+`"`, "p1", "p"+id).Replace(goodProcedure))
	}
	return b.String()
}
