package fhirtask_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/outbox"
	"perennial/internal/testkit/fakefhir"
)

// invented starts the fake server, and a carrier to it.
func invented(t *testing.T, o fhirtask.ServerOptions) (*fakefhir.Server, *fhirtask.Server) {
	t.Helper()
	fake := fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})
	c, err := fhirhttp.New(fhirhttp.Options{Base: fake.Base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	o.Client, o.Site = c, site
	return fake, fhirtask.NewServer(o)
}

// Q50, Q51: how Tasks are made follows from what the server says of itself and from the settings. A condition is used
// only where it is offered, or nothing is said. A right that is missing (403) is not a server without Tasks.
func TestWay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		fault, create string
		want          string // shut, condition, plain, later
	}{
		{"", "", "condition"},
		{"", fhirtask.Plain, "plain"},
		{"", fhirtask.None, "shut"},
		{"says-no-condition", "", "plain"},
		{"says-no-condition", fhirtask.Conditional, "condition"},
		{"says-no-create", fhirtask.Auto, "shut"},
		{"says-no-task", fhirtask.Auto, "shut"},
		{"says-no-create", fhirtask.Plain, "plain"},
		{"no-metadata", "", "condition"},
		{"metadata-empty", "", "condition"},
		{"create-405", "", "shut"},
		{"create-501", "", "shut"},
		{"create-403", "", "later"},
		{"create-401", "", "later"},
		{"create-404", "", "later"},
		{"create-500", "", "later"},
	} {
		t.Run(strings.TrimSpace(c.fault+" "+c.create), func(t *testing.T) {
			t.Parallel()
			fake, s := invented(t, fhirtask.ServerOptions{Create: c.create})
			if c.fault != "" {
				fake.BreakAlways(c.fault)
			}
			_, err := s.Carry(t.Context(), wrap(t, item()))
			shut, isShut := errors.AsType[*outbox.Closed](err)
			asked := strings.Join(fake.Asked(), "\n")
			got := "plain"
			switch {
			case isShut:
				got = "shut"
			case fault.KindOf(err) == fault.Unavailable:
				got = "later"
			case strings.Contains(asked, "POST Task on condition"):
				got = "condition"
			}
			if got != c.want || isShut && ((shut.Hint == "") != (c.create == fhirtask.None) || shut.Meant != (c.create == fhirtask.None) || fault.KindOf(err) != fault.Unavailable) || c.create == fhirtask.None && asked != "" {
				t.Errorf("%s: %v\n%s", got, err, asked)
			}
		})
	}
}

// What the server says of itself is asked for once an hour at most, and a server that learns to take Tasks gets them.
func TestWayIsAskedAgain(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	fake, s := invented(t, fhirtask.ServerOptions{Now: func() time.Time { return now }})
	fake.BreakAlways("says-no-create")
	try := func() (string, int) {
		receipt, _ := s.Carry(t.Context(), wrap(t, item()))
		return receipt, len(slices.DeleteFunc(fake.Asked(), func(q string) bool { return q != "GET metadata" }))
	}
	for i, want := range []int{1, 0, 0} {
		if receipt, asked := try(); receipt != "" || asked != want {
			t.Errorf("%d: %q, asked %d times", i, receipt, asked)
		}
	}
	fake.Heal()
	now = now.Add(time.Hour)
	if receipt, asked := try(); receipt != "Task/new-1 created" || asked != 1 {
		t.Errorf("%q, asked %d times", receipt, asked)
	}
	if receipt, asked := try(); receipt != "Task/new-1 unchanged" || asked != 0 {
		t.Errorf("%q, asked %d times", receipt, asked)
	}
}

// Q55: a Task that a person removed is made again only once its item was closed and is needed anew, whether the removal
// was noticed before that or not.
func TestRemovedTaskIsMadeAgain(t *testing.T) {
	t.Parallel()
	for _, noticed := range []bool{true, false} {
		receipt := ""
		fake, s := invented(t, fhirtask.ServerOptions{Last: func(string) string { return receipt }})
		step := func(turn int, state, want string) {
			t.Helper()
			n := item()
			if state == "completed" {
				n = done()
			}
			n.Turn = turn
			var err error
			if receipt, err = s.Carry(t.Context(), wrap(t, n)); err != nil || receipt != want {
				t.Errorf("%q %v, want %q", receipt, err, want)
			}
		}
		step(1, "open", "Task/new-1 created [1]")
		fake.Delete("Task", "new-1")
		removed := "Task/new-1 was removed on the server and is not made again"
		if noticed {
			step(1, "open", removed+" [1]")
			step(2, "completed", removed+" [2]")
			step(2, "completed", removed+" [2]")
		}
		step(3, "open", "Task/new-2 created [3]")
		step(3, "open", "Task/new-2 unchanged [3]")
		if n := len(fake.Truth()); n != 1 {
			t.Errorf("%d Tasks", n)
		}
	}
}

// Receipts of earlier versions of the program do not say the turn: what was removed then stays removed.
func TestRemovedByAnOlderReceipt(t *testing.T) {
	t.Parallel()
	fake, s := invented(t, fhirtask.ServerOptions{Last: func(string) string { return "Task/7 updated" }})
	n := item()
	n.Turn = 3
	if receipt, err := s.Carry(t.Context(), wrap(t, n)); err != nil || receipt != fmt.Sprintf("Task/7 %s and is not made again [3]", outbox.Removed) || len(fake.Truth()) != 0 {
		t.Errorf("%q %v", receipt, err)
	}
}
