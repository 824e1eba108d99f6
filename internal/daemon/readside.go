package daemon

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"perennial/internal/cdshooks"
	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/fhirserve"
	"perennial/internal/gate"
	"perennial/internal/web"
)

// ReadSide is what the daemon serves to other programs, beside the pages.
type ReadSide struct {
	Gate   gate.Gate
	URL    string // address of the FHIR endpoint as others know it; may be empty
	Origin string // base of the FHIR server that is read from; may be empty
	Cards  Cards
	// Keys gives the public keys of our logins at FHIR servers; nil: there are none.
	Keys func() ([]byte, error)
}

// Cards are how CDS Hooks answers.
type Cards struct {
	Origins []string         // of web pages whose scripts may ask
	Servers []string         // bases of the FHIR server whose ids clients use
	Signed  *fhirauth.Signed // nil: clients show the token of the gate
}

// beside puts what other programs ask in front of the pages. Each guards itself.
func (o *Options) beside(pages *web.Server, server *http.Server) error {
	seen := asked(pages.Registry())
	endpoint, err := fhirserve.New(fhirserve.Options{Clinic: o.Clinic, Gate: o.Read.Gate, URL: o.Read.URL, Origin: o.Read.Origin, Zone: o.Clinic.Zone(),
		Version: o.Version, Now: o.Pages.Now, Log: o.Log, Seen: func(a fhirserve.Access) { seen("fhir", a.Type+" "+a.Kind, a.Status) }})
	if err != nil {
		return err
	}
	cards, err := o.cards(seen)
	if err != nil {
		return err
	}
	pagesToo := server.Handler
	if o.Read.Keys != nil {
		pagesToo = split{{keysPath, o.keys(seen)}, {"/", pagesToo}}
	}
	server.Handler = split{{fhirserve.Path, endpoint.Handler()}, {cdshooks.Path, cards.Handler()}, {"/", pagesToo}}
	return nil
}

// cards is CDS Hooks.
func (o *Options) cards(seen func(of, kind string, status int)) (*cdshooks.Server, error) {
	c := cdshooks.Options{Clinic: o.Clinic, Site: o.Pages.Site, Gate: o.Read.Gate, Origins: o.Read.Cards.Origins, Link: o.Digest.Link, Log: o.Log,
		Servers: append([]string{o.Read.Origin}, o.Read.Cards.Servers...), Seen: func(a cdshooks.Access) { seen("cds-hooks", a.Kind, a.Status) }}
	if s := o.Read.Cards.Signed; s != nil {
		if err := s.Check(); err != nil {
			return nil, err
		}
		c.Signed = s
	}
	return cdshooks.New(c)
}

// keysPath is where servers look for the public keys of a client (SMART App
// Launch, "Client Authentication: Asymmetric": a URL of the client's choice).
const keysPath = "/.well-known/jwks.json"

// keys serves the public keys to everybody: they are no secret. The files are read
// for each request, so that a key is changed without a restart.
func (o *Options) keys(seen func(of, kind string, status int)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		status, body := http.StatusOK, []byte(nil)
		var err error
		switch {
		case r.URL.Path != keysPath:
			status = http.StatusNotFound
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			w.Header().Set("Allow", "GET, HEAD")
			status = http.StatusMethodNotAllowed
		default:
			if body, err = o.Read.Keys(); err != nil {
				o.Log.Error("the public keys cannot be served", "kind", fault.KindOf(err))
				status = http.StatusServiceUnavailable
			}
		}
		seen("keys", "", status)
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		if status != http.StatusOK {
			http.Error(w, http.StatusText(status), status)
			return
		}
		h.Set("Content-Type", "application/json")
		h.Set("Cache-Control", "public, max-age=300")
		_, _ = w.Write(body) // where it fails the reader has gone
	})
}

// split gives a request to the first handler that answers below its path.
type split []struct {
	path string
	next http.Handler
}

// ServeHTTP passes the request on.
func (s split) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	for _, one := range s {
		if r.URL.Path == one.path || strings.HasPrefix(r.URL.Path, strings.TrimSuffix(one.path, "/")+"/") {
			one.next.ServeHTTP(w, r)
			return
		}
	}
}

// asked counts what other programs ask: what was asked for and the status, no
// patient.
func asked(registry *prometheus.Registry) func(what, kind string, status int) {
	n := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "perennial_asked_total", Help: "Requests of other programs that were let in."}, []string{"of", "kind", "code"})
	registry.MustRegister(n)
	return func(what, kind string, status int) {
		n.WithLabelValues(what, strings.TrimSpace(kind), strconv.Itoa(status)).Inc()
	}
}
