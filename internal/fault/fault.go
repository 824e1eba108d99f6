// Package fault names the kinds of failure that callers act on.
//
// An error made here says three things: what was being done (Op), what kind of
// failure it is (Kind) and what the reader can do next (Hint). It wraps its
// cause, so errors.Is and errors.As go on working. The edges translate a Kind
// once: a command to its exit code, a page to its status, the outbox to "try
// again" or "give up".
//
// The text of an error never holds the hint: whoever shows an error to a person
// prints Error() and, on a line of its own, HintOf(err). So a hint is shown once
// however often the error was wrapped.
//
// No name, identifier or date of a patient belongs into Op or Hint.
package fault

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"
)

// Kind is a kind of failure. The zero Kind is None: no failure.
type Kind uint8

// The kinds.
const (
	None        Kind = iota // no failure
	Internal                // a defect of this program, or anything not classified
	Invalid                 // bad input or settings: the sender must change something
	NotFound                // the thing asked for does not exist
	Conflict                // the thing exists already, or is of another version than expected
	Locked                  // the store is in use by another process
	Damaged                 // stored data is not what was written
	Foreign                 // a file or store that is not ours, or of another site
	Empty                   // never initialised
	Full                    // no room left: disk, quota or the set limit
	Unavailable             // network or peer: the same call may succeed later
	Denied                  // the system or a peer does not allow it
	Canceled                // the caller gave up: cancelled or out of time
)

// String gives the kind as one or two plain words.
func (k Kind) String() string {
	names := [...]string{"no failure", "internal failure", "invalid", "not found", "conflict",
		"in use", "damaged", "foreign", "not initialised", "disk full", "unavailable",
		"not allowed", "cancelled"}
	if int(k) >= len(names) {
		return fmt.Sprintf("kind %d", uint8(k))
	}
	return names[k]
}

// Error is a classified failure. Make one with New or Wrap.
type Error struct {
	Kind  Kind   // what callers act on
	Op    string // what was being done, e.g. "open store /var/lib/perennial/store.db"
	Hint  string // what to do next, a whole sentence; may be empty
	Cause error  // may be nil
}

// New returns an error of this kind. hint and cause may be empty.
func New(kind Kind, op, hint string, cause error) error {
	return &Error{Kind: kind, Op: op, Hint: hint, Cause: cause}
}

// Wrap adds what was being done to an error and keeps its kind and hint.
// Wrap of nil is nil.
func Wrap(op string, err error) error {
	if err == nil {
		return nil
	}
	return &Error{Kind: KindOf(err), Op: op, Cause: err}
}

// Error is the operation and its cause, or its kind where there is no cause.
// It never holds a hint.
func (e *Error) Error() string {
	what := e.Kind.String()
	if e.Cause != nil {
		what = e.Cause.Error()
	}
	if e.Op == "" {
		return what
	}
	return e.Op + ": " + what
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// KindOf returns the kind of the outermost classified error in err's chain.
// Of the errors of the standard library it knows cancellation and deadlines of
// contexts, missing and existing files, refused rights and a full disk; the
// rest is Internal. KindOf(nil) is None.
func KindOf(err error) Kind {
	if err == nil {
		return None
	}
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return systemKind(err)
}

// systemKind classifies errors that did not come from this package.
func systemKind(err error) Kind {
	is := func(target error) bool { return errors.Is(err, target) }
	switch {
	case is(context.Canceled), is(context.DeadlineExceeded):
		return Canceled
	case is(syscall.ENOSPC), is(syscall.EDQUOT):
		return Full
	case is(fs.ErrNotExist):
		return NotFound
	case is(fs.ErrExist):
		return Conflict
	case is(fs.ErrPermission), is(syscall.EROFS):
		return Denied
	}
	return Internal
}

// HintOf returns the outermost hint in err's chain, or "".
func HintOf(err error) string {
	for err != nil {
		e, ok := errors.AsType[*Error](err)
		if !ok {
			return ""
		}
		if e.Hint != "" {
			return e.Hint
		}
		err = e.Cause
	}
	return ""
}
