// Package web is the pages: what is due, one patient, questions, and whether
// everything adds up. They only read.
//
// Design:
//
//   - The pages know the program through Clinic, a handful of questions with
//     plain answers (view.go). A page is a typed struct, made in Go, and one
//     template; templates are parsed in New, so a broken one fails at the start.
//   - No script. Filters are a form, sorting is links, the timeline is SVG made
//     here, folded reasons are details elements. Everything works with the
//     keyboard, in print, and on a narrow screen. Colour is never the only sign:
//     every standing has a word and a shape.
//   - Whatever came from outside is text: it is escaped by html/template, cut to
//     a length, freed of characters that turn the direction of writing, and
//     stands in bdi elements. Narratives of resources are never shown. A CSV
//     cell never begins like a formula.
//   - There are no accounts yet, so only this computer may ask: an address that
//     others can reach is refused, and so is a request under another host name
//     (which a foreign page could make a browser send).
//   - Nothing about patients is kept by browsers (no-store), stands in query
//     strings, metrics or logs. An error page shows a number, the log the same
//     number and what kind of failure it was.
package web

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"time"

	"perennial/internal/fault"
)

//go:embed templates/*.tmpl static/*
var files embed.FS

// Options are what a Server needs.
type Options struct {
	Clinic  Clinic
	Log     *slog.Logger     // nil: the default one
	Now     func() time.Time // nil: the clock; only for "how long ago"
	Zone    *time.Location   // of the site; nil: UTC
	Version string           // of the program, for the footer and the metrics
	Drafts  func() []string  // protocols in force that nobody has signed off; nil: none
}

// Server makes the pages.
type Server struct {
	o         Options
	templates map[string]*template.Template
	metrics   *metrics
}

// New prepares the pages. It fails where a template cannot be parsed.
func New(o Options) (*Server, error) {
	if o.Clinic == nil {
		return nil, fault.New(fault.Internal, "prepare the pages", "", errors.New("no clinic was given"))
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	s := &Server{o: o, templates: map[string]*template.Template{}}
	for _, name := range []string{"worklist", "patient", "questions", "status", "error"} {
		t, err := template.New("layout.tmpl").Funcs(functions()).ParseFS(files, "templates/layout.tmpl", "templates/drawing.tmpl", "templates/beside.tmpl", "templates/differ.tmpl", "templates/scope.tmpl", "templates/"+name+".tmpl")
		if err != nil {
			return nil, fault.New(fault.Internal, "prepare the page "+name, "", err)
		}
		s.templates[name] = t
	}
	s.metrics = newMetrics(s)
	return s, nil
}

// Handler is everything under one roof, with the safeguards in front.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	pages := map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /{$}":              s.worklist,
		"GET /worklist.csv":     s.worklistCSV,
		"GET /patients/{id}":    s.patient,
		"GET /questions":        s.questions,
		"GET /status":           s.status,
		"GET /healthz":          s.healthz,
		"GET /static/style.css": s.static("static/style.css", "text/css; charset=utf-8"),
		"GET /static/mark.svg":  s.static("static/mark.svg", "image/svg+xml"),
		"GET /": func(http.ResponseWriter, *http.Request) error {
			return fault.New(fault.NotFound, "open a page", "", nil)
		},
	}
	for pattern, page := range pages {
		mux.Handle(pattern, s.adapt(page))
	}
	mux.Handle("GET /metrics", s.metrics.handler())
	return s.guard(mux)
}

// HTTP is a server for the pages on an address, with limits on how long and how
// much it listens. It fails where CheckAddress does.
func (s *Server) HTTP(addr string) (*http.Server, error) {
	if err := CheckAddress(addr); err != nil {
		return nil, err
	}
	return &http.Server{Addr: addr, Handler: s.Handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(s.o.Log.Handler(), slog.LevelWarn)}, nil
}

// CheckAddress refuses an address that others than this computer can reach.
func CheckAddress(addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fault.New(fault.Invalid, fmt.Sprintf("listen on %q", addr), "Write host and port, such as 127.0.0.1:8420.", errors.New("this is no address"))
	}
	if !loopback(host) {
		return fault.New(fault.Invalid, fmt.Sprintf("listen on %q", addr),
			"Use 127.0.0.1 and a port of your choice, and open the pages on this computer or through an SSH tunnel.",
			errors.New("the pages have no accounts yet, so whoever reaches them reads them; only this computer may"))
	}
	return nil
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// static serves a file that is the same for everybody.
func (s *Server) static(name, kind string) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, _ *http.Request) error {
		text, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Cache-Control", "no-cache")
		_, err = w.Write(text)
		return err
	}
}

// ask is a call of the clinic with a limit of time.
func ask[T any](ctx context.Context, call func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	return call(ctx)
}
