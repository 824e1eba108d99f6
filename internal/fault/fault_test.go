package fault_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"perennial/internal/fault"
)

func TestKindOf(t *testing.T) {
	t.Parallel()
	_, missing := os.Open(filepath.Join(t.TempDir(), "missing"))
	for name, c := range map[string]struct {
		err  error
		want fault.Kind
	}{
		"nil":               {nil, fault.None},
		"plain":             {errors.New("x"), fault.Internal},
		"new":               {fault.New(fault.Locked, "open", "", nil), fault.Locked},
		"fmt wrapped":       {fmt.Errorf("a: %w", fault.New(fault.Locked, "open", "", nil)), fault.Locked},
		"outermost wins":    {fault.New(fault.Empty, "start", "", fault.New(fault.NotFound, "open", "", nil)), fault.Empty},
		"joined":            {errors.Join(errors.New("x"), fault.New(fault.Denied, "open", "", nil)), fault.Denied},
		"wrap keeps kind":   {fault.Wrap("start", fault.New(fault.Foreign, "open", "", nil)), fault.Foreign},
		"wrap of nil":       {fault.Wrap("start", nil), fault.None},
		"missing file":      {fault.Wrap("read", missing), fault.NotFound},
		"full disk":         {fault.Wrap("write", &fs.PathError{Op: "write", Path: "f", Err: syscall.ENOSPC}), fault.Full},
		"quota":             {syscall.EDQUOT, fault.Full},
		"rights":            {&fs.PathError{Op: "open", Path: "f", Err: syscall.EACCES}, fault.Denied},
		"read-only disk":    {syscall.EROFS, fault.Denied},
		"exists":            {&fs.PathError{Op: "open", Path: "f", Err: syscall.EEXIST}, fault.Conflict},
		"cancelled":         {context.Canceled, fault.Canceled},
		"deadline, wrapped": {fmt.Errorf("a: %w", context.DeadlineExceeded), fault.Canceled},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := fault.KindOf(c.err); got != c.want {
				t.Errorf("KindOf(%v) = %v, want %v", c.err, got, c.want)
			}
		})
	}
}

func TestTextAndHint(t *testing.T) {
	t.Parallel()
	inner := fault.New(fault.Empty, "open store a.db", "Run init first.", errors.New("no such file"))
	outer := fault.Wrap("start", fmt.Errorf("memory: %w", inner))
	if got, want := outer.Error(), "start: memory: open store a.db: no such file"; got != want {
		t.Errorf("Error() = %q, want %q", got, want)
	}
	if got := fault.HintOf(outer); got != "Run init first." {
		t.Errorf("HintOf = %q", got)
	}
	if strings.Contains(outer.Error(), "init") {
		t.Error("the hint is in the text")
	}
	better := fault.New(fault.Empty, "start", "Another hint.", inner)
	if got := fault.HintOf(better); got != "Another hint." {
		t.Errorf("outermost hint not taken: %q", got)
	}
	for _, err := range []error{nil, errors.New("x"), fault.New(fault.Full, "write", "", nil)} {
		if got := fault.HintOf(err); got != "" {
			t.Errorf("HintOf(%v) = %q, want none", err, got)
		}
	}
	if got, want := fault.New(fault.Full, "write a.db", "", nil).Error(), "write a.db: disk full"; got != want {
		t.Errorf("Error() = %q, want %q", got, want)
	}
	if got := fault.New(fault.Full, "", "", nil).Error(); got != "disk full" {
		t.Errorf("Error() = %q", got)
	}
	cause := errors.New("cause")
	if !errors.Is(fault.New(fault.Full, "x", "", cause), cause) {
		t.Error("cause lost")
	}
}

func TestEveryKindHasItsOwnName(t *testing.T) {
	t.Parallel()
	seen := map[string]fault.Kind{}
	for k := fault.None; k <= fault.Canceled; k++ {
		name := k.String()
		if name == "" || strings.HasPrefix(name, "kind ") {
			t.Errorf("kind %d has no name", uint8(k))
		}
		if other, dup := seen[name]; dup {
			t.Errorf("%q names kinds %d and %d", name, uint8(other), uint8(k))
		}
		seen[name] = k
	}
	if got := (fault.Canceled + 1).String(); !strings.HasPrefix(got, "kind ") {
		t.Errorf("a kind without a name prints %q", got)
	}
}
