// Package webhook hears from FHIR servers that something changed: notifications of Subscriptions of R4 (rest-hook), of
// the R5 backport, and of R5.
//
// A notification is a hint, never data. It says that a source is worth a look; of its body nothing is kept but what kind
// of notification it is and its number, and not even that is believed: a number that is missing leads to a look at
// everything. So a forged or repeated notification costs one look, and one that is lost costs the time until the next
// regular look.
//
// Who may give hints shows it by a secret in a header, by a client certificate, or by both; see Options and TLS. Before
// that is settled nothing is answered but 401.
package webhook

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
)

// MaxBody is how long a notification may be. A longer one is a hint all the same, but it is refused, so that whoever
// made the Subscription sees it.
const MaxBody = 64 << 10

// Options of a handler.
type Options struct {
	Sources []string               // that may be named in the path: /NAME, or /NAME/Type/id as R4 has it
	Secret  func() (string, error) // read for each request; nil: the listener knows who asks (a client certificate, this computer)
	Header  string                 // in which the secret comes, alone or after "Bearer "; empty: Authorization
	Hints   *Hints
	Log     *slog.Logger // nil: none
}

// Handler takes notifications.
type Handler struct{ o Options }

// New makes a handler.
func New(o Options) *Handler {
	if o.Header == "" {
		o.Header = "Authorization"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Handler{o}
}

// ServeHTTP answers one notification. It does no work that a sender could wait for.
func (h *Handler) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	if !h.known(q) {
		answer(w, http.StatusUnauthorized, "not allowed")
		return
	}
	name, below, _ := strings.Cut(strings.Trim(q.URL.Path, "/"), "/")
	switch {
	case !slices.Contains(h.o.Sources, name) || !resourcePath(below):
		answer(w, http.StatusNotFound, "no source has this address")
	case q.Method != http.MethodPost && q.Method != http.MethodPut:
		w.Header().Set("Allow", "POST, PUT")
		answer(w, http.StatusMethodNotAllowed, "POST or PUT is expected")
	default:
		h.take(w, q, name)
	}
}

// known says whether the request brings the secret, in a time that does not depend on how much of it is right.
func (h *Handler) known(q *http.Request) bool {
	if h.o.Secret == nil {
		return true
	}
	secret, err := h.o.Secret()
	if err != nil || secret == "" {
		h.o.Log.Error("the secret of the webhook cannot be read")
		return false
	}
	want := sha256.Sum256([]byte(secret))
	got := sha256.Sum256([]byte(strings.TrimPrefix(q.Header.Get(h.o.Header), "Bearer ")))
	return subtle.ConstantTimeCompare(want[:], got[:]) == 1
}

// resourcePath says whether what stands after the name is nothing, or Type/id.
func resourcePath(path string) bool {
	typ, id, _ := strings.Cut(path, "/")
	return path == "" || typ != "" && id != "" && !strings.Contains(id, "/")
}

// take looks at what kind of notification it is, and gives the hint.
func (h *Handler) take(w http.ResponseWriter, q *http.Request, name string) {
	body, err := io.ReadAll(http.MaxBytesReader(w, q.Body, MaxBody))
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		h.o.Hints.Give(name)
		answer(w, http.StatusRequestEntityTooLarge, "a notification of at most 64 KiB is expected: let the Subscription send ids only, or nothing")
		return
	}
	if err != nil {
		return // the sender is gone
	}
	n, err := read(body)
	if err != nil {
		answer(w, http.StatusBadRequest, err.Error())
		return
	}
	if n.trouble {
		h.o.Log.Warn("a Subscription reports an error", "source", name)
	}
	if n.kind == handshake {
		h.o.Hints.begin(name, n)
	} else {
		h.o.Hints.count(name, n)
	}
	if n.kind == event {
		h.o.Hints.Give(name)
	}
	answer(w, http.StatusOK, "")
}

func answer(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	if text != "" {
		_, _ = io.WriteString(w, text+"\n")
	}
}
