// Package mailrig runs a mail server for tests as a hospital has one: Postfix
// takes messages for submission, Dovecot checks the login and keeps the
// mailboxes. Both are of other hands than the client under test.
//
// Start makes a private instance: settings, queue, mailboxes, sockets and logs
// stand in a folder of its own, ports are high ones of 127.0.0.1, and all of it
// ends with the test, also where the test is killed. Nothing reaches another
// computer, and the system's own Postfix is not touched.
//
// It needs root, Postfix and Dovecot 2.3 (Debian: postfix dovecot-core
// dovecot-imapd dovecot-lmtpd). Where they are missing the test is skipped and
// says why.
package mailrig

import (
	"crypto/x509"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Domain is that of all mailboxes.
const Domain = "example.org"

// Sender is the one address that User may send from.
const Sender = "surveillance@" + Domain

// SizeLimit is how many bytes a message may have.
const SizeLimit = 400_000

// patience is how long a server may take to start or to deliver.
const patience = 20 * time.Second

// Rig is a running mail server.
type Rig struct {
	Host      string
	Port      int            // submission: STARTTLS, then a login by PLAIN or LOGIN
	Logins    map[string]int // the same with one way to log in each: "PLAIN", "LOGIN", "CRAM-MD5", "SCRAM-SHA-1", "SCRAM-SHA-256"
	ClearPort int            // the same without STARTTLS
	Roots     *x509.CertPool // the authority of its certificate
	RootsFile string         // the same as PEM
	User      string
	Password  string

	dir       string
	uid, gid  int // of the mailboxes
	imap      int // port
	mailboxes []string
	master    string // Postfix's program that runs all others
	postfix   *process
	dovecot   *process
}

// Start runs a mail server with a mailbox for each of these addresses, which
// are of Domain; to all others of it the server says that there is no such
// mailbox. It is stopped when the test ends.
func Start(t testing.TB, addresses ...string) *Rig {
	t.Helper()
	need(t)
	r := &Rig{Host: "127.0.0.1", User: "perennial", Password: "open sesame", mailboxes: addresses}
	r.folders(t)
	r.certificate(t)
	r.ports(t)
	r.configure(t)
	t.Cleanup(func() { r.end(t) })
	r.dovecot = r.run(t, program("dovecot"), "-F", "-c", r.path("dovecot.conf"))
	r.queue(t)
	r.Up(t)
	await(t, "Dovecot", r.dovecotAnswers)
	return r
}

// Mailbox is what lies in the mailbox of an address, oldest first, read by
// IMAP. It waits until the server has nothing left to deliver.
func (r *Rig) Mailbox(t testing.TB, address string) []string {
	t.Helper()
	await(t, "the delivery", r.delivered)
	list, err := r.fetch(address)
	if err != nil {
		t.Fatalf("the mailbox cannot be read: %v", err)
	}
	return list
}

// Answer lets the server answer these words to messages for an address, such as
// "450 4.2.0 try again"; without words it takes them again.
func (r *Rig) Answer(t testing.TB, address, words string) {
	t.Helper()
	file := r.path("postfix", "answers")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := slices.DeleteFunc(strings.SplitAfter(string(text), "\n"), func(l string) bool { return strings.HasPrefix(l, address+" ") })
	if words != "" {
		lines = append(lines, address+" "+words+"\n")
	}
	r.write(t, strings.Join(lines, ""), "postfix", "answers.new")
	if err := os.Rename(file+".new", file); err != nil {
		t.Fatal(err)
	}
}

// Down stops Postfix: nobody listens at its ports any more.
func (r *Rig) Down(t testing.TB) {
	t.Helper()
	if err := r.postfix.stop(); err != nil {
		t.Fatalf("Postfix does not stop: %v", err)
	}
	await(t, "the end of Postfix", r.closed)
}

// closed is nil when nobody listens: Postfix's programs end a moment after the
// one that runs them.
func (r *Rig) closed() error {
	for _, port := range append(slices.Collect(maps.Values(r.Logins)), r.Port, r.ClearPort) {
		if conn, err := dial(port); err == nil {
			_ = conn.Close()
			return fmt.Errorf("port %d is open", port)
		}
	}
	return nil
}

// Up starts Postfix, the first time or again.
func (r *Rig) Up(t testing.TB) {
	t.Helper()
	r.postfix = r.run(t, r.master, "-c", r.path("postfix"), "-s") // "postfix start" would leave it to itself
	await(t, "Postfix", func() error { return greets(r.Port, "220 ") })
}

// end stops all and shows the servers' logs where the test has failed.
func (r *Rig) end(t testing.TB) {
	for _, p := range []*process{r.postfix, r.dovecot} {
		if err := p.stop(); err != nil {
			t.Errorf("a server does not stop: %v", err)
		}
	}
	if t.Failed() {
		for _, name := range []string{"master.out", "mail.log", "dovecot.out", "dovecot.log"} {
			text, _ := os.ReadFile(r.path(name))
			lines := strings.SplitAfter(string(text), "\n")
			t.Logf("%s:\n%s", name, strings.Join(lines[max(0, len(lines)-60):], ""))
		}
	}
	await(t, "the end of the folder", func() error { return os.RemoveAll(r.dir) })
}

// need skips the test where it cannot be run.
func need(t testing.TB) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("only root can start Postfix")
	}
	for _, name := range []string{"postfix", "dovecot"} {
		if _, err := exec.LookPath(program(name)); err != nil {
			t.Skipf("%s is not installed", name)
		}
	}
	version, err := exec.Command(program("dovecot"), "--version").Output()
	if err != nil || !strings.HasPrefix(string(version), "2.3.") {
		t.Skipf("these settings are for Dovecot 2.3, not %s", version)
	}
}

// program is where a server's program is; /usr/sbin need not be in the path.
func program(name string) string {
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	return "/usr/sbin/" + name
}

func (r *Rig) path(parts ...string) string {
	return filepath.Join(append([]string{r.dir}, parts...)...)
}

// delivered is nil when the queue is empty. The folders are looked at in the
// order in which a message goes through them.
func (r *Rig) delivered() error {
	n := 0
	for _, name := range []string{"maildrop", "incoming", "active", "deferred"} {
		err := filepath.WalkDir(r.path("queue", name), func(_ string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				n++
			}
			return nil // what was there a moment ago has gone on
		})
		if err != nil {
			return err
		}
	}
	if n > 0 {
		return fmt.Errorf("%d messages wait", n)
	}
	return nil
}

// await asks until there is no error.
func await(t testing.TB, what string, ready func() error) {
	t.Helper()
	var err error
	for begun := time.Now(); time.Since(begun) < patience; time.Sleep(10 * time.Millisecond) {
		if err = ready(); err == nil {
			return
		}
	}
	t.Fatalf("%s: not within %v: %v", what, patience, err)
}

// process is a server that runs for as long as the test does.
type process struct {
	cmd  *exec.Cmd
	life io.Closer
	out  *os.File
}

// run starts a server below a shell, which ends it when its own input ends:
// that is when the test says so, or dies. What the server leaves behind in its
// process group, as Postfix does its log writer, ends too.
func (r *Rig) run(t testing.TB, server string, args ...string) *process {
	t.Helper()
	out, err := os.OpenFile(r.path(filepath.Base(server)+".out"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	const script = `"$@" </dev/null & p=$!; cat >/dev/null; kill $p; wait $p; kill -9 -$p 2>/dev/null`
	cmd := exec.Command("/bin/sh", append([]string{"-c", script, "sh", server}, args...)...)
	cmd.Stdout, cmd.Stderr = out, out
	life, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return &process{cmd: cmd, life: life, out: out}
}

// stop ends the server and waits for it; a second time it does nothing.
func (p *process) stop() error {
	if p == nil || p.cmd.ProcessState != nil {
		return nil
	}
	defer p.out.Close()
	kill := time.AfterFunc(patience, func() { _ = p.cmd.Process.Kill() })
	defer kill.Stop()
	if err := p.life.Close(); err != nil {
		return err
	}
	_ = p.cmd.Wait() // the code tells only of the signal
	if !kill.Stop() {
		return fmt.Errorf("not within %v", patience)
	}
	return nil
}
