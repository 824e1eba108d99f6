package fhirtask

import (
	"context"
	"slices"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/outbox"
)

// Words for ServerOptions.Create.
const (
	Auto        = "auto"        // as the server's CapabilityStatement says
	Conditional = "conditional" // on condition that the Task is not there
	Plain       = "plain"       // after a search
	None        = "none"        // the server takes no Tasks: they wait
)

// way is how the server is written to.
type way struct {
	plain  bool // Tasks are made without a condition
	unsaid bool // the server does not say what it bears
	batch  bool // it takes batches
	shut   *outbox.Closed
}

// How long what a server says of itself holds; and how long that it could not be asked.
const (
	sayHolds    = time.Hour
	silentHolds = 10 * time.Minute
)

// way is how the server is written to now. The error is an outbox.Closed where it takes no Tasks.
func (s *Server) way(ctx context.Context) (way, error) {
	if s.o.Create == None {
		return way{}, &outbox.Closed{Why: "The settings say that the server takes no Tasks (out.rest.create: none).", Meant: true}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := s.o.Now(); !now.Before(s.until) {
		can, err := s.o.Client.Capability(ctx)
		if fault.KindOf(err) == fault.Canceled {
			return way{}, err
		}
		s.known, s.until = s.chosen(can), now.Add(sayHolds)
		if err != nil {
			s.until = now.Add(silentHolds)
		}
	}
	if s.known.shut != nil {
		return way{}, s.known.shut
	}
	return s.known, nil
}

// chosen is the way that follows from what the server says and from the settings. Where the server says nothing of
// Tasks (no statement, none that lists a type, no interaction), it is tried.
func (s *Server) chosen(can fhir.Capability) way {
	task, listed := can.Types["Task"]
	w := way{batch: s.o.Batch && slices.Contains(can.System, "batch")}
	w.unsaid = len(can.Types) == 0 || listed && len(task.Interactions) == 0
	switch {
	case s.o.Create == Plain:
		w.plain = true
	case s.o.Create == Conditional:
	case w.unsaid: // a server that does not know a condition passes it over
	case !can.Can("Task", "create") || !can.Can("Task", "update"):
		w.shut = takesNone("The server's CapabilityStatement does not offer to create and update Tasks.")
	default:
		w.plain = !task.ConditionalCreate
	}
	return w
}

// takesNone says that the server takes no Tasks.
func takesNone(why string) *outbox.Closed {
	return &outbox.Closed{Why: why, Hint: "Ask the server's administrator whether it can take Tasks. If it can though it says otherwise, set out.rest.create; else rely on the digest and the pages."}
}

// noBatches notes that the server does not take batches, whatever it says.
func (s *Server) noBatches() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.known.batch = false
}
