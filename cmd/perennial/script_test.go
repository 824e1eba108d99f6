package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain makes commands of the test's own file:
//
//	perennial       with the clock of the scripts, and never at a terminal
//	perennial-real  as it is installed
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"perennial": scriptMain, "perennial-real": main})
}

func scriptMain() {
	e := &env{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, now: scriptNow, terminal: func(any) bool { return false }}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	code := run(ctx, e, os.Args[1:])
	stop()
	tellPeak(os.Getenv("PERENNIAL_PEAK"))
	os.Exit(code)
}

// tellPeak writes the most memory that this process has held, in kB, into a file.
// (What the system tells the parent may be the parent's own.)
func tellPeak(file string) {
	if file == "" {
		return
	}
	status, _ := os.ReadFile("/proc/self/status")
	for line := range strings.Lines(string(status)) {
		if kb, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			_ = os.WriteFile(file, []byte(strings.TrimSuffix(strings.TrimSpace(kb), " kB")), 0o600)
		}
	}
}

// scriptNow is the clock of the scripts; the environment may say that some days
// have passed.
func scriptNow() time.Time {
	days, _ := strconv.Atoi(os.Getenv("PERENNIAL_TEST_DAYS"))
	return time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC).AddDate(0, 0, days)
}

// The commands as a person uses them. Scripts have these commands of their own:
//
//	exits N cmd…     runs the command and wants this exit status
//	gzip FILE        compresses FILE to FILE.gz
//	cutfile FILE N   cuts the last N bytes off
//	big FILE         writes an NDJSON file with one resource of 17 MB and a good one
//	unroot           skips the rest where the tests run as root, whom rights do not stop
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{Dir: "testdata/script", Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
		"exits": cmdExits, "gzip": cmdGzip, "cutfile": cmdCut, "big": cmdBig,
	}, Condition: func(cond string) (bool, error) { return cond == "root" && os.Geteuid() == 0, nil }})
}

func cmdExits(ts *testscript.TestScript, _ bool, args []string) {
	want := args[0]
	err := ts.Exec(args[1], args[2:]...)
	got := "exit status 0"
	if err != nil {
		got = err.Error()
	}
	if got != "exit status "+want {
		ts.Fatalf("%s, want %s", got, want)
	}
}

func cmdGzip(ts *testscript.TestScript, _ bool, args []string) {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	_, err := w.Write([]byte(ts.ReadFile(args[0])))
	ts.Check(err)
	ts.Check(w.Close())
	ts.Check(os.WriteFile(ts.MkAbs(args[0]+".gz"), out.Bytes(), 0o600))
}

func cmdCut(ts *testscript.TestScript, _ bool, args []string) {
	body := ts.ReadFile(args[0])
	n := len(args[1]) * 10 // one sign stands for ten bytes
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(body[:len(body)-n]), 0o600))
}

func cmdBig(ts *testscript.TestScript, _ bool, args []string) {
	large := `{"resourceType":"DocumentReference","id":"large","status":"current","subject":{"reference":"Patient/p1"},"description":"` + strings.Repeat("x", 17<<20) + `"}`
	good := ts.ReadFile(args[1])
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(large+"\n"+good), 0o600))
}
