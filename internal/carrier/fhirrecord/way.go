package fhirrecord

import (
	"context"
	"net/http"
	"sync"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/outbox"
)

// ways are what the server says of the types; it is asked again now and then.
type ways struct {
	mu    sync.Mutex
	known map[string]way
	shut  *outbox.Closed
	until time.Time
}

// way is how resources of a type are made.
type way struct {
	plain  bool // without a condition
	unsaid bool // the server does not say what it bears
}

// How long what a server says of itself holds; and how long that it could not be asked.
const (
	sayHolds    = time.Hour
	silentHolds = 10 * time.Minute
)

// now gives the ways. The error is an outbox.Closed where the server does not take one of the types: what a site has
// turned on either works or is told.
func (w *ways) now(ctx context.Context, o *ServerOptions) (map[string]way, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if now := o.Now(); !now.Before(w.until) {
		can, err := o.Client.Capability(ctx)
		if fault.KindOf(err) == fault.Canceled {
			return nil, err
		}
		w.known, w.shut = choose(o, can)
		if w.until = now.Add(sayHolds); err != nil {
			w.until = now.Add(silentHolds)
		}
	}
	if w.shut != nil {
		return nil, w.shut
	}
	return w.known, nil
}

// choose reads the statement. Where it says nothing of a type's interactions, it is tried.
func choose(o *ServerOptions, can fhir.Capability) (map[string]way, *outbox.Closed) {
	list := map[string]way{}
	for _, typ := range o.Types {
		said, listed := can.Types[typ]
		unsaid := len(can.Types) == 0 || listed && len(said.Interactions) == 0
		if !unsaid && !o.Trust && (!can.Can(typ, "create") || typ != "Provenance" && !can.Can(typ, "update")) {
			return nil, takesNone("The server's CapabilityStatement does not offer to create and update " + typ + ".")
		}
		list[typ] = way{plain: o.Plain || !unsaid && !o.Trust && !said.ConditionalCreate, unsaid: unsaid}
	}
	return list, nil
}

// takesNone says that the server does not take a type.
func takesNone(why string) *outbox.Closed {
	return &outbox.Closed{What: "resources beside Tasks (out.also)", Why: why, Hint: "Take the type out of out.also, or ask the server's administrator whether it can be taken. Tasks are not concerned."}
}

// refused makes an error of a server that does not offer what was asked one that closes the way there.
func refused(typ string, err error) error {
	if status := fhirhttp.StatusOf(err); status == http.StatusMethodNotAllowed || status == http.StatusNotImplemented {
		return takesNone("The server does not take " + typ + ".")
	}
	return err
}

// mendable makes errors that a person, or the next try, can mend such that the outbox tries again.
func mendable(err error) error {
	switch fault.KindOf(err) {
	case fault.Denied, fault.Conflict, fault.NotFound:
		return fault.New(fault.Unavailable, "send what follows from a plan", fault.HintOf(err), err)
	}
	return err
}
