package doorway_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/internal/doorway"
	"perennial/internal/fault"
)

// rig is a door behind which run answers.
func rig(t *testing.T, run func(context.Context, doorway.Call) int) (store string, stop func()) {
	t.Helper()
	dir, err := os.MkdirTemp("", "door") // the path of a socket must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	store = filepath.Join(dir, "s.db")
	l, err := doorway.Open(store)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- doorway.Serve(ctx, l, run) }()
	return store, sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the door: %v", err)
		}
		if err := l.Close(); err != nil && !strings.Contains(err.Error(), net.ErrClosed.Error()) {
			t.Errorf("closing: %v", err)
		}
	})
}

// What a command is given arrives, and so does what it prints, in order, with its
// exit status; many at once do not mix.
func TestRun(t *testing.T) {
	t.Parallel()
	store, stop := rig(t, func(_ context.Context, c doorway.Call) int {
		in, err := io.ReadAll(c.Stdin)
		fmt.Fprintf(c.Stdout, "%q in %s %v %v\n", c.Args, c.Dir, c.OutTerminal, c.ErrTerminal)
		fmt.Fprintf(c.Stderr, "%d bytes %v\n", len(in), err)
		fmt.Fprint(c.Stdout, string(bytes.ToUpper(in)))
		return len(c.Args)
	})
	defer stop()
	var wait sync.WaitGroup
	for i := range 20 {
		wait.Go(func() {
			var out, errs bytes.Buffer
			text := strings.Repeat(fmt.Sprintf("line %d\n", i), 10000*(i%3))
			code, err := doorway.Run(t.Context(), store, doorway.Call{Args: make([]string, i), Dir: "/x", ErrTerminal: true, Stdin: strings.NewReader(text), Stdout: &out, Stderr: &errs})
			if err != nil || code != i {
				t.Errorf("%d: exit status %d, %v", i, code, err)
			}
			first, rest, _ := strings.Cut(out.String(), "\n")
			if want := fmt.Sprintf("%q in /x false true", make([]string, i)); first != want || rest != strings.ToUpper(text) || errs.String() != fmt.Sprintf("%d bytes <nil>\n", len(text)) {
				t.Errorf("%d: %.200q, %.200q", i, out.String(), errs.String())
			}
		})
	}
	wait.Wait()
}

// The door is the owner's only, is gone after the end, and one that a killed
// daemon left behind is replaced.
func TestDoor(t *testing.T) {
	t.Parallel()
	store, stop := rig(t, func(context.Context, doorway.Call) int { return 0 })
	info, err := os.Stat(doorway.PathOf(store))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	stop()
	if _, err := os.Stat(doorway.PathOf(store)); !os.IsNotExist(err) {
		t.Errorf("the door is still there: %v", err)
	}
	if _, err := doorway.Run(t.Context(), store, doorway.Call{Stdout: io.Discard, Stderr: io.Discard}); fault.KindOf(err) != fault.NotFound {
		t.Errorf("nobody is there: %v", err)
	}
	if err := os.WriteFile(doorway.PathOf(store), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := doorway.Open(store)
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if left, err := os.ReadDir(filepath.Dir(store)); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// A command whose caller goes away sees the end of its context; so do all when
// the daemon is stopped, and the caller then hears that it may not be done.
func TestEnds(t *testing.T) {
	t.Parallel()
	ended := make(chan struct{}, 2)
	began := make(chan struct{}, 2)
	store, stop := rig(t, func(ctx context.Context, c doorway.Call) int {
		began <- struct{}{}
		select {
		case <-ctx.Done():
			ended <- struct{}{}
		case <-time.After(20 * time.Second):
		}
		return 7
	})
	ctx, leave := context.WithCancel(t.Context())
	go func() { <-began; leave() }()
	if _, err := doorway.Run(ctx, store, doorway.Call{Stdout: io.Discard, Stderr: io.Discard}); err == nil {
		t.Error("a caller that left was answered")
	}
	<-ended
	go func() { <-began; stop() }()
	if code, err := doorway.Run(t.Context(), store, doorway.Call{Stdout: io.Discard, Stderr: io.Discard}); err == nil && code != 7 {
		t.Errorf("%d %v", code, err)
	}
	<-ended
	stop()
}

// What is no call is refused, and the door stays open.
func TestNonsense(t *testing.T) {
	t.Parallel()
	store, stop := rig(t, func(context.Context, doorway.Call) int { return 3 })
	defer stop()
	for _, text := range []string{"", "nonsense", "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\n\r\n{]\n\n", "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n"} {
		conn, err := net.Dial("unix", doorway.PathOf(store))
		if err != nil {
			t.Fatal(err)
		}
		_, _ = io.WriteString(conn, text)
		conn.Close()
	}
	if code, err := doorway.Run(t.Context(), store, doorway.Call{Stdout: io.Discard, Stderr: io.Discard}); code != 3 || err != nil {
		t.Errorf("%d %v", code, err)
	}
}

// A fault of the program in one command ends that command only.
func TestFault(t *testing.T) {
	t.Parallel()
	store, stop := rig(t, func(_ context.Context, c doorway.Call) int {
		if len(c.Args) > 0 {
			panic("Testa Quay")
		}
		return 0
	})
	defer stop()
	var errs bytes.Buffer
	code, err := doorway.Run(t.Context(), store, doorway.Call{Args: []string{"x"}, Stdout: io.Discard, Stderr: &errs})
	if code != 1 || err != nil || !strings.Contains(errs.String(), "broke the command off") || strings.Contains(errs.String(), "Testa") {
		t.Errorf("%d %v %s", code, err, &errs)
	}
	if code, err := doorway.Run(t.Context(), store, doorway.Call{Stdout: io.Discard, Stderr: io.Discard}); code != 0 || err != nil {
		t.Errorf("the next: %d %v", code, err)
	}
}
