package daemon

import (
	"context"
	"errors"
	"iter"
	"testing"
	"time"

	"perennial/internal/source"
)

// part is a source that can be looked at wholly, too.
type part string

func (p part) Name() string { return "s" }

func (p part) Fetch(context.Context, string) iter.Seq2[source.Batch, error] { return nil }

func (p part) Whole() source.Source { return part("whole") }

// A look at everything that is owed stays owed until it has gone well, is made at most once an hour, and by whichever
// look comes next.
func TestWholeIsOwed(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	turns := newTurns()
	turns.now = func() time.Time { return at }
	look := func(want part, err error) {
		t.Helper()
		s, done := turns.take(part("changes"))
		if done(err); s != want {
			t.Errorf("%v: looked at %v, want %v", at, s, want)
		}
	}
	broken := errors.New("the server is away")
	look("changes", nil)
	turns.owe("s")
	look("whole", broken)
	look("changes", nil) // within the hour
	at = at.Add(time.Hour)
	look("whole", nil)
	at = at.Add(time.Hour)
	look("changes", nil)
	turns.owe("other")
	look("changes", nil)
}
