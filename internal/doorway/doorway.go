// Package doorway lets commands work on a store that a running daemon holds.
//
// # Design
//
// A store has one program that holds it. A command that finds it held does not
// wait and does not read beside it: it hands its command line to the daemon,
// which runs it on its own store and sends back what it prints. So every command
// works whether or not the daemon runs, and there is one writer.
//
// The door is a Unix socket beside the store, named like it with the ending
// .door. Only the user of the daemon (and root) may open it: whoever can could
// open the store itself, so it gives no right that was not there. It is no
// network service.
//
// # What travels
//
// One HTTP request over the socket. Its body is a line of JSON (Call) and then
// standard input, if the command reads it. The answer is lines of JSON, each a
// piece of standard output or error, the last one the exit status. An answer
// without an exit status means that the daemon ended meanwhile: what the command
// was to do may or may not have been done.
package doorway

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"perennial/internal/fault"
)

// Call is a command line to be run.
type Call struct {
	Args []string `json:"args"`
	Dir  string   `json:"dir"` // from which relative paths are counted
	// OutTerminal and ErrTerminal say whether a person looks at the streams.
	OutTerminal bool `json:"outTerminal,omitempty"`
	ErrTerminal bool `json:"errTerminal,omitempty"`

	Stdin          io.Reader `json:"-"` // nil: the command reads none
	Stdout, Stderr io.Writer `json:"-"`
}

// frame is a line of the answer.
type frame struct {
	Out  []byte `json:"out,omitempty"`
	Err  []byte `json:"err,omitempty"`
	Exit *int   `json:"exit,omitempty"`
}

// longest is the longest command line, in bytes of JSON.
const longest = 1 << 20

// PathOf is the door of a store.
func PathOf(store string) string { return store + ".door" }

// There says whether a store has a door: a daemon holds it, or one was killed.
func There(store string) bool {
	_, err := os.Stat(PathOf(store))
	return err == nil
}

// Open makes the door of a store that the caller holds: what an earlier daemon
// left there is replaced. The listener's Close takes the door away.
func Open(store string) (net.Listener, error) {
	path := PathOf(store)
	broken := func(err error) error {
		return fault.New(fault.Unavailable, "open the door for commands at "+path, "Commands cannot be used while the daemon runs until this is put right: check that the folder may be written to, and that its path has less than 100 letters.", err)
	}
	// Made in a folder that nobody else can enter and then moved, so that at no
	// moment others can open it.
	dir, err := os.MkdirTemp(filepath.Dir(path), ".door-")
	if err != nil {
		return nil, broken(err)
	}
	defer os.RemoveAll(dir)
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(dir, "d"), Net: "unix"})
	if err != nil {
		return nil, broken(err)
	}
	l.SetUnlinkOnClose(false)
	if err := errors.Join(os.Chmod(filepath.Join(dir, "d"), 0o600), os.Rename(filepath.Join(dir, "d"), path)); err != nil {
		return nil, broken(errors.Join(err, l.Close()))
	}
	return &door{l, path}, nil
}

// door takes its file away when it is closed.
type door struct {
	net.Listener
	path string
}

// Close closes the door and takes its file away.
func (d *door) Close() error {
	err := d.Listener.Close()
	if gone := os.Remove(d.path); gone != nil && !errors.Is(gone, os.ErrNotExist) && err == nil {
		err = gone
	}
	return err
}

// Serve runs the commands that come through the door until the context ends; run
// gives the exit status. It returns when those that run have ended.
func Serve(ctx context.Context, l net.Listener, run func(context.Context, Call) int) error {
	server := &http.Server{ReadHeaderTimeout: 10 * time.Second, ErrorLog: log.New(io.Discard, "", 0), BaseContext: func(net.Listener) context.Context { return ctx },
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { answer(w, r, run) })}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(l) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	// The commands see the end of the context, too.
	return server.Shutdown(context.WithoutCancel(ctx))
}

// answer runs one command.
func answer(w http.ResponseWriter, r *http.Request, run func(context.Context, Call) int) {
	control := http.NewResponseController(w)
	if err := control.EnableFullDuplex(); err != nil {
		http.Error(w, "not over this connection", http.StatusInternalServerError)
		return
	}
	in := bufio.NewReader(r.Body)
	line, err := readLine(in)
	var call Call
	if err != nil || json.Unmarshal(line, &call) != nil {
		http.Error(w, "no command line", http.StatusBadRequest)
		return
	}
	out := &frames{to: json.NewEncoder(w), flush: control.Flush}
	call.Stdin = in
	call.Stdout = &stream{func(p []byte) error { return out.send(frame{Out: p}) }}
	call.Stderr = &stream{func(p []byte) error { return out.send(frame{Err: p}) }}
	code := safely(r.Context(), call, run)
	_ = out.send(frame{Exit: &code}) // nobody is left to tell where this fails
}

// safely keeps a fault of the program in one command from going further than that.
func safely(ctx context.Context, call Call, run func(context.Context, Call) int) (code int) {
	defer func() {
		if p := recover(); p != nil {
			code = 1
			fmt.Fprintf(call.Stderr, "perennial: a fault of the program broke the command off (%T)\nLook whether it was carried out, and tell whoever looks after this program.\n", p)
		}
	}()
	return run(ctx, call)
}

func readLine(in *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case len(line) > longest:
			return nil, errors.New("the command line is too long")
		case err == nil:
			return line, nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return nil, err
		}
	}
}

// frames sends one line at a time.
type frames struct {
	mu    sync.Mutex
	to    *json.Encoder
	flush func() error
}

func (f *frames) send(one frame) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.to.Encode(one); err != nil {
		return err
	}
	return f.flush()
}

// stream is standard output or error made of frames.
type stream struct{ send func(p []byte) error }

// Write sends a piece.
func (s *stream) Write(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := s.send(p); err != nil {
		return 0, err
	}
	return len(p), nil
}
