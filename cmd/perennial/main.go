// Command perennial keeps patients with vascular implants under imaging
// surveillance for life.
//
// A file per command: each is a function that builds a cobra command from the
// environment, and is registered in root.go. Commands only read flags and
// print; what they do is in the packages they call. Nothing here reads the
// clock, the standard streams or the process environment but through env, so
// that every command can be tested in the same process.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
	_ "time/tzdata" // zones also where the system has none
)

// env is what a command has of the world.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	now            func() time.Time
	// terminal says whether a stream is a terminal that a person looks at.
	terminal func(stream any) bool
	here     *house // set inside the daemon, for a command that was handed to it
	dir      string // of relative paths, where it is not the process's own
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, &env{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, now: time.Now, terminal: isTerminal}, os.Args[1:])
	stop()
	os.Exit(code)
}
