package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"perennial/internal/assess"
	"perennial/internal/fault"
)

// eachInput reads every file of the paths, one after the other, with a bar where
// a person watches. What cannot be read is told on stderr and counted, and the
// rest goes on. An error that read has of its own ends it.
func eachInput(e *env, what string, paths []string, read func(e *env, name string, in io.Reader) error) (unread int, err error) {
	inputs, failed := assess.Find(paths)
	e, show, done := showProgress(e, what, "")
	defer done()
	fail := func(err error) {
		unread++
		tell(e.stderr, err)
	}
	for _, err := range failed {
		fail(err)
	}
	var before, all int64
	for i := range inputs {
		all += inputs[i].Size
	}
	for i := range inputs {
		in := &inputs[i]
		f, err := openInput(e, in.Path)
		if err != nil {
			fail(assess.CannotRead(in.Path, err))
			continue
		}
		m := &meter{r: f, tell: func(n int64) { show(before+n, all) }}
		err = read(e, in.Name(), m)
		_ = f.Close()
		switch {
		case m.err != nil:
			fail(assess.CannotRead(in.Path, m.err))
		case err != nil:
			return unread, err
		}
		before += m.n
	}
	return unread, nil
}

// openInput opens a file, or standard input.
func openInput(e *env, name string) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(e.stdin), nil
	}
	return os.Open(name)
}

// meter tells how much was read, and remembers why no more can be.
type meter struct {
	r    io.Reader
	n    int64
	err  error
	tell func(n int64)
}

// Read reads on.
func (m *meter) Read(p []byte) (int, error) {
	n, err := m.r.Read(p)
	if err != nil && err != io.EOF {
		m.err = err
	}
	m.n += int64(n)
	m.tell(m.n)
	return n, err
}

// writeRefusal says which resource cannot be used, and why, on one line.
func writeRefusal(out io.Writer, file string, line int, ref, why string) {
	if ref != "" {
		ref += ": "
	}
	fmt.Fprintf(out, "%s:%d: %s%s\n", printable(file), line, printable(ref), printable(why))
}

// printable takes out of a text from outside what would break a line or a
// terminal.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 {
			return '?'
		}
		return r
	}, text)
}

// advice is what is wrong and what to do about it.
func advice(what, fix string) string {
	if fix == "" {
		return what
	}
	return what + "; " + fix
}

// hintRefused is what to do about resources that cannot be used.
const hintRefused = "Send the lines above to whoever made the files, and run the same command again with the corrected ones."

// howItWent gives the exit status after reading: the details were told already.
func howItWent(unread, refused int, done string) error {
	switch {
	case unread > 0:
		return &exitCode{exitError, fault.New(fault.NotFound, "", "Put right what is named above, then run the same command again.",
			fmt.Errorf("%s could not be read; the rest was %s", counted(unread, "file or folder", "files or folders"), done))}
	case refused > 0:
		return &exitCode{exitRefused, fault.New(fault.Invalid, "", hintRefused,
			fmt.Errorf("%s cannot be used; the rest was %s", counted(refused, "resource or part of a file", "resources or parts of files"), done))}
	}
	return nil
}

// counted is "1 file" or "2 files".
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
