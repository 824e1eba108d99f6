package web

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"perennial/internal/day"
	"perennial/internal/fault"
)

// policy lets a page load our own styles and pictures, send its form to us, and
// nothing else.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard stands in front of everything: headers, the host's name, panics.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		for _, pair := range [][2]string{{"Content-Security-Policy", policy}, {"X-Content-Type-Options", "nosniff"}, {"X-Frame-Options", "DENY"},
			{"Referrer-Policy", "no-referrer"}, {"Cross-Origin-Opener-Policy", "same-origin"}, {"Cross-Origin-Resource-Policy", "same-origin"},
			{"Permissions-Policy", "camera=(), geolocation=(), microphone=()"}, {"Cache-Control", "no-store"}} {
			h.Set(pair[0], pair[1])
		}
		defer func() {
			if caught := recover(); caught != nil {
				s.fail(w, r, fmt.Errorf("panic of type %T", caught))
			}
		}()
		if !loopback(hostOf(r.Host)) {
			s.fail(w, r, fault.New(fault.Denied, "open a page under another host name", "Open the pages as 127.0.0.1 or localhost on this computer.", nil))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// hostOf is a Host header without the port.
func hostOf(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		return h
	}
	return trimBrackets(host)
}

func trimBrackets(host string) string {
	if len(host) > 2 && host[0] == '[' && host[len(host)-1] == ']' {
		return host[1 : len(host)-1]
	}
	return host
}

// adapt turns a page that may fail into a handler, and counts.
func (s *Server) adapt(page func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		begun := s.o.Now()
		seen := &watched{ResponseWriter: w, code: http.StatusOK}
		if err := page(seen, r); err != nil {
			s.fail(seen, r, err)
		}
		s.metrics.served(r.Pattern, seen.code, s.o.Now().Sub(begun))
	})
}

// watched remembers the status that was answered.
type watched struct {
	http.ResponseWriter
	code    int
	written bool
}

// WriteHeader remembers the status.
func (w *watched) WriteHeader(code int) {
	w.code, w.written = code, true
	w.ResponseWriter.WriteHeader(code)
}

// Write remembers that something was written.
func (w *watched) Write(b []byte) (int, error) {
	w.written = true
	return w.ResponseWriter.Write(b)
}

// frame is what every page has.
type frame struct {
	Title   string
	Site    string
	Here    string // title of the page, for the navigation
	AsOf    day.Day
	Alarms  []string
	Version string
	Drafts  string // protocols in force that nobody has signed off
}

func (s *Server) frame(title, site string, asOf day.Day, alarms []string) frame {
	f := frame{Title: title, Site: site, Here: title, AsOf: asOf, Alarms: alarms, Version: s.o.Version}
	if s.o.Drafts != nil {
		f.Drafts = strings.Join(s.o.Drafts(), ", ")
	}
	return f
}

// show writes a page whole, or not at all.
func (s *Server) show(w http.ResponseWriter, name string, code int, page any) error {
	var b bytes.Buffer
	if err := s.templates[name].Execute(&b, page); err != nil {
		return fault.New(fault.Internal, "lay out the page "+name, "", fmt.Errorf("%T", err))
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes()) // where it fails the reader has gone
	return nil
}

// errorPage is what the template of errors sees.
type errorPage struct {
	frame
	What, Next, ID string
}

// fail answers with a page that says what to do and a number. The log gets the
// same number and the failure; neither gets the address or a patient.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if seen, ok := w.(*watched); ok && seen.written {
		s.o.Log.Warn("a page broke off", "page", r.Pattern, "kind", fault.KindOf(err).String())
		return
	}
	code, what, next := answer(err)
	id := number()
	s.o.Log.Log(r.Context(), level(code), "a page could not be shown", "id", id, "page", r.Pattern, "status", code, "kind", fault.KindOf(err).String(), "error", err.Error())
	page := errorPage{frame: s.frame(what, "", 0, nil), What: what, Next: next, ID: id}
	if err := s.show(w, "error", code, page); err != nil {
		http.Error(w, what+" (number "+id+")", code)
	}
}

// answer is the status, what to say and what to do.
func answer(err error) (code int, what, next string) {
	switch fault.KindOf(err) {
	case fault.NotFound:
		return http.StatusNotFound, "There is no such page or patient", "Go back to the worklist and open it from there. A record that was merged into another is found under the other."
	case fault.Denied:
		return http.StatusForbidden, "This may not be opened", fault.HintOf(err)
	case fault.Invalid:
		return http.StatusBadRequest, "This address makes no sense", "Go back to the worklist."
	case fault.Canceled, fault.Unavailable, fault.Locked:
		return http.StatusServiceUnavailable, "The answer did not come in time", "Try again in a minute. If it stays so, give the number below to whoever runs this program."
	}
	return http.StatusInternalServerError, "This page could not be made", "Nothing was changed or lost by it. Give the number below to whoever runs this program; the log has it too."
}

// number is by which a reader and the log name the same failure.
func number() string {
	b := make([]byte, 4)
	_, _ = rand.Read(b) // it never fails
	return hex.EncodeToString(b)
}

// since is how long ago a time was; empty where there was none.
func (s *Server) since(at time.Time) string {
	if at.IsZero() {
		return "never"
	}
	return ago(s.o.Now().Sub(at))
}
