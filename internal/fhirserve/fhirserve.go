// Package fhirserve answers other programs that ask for Tasks, plans and protocols
// as FHIR R4 does: a read-only endpoint.
//
// # What it shows
//
// What the store holds: a work item is a Task, as it is sent (package fhirtask); a
// stored plan is what package export makes of it. Ids are the tokens that Tasks and
// exports have. Patients, studies and devices are not here: references lead to the
// server that the program reads from.
//
// # A view of the store
//
// An index in memory knows type, id, status, patient and time of everything. It is
// brought up to date when the store has changed, by looking only at what did. Each
// request is answered out of one snapshot, which index and resources share, and
// which has ended before the first byte goes out.
//
// A resource's version is a hash of what it says; its time is that of the last
// change of the plan or item behind it, which may be later than its own last
// change, never earlier. Nothing in a resource changes only because time goes by.
//
// # Paging
//
// A next link says after which resource to go on, in the order that was asked for
// (by id where nothing was). So what is there all the time is seen once, whatever
// changes meanwhile; sorted by time, what changes is seen again later.
//
// # What is kept to oneself
//
// Errors and logs hold no parameter, id or token. Links repeat only what was asked.
package fhirserve

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/gate"
	"perennial/internal/protocol"
)

// Clinic is what the endpoint asks. *clinic.Clinic is one.
type Clinic interface {
	Snapshot(ctx context.Context, fn func(clinic.Snapshot) error) error
	Known() []*protocol.Protocol
	Site() string
}

// Options are what an endpoint needs.
type Options struct {
	Clinic  Clinic
	Gate    gate.Gate
	URL     string           // base address, where the site has set it; empty: as the request names us
	Origin  string           // base of the server that references lead to; may be empty
	Zone    *time.Location   // of days in searches; nil: UTC
	Version string           // of the program
	Now     func() time.Time // nil: the clock
	Log     *slog.Logger     // nil: the default one
	// Seen, if not nil, is told of each request that was let in and is over.
	Seen func(Access)
}

// Access is a request that was answered, for who counts or keeps a trail.
type Access struct {
	Kind    string // read, search, capabilities; other for what is not offered
	Type    string // of the resource; empty where it is none of ours
	Patient string // reference of the patient whose resources were asked for; empty where that is not one patient
	Status  int
	Found   int // resources that were given
	Took    time.Duration
}

// Server answers.
type Server struct {
	o     Options
	shelf shelf
	begun time.Time
}

// New prepares an endpoint. It looks at the token's file, and at nothing else.
func New(o Options) (*Server, error) {
	if o.Clinic == nil {
		return nil, fault.New(fault.Internal, "prepare the FHIR endpoint", "", errors.New("no clinic was given"))
	}
	if err := o.Gate.Check(); err != nil {
		return nil, err
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	o.URL, o.Origin = strings.TrimRight(o.URL, "/"), strings.TrimRight(o.Origin, "/")
	s := &Server{o: o, begun: o.Now()}
	s.shelf.o = &s.o
	return s, nil
}

// Path is below what the endpoint answers.
const Path = "/fhir"

// largest is the largest body of a search that is read.
const largest = 64 << 10

// Handler answers all that lies below Path.
func (s *Server) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		x := &exchange{s: s, w: w, r: r, begun: time.Now(), did: Access{Kind: "other", Status: http.StatusOK}}
		x.answer()
	})
}

// exchange is one request.
type exchange struct {
	s     *Server
	w     http.ResponseWriter
	r     *http.Request
	begun time.Time
	did   Access
	sent  bool // the status has gone out
}

// answer answers, whatever happens.
func (x *exchange) answer() {
	for name, value := range map[string]string{"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
		"Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'", "Vary": "Accept, Authorization, Prefer"} {
		x.w.Header().Set(name, value)
	}
	defer func() {
		if caught := recover(); caught != nil {
			x.s.o.Log.Error("the FHIR endpoint broke off", "fault", kindOfPanic(caught))
			x.refuse(refusal{status: http.StatusInternalServerError, code: "exception", text: "The answer could not be made."})
		}
	}()
	if status, why := x.s.o.Gate.Enter(x.r); status != 0 {
		if status == http.StatusUnauthorized {
			x.w.Header().Set("WWW-Authenticate", `Bearer realm="perennial"`)
		}
		x.refuse(refusal{status: status, code: map[int]string{401: "login", 403: "forbidden", 503: "transient"}[status], text: why})
		return
	}
	if err := x.route(); err != nil {
		x.refuse(refusalOf(err))
		if x.did.Status >= http.StatusInternalServerError {
			x.s.o.Log.Error("the FHIR endpoint could not answer", "kind", fault.KindOf(err))
		}
	}
	if x.s.o.Seen != nil {
		x.did.Took = time.Since(x.begun)
		x.s.o.Seen(x.did)
	}
}

// route finds what is asked.
func (x *exchange) route() error {
	parts := strings.Split(strings.Trim(strings.TrimPrefix(x.r.URL.Path, Path), "/"), "/")
	switch typ := parts[0]; {
	case typ == "metadata" && len(parts) == 1:
		x.did.Kind = "capabilities"
		return x.only(x.metadata, http.MethodGet, http.MethodHead)
	case kindNamed(typ) == nil:
		return unknownType(typ)
	case len(parts) == 1:
		x.did.Kind, x.did.Type = "search", typ
		return x.only(x.search, http.MethodGet, http.MethodHead)
	case len(parts) == 2 && parts[1] == "_search":
		x.did.Kind, x.did.Type = "search", typ
		return x.only(x.search, http.MethodPost, http.MethodGet, http.MethodHead)
	case len(parts) == 2:
		x.did.Kind, x.did.Type = "read", typ
		return x.only(func() error { return x.read(typ, parts[1]) }, http.MethodGet, http.MethodHead)
	}
	return refusal{status: http.StatusNotFound, code: "not-supported", text: "Read a resource by its id, or search for it; nothing else is offered."}
}

// only answers some methods; all others would write.
func (x *exchange) only(do func() error, methods ...string) error {
	for _, m := range methods {
		if x.r.Method == m {
			if err := x.format(); err != nil {
				return err
			}
			return do()
		}
	}
	x.did.Kind = "other"
	x.w.Header().Set("Allow", strings.Join(methods, ", "))
	return refusal{status: http.StatusMethodNotAllowed, code: "not-supported", text: "Nothing is written here: this endpoint is read only."}
}
