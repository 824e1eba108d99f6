// Package cdshooks answers CDS Hooks 2.0: where a clinician opens a patient's
// record, it says in one card what imaging is due or overdue, since when, and why.
//
// Source: the specification at cds-hooks.org (2.0, and the repository
// cds-hooks/docs), which also asks for an answer within about 500 ms.
//
// # When there is a card
//
// Only when there is something to do: a visit that is overdue or to be arranged, a
// result to be reviewed, a patient to be traced, a question that hides a visit. A
// patient who is not known here, has no implant, or for whom nothing is due gives
// no card: a service with no advice answers with none (CDS Hooks, "HTTP Response").
//
// A card is critical where a finding waits for its review with an urgency above
// routine, or the visit that a finding asked for is overdue: what the pages call
// urgent. Anything else that is overdue, and a patient who was lost, is a warning.
// What is due is for information.
//
// # Whose record
//
// The patient's id is that of the FHIR server that the program reads from. A client
// that names another server, or shows a Patient born on another day, gets no card
// but an error (412): advice about somebody else is worse than none, and silence
// would be taken for "nothing is due".
//
// Nothing is fetched from the client's server, and its token is not read.
package cdshooks

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/gate"
)

// Clinic is what the service asks. *clinic.Clinic is one.
type Clinic interface {
	Patient(ctx context.Context, id string) (clinic.View, error)
}

// Verifier lets in who shows a signed token.
type Verifier interface {
	Verify(token string) bool
}

// Options are what the service needs.
type Options struct {
	Clinic  Clinic
	Site    string // name, for the source of a card
	Gate    gate.Gate
	Signed  Verifier // in place of the gate's token; nil: none
	Origins []string // of web pages whose scripts may ask
	Servers []string // bases of the FHIR server that ids are of; none: every base is taken for it
	Link    string   // address of the pages; empty: cards have no link
	Log     *slog.Logger
	// Seen, if not nil, is told of each call that was let in and is over.
	Seen func(Access)
}

// Access is a call that was answered.
type Access struct {
	Kind    string // discovery or patient-view
	Patient string // reference; empty where none was asked about
	Status  int
	Cards   int
	Took    time.Duration
}

// Server answers.
type Server struct{ o Options }

// New prepares the service.
func New(o Options) (*Server, error) {
	if o.Clinic == nil {
		return nil, fault.New(fault.Internal, "prepare CDS Hooks", "", errors.New("no clinic was given"))
	}
	if err := o.Gate.Check(); err != nil {
		return nil, err
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	o.Link = strings.TrimRight(o.Link, "/")
	o.Servers = slices.DeleteFunc(slices.Clone(o.Servers), func(s string) bool { return s == "" })
	for i := range o.Servers {
		o.Servers[i] = strings.TrimRight(o.Servers[i], "/")
	}
	return &Server{o}, nil
}

// Path is below what the service answers; ID is its name.
const (
	Path = "/cds-services"
	ID   = "implant-surveillance"
)

// largest is the largest request that is read: a prefetched Patient may hold a
// picture.
const largest = 1 << 20

// Handler answers all that lies below Path.
func (s *Server) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		x := &exchange{s: s, w: w, r: r, begun: time.Now()}
		x.answer()
	})
}

// exchange is one call.
type exchange struct {
	s     *Server
	w     http.ResponseWriter
	r     *http.Request
	begun time.Time
	did   Access
}

// refusal is an answer that is none.
type refusal struct {
	status int
	text   string
}

// Error is the text, which repeats nothing of the call.
func (r refusal) Error() string { return r.text }

func (x *exchange) answer() {
	for name, value := range map[string]string{"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Vary": "Origin, Authorization"} {
		x.w.Header().Set(name, value)
	}
	defer func() {
		if caught := recover(); caught != nil {
			x.s.o.Log.Error("CDS Hooks broke off", "fault", kindOf(caught))
			x.send(http.StatusInternalServerError, said("The answer could not be made."))
		}
	}()
	if !x.cors() {
		return
	}
	if status, why := x.enter(); status != 0 {
		if status == http.StatusUnauthorized {
			x.w.Header().Set("WWW-Authenticate", `Bearer realm="perennial"`)
		}
		x.send(status, said(why))
		return
	}
	body, err := x.route()
	if err == nil {
		x.send(http.StatusOK, body)
	} else {
		x.refuse(err)
	}
	if x.s.o.Seen != nil {
		x.did.Took = time.Since(x.begun)
		x.s.o.Seen(x.did)
	}
}

// enter says whether the caller is let in.
func (x *exchange) enter() (status int, why string) {
	if x.s.o.Signed == nil {
		return x.s.o.Gate.Enter(x.r)
	}
	scheme, token, _ := strings.Cut(x.r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") || !x.s.o.Signed.Verify(strings.TrimSpace(token)) {
		return http.StatusUnauthorized, "A signed token is needed."
	}
	return 0, ""
}

// cors lets scripts of the site's own web pages in, and no others; false where the
// answer has been given.
func (x *exchange) cors() bool {
	origin := x.r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	if !slices.Contains(x.s.o.Origins, origin) {
		x.send(http.StatusForbidden, said("Pages of this origin may not ask; see web.cds-hooks in the settings."))
		return false
	}
	h := x.w.Header()
	h.Set("Access-Control-Allow-Origin", origin)
	if x.r.Method != http.MethodOptions {
		return true
	}
	h.Set("Access-Control-Allow-Methods", "GET, POST, OPTIONS")
	h.Set("Access-Control-Allow-Headers", "Authorization, Content-Type")
	h.Set("Access-Control-Max-Age", "600")
	x.w.WriteHeader(http.StatusNoContent)
	return false
}

// route finds what is asked.
func (x *exchange) route() (any, error) {
	switch path := strings.TrimSuffix(x.r.URL.Path, "/"); {
	case path == Path:
		x.did.Kind = "discovery"
		if x.r.Method != http.MethodGet && x.r.Method != http.MethodHead {
			return nil, x.allow("GET, HEAD")
		}
		return discovery(), nil
	case path == Path+"/"+ID:
		x.did.Kind = "patient-view"
		if x.r.Method != http.MethodPost {
			return nil, x.allow("POST")
		}
		return x.patientView()
	}
	x.did.Kind = "other"
	return nil, refusal{http.StatusNotFound, "There is no such service; GET /cds-services lists what there is."}
}

func (x *exchange) allow(methods string) error {
	x.w.Header().Set("Allow", methods)
	return refusal{http.StatusMethodNotAllowed, "This method is not offered here."}
}

// body reads a call, of bounded size.
func (x *exchange) body() ([]byte, error) {
	if kind, _, err := mime.ParseMediaType(x.r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return nil, refusal{http.StatusUnsupportedMediaType, "Send application/json."}
	}
	body, err := io.ReadAll(io.LimitReader(x.r.Body, largest+1))
	switch {
	case err != nil:
		return nil, refusal{http.StatusBadRequest, "The call did not come whole."}
	case len(body) > largest:
		return nil, refusal{http.StatusRequestEntityTooLarge, "The call is too large; prefetch nothing but the Patient."}
	}
	return body, nil
}

func (x *exchange) refuse(err error) {
	if r, ok := errors.AsType[refusal](err); ok {
		x.send(r.status, said(r.text))
		return
	}
	x.s.o.Log.Error("CDS Hooks could not answer", "kind", fault.KindOf(err))
	status := http.StatusInternalServerError
	if k := fault.KindOf(err); k == fault.Canceled || k == fault.Unavailable || k == fault.Locked {
		status = http.StatusServiceUnavailable
	}
	x.send(status, said("The answer could not be made; ask again later."))
}

// said is an error in a form that programs can show.
func said(text string) any { return map[string]string{"error": text} }

func (x *exchange) send(status int, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		status, body = http.StatusInternalServerError, []byte(`{"error":"The answer could not be made."}`)
	}
	x.did.Status = status
	h := x.w.Header()
	h.Set("Content-Type", "application/json; charset=utf-8")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	x.w.WriteHeader(status)
	if x.r.Method != http.MethodHead {
		_, _ = x.w.Write(body) // where it fails the caller has gone
	}
}
