package fakefhir

import (
	"bytes"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// wireFaults are about how an answer comes through the wire.
func wireFaults() []Fault {
	wire := func(name, bug, what string, f func(http.ResponseWriter, *http.Request, *answer)) Fault {
		return Fault{Name: name, Bug: bug, What: what, wire: f}
	}
	return []Fault{
		wire("reset-in-body", "R7", "the connection breaks in the body", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			send(w, a.body[:len(a.body)/2])
			panic(http.ErrAbortHandler)
		}),
		wire("cut-right-length", "R7", "the JSON is cut and the length is that of what came", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			half := a.body[:len(a.body)*2/3]
			w.Header().Set("Content-Length", strconv.Itoa(len(half)))
			send(w, half)
		}),
		wire("cut-wrong-length", "R7", "the JSON is cut and the length is that of the whole", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			w.Header().Set("Content-Length", strconv.Itoa(len(a.body)))
			send(w, a.body[:len(a.body)*2/3])
		}),
		wire("cut-no-length", "R7", "the JSON is cut and no length is said", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			send(w, a.body[:len(a.body)*2/3])
		}),
		wire("gzip-cut", "R7", "the gzip is cut", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			z := pack(a.body)
			w.Header().Set("Content-Encoding", "gzip")
			send(w, z[:len(z)-9])
		}),
		wire("gzip-bomb", "D1", "a small gzip is 8 MiB unpacked", func(w http.ResponseWriter, _ *http.Request, _ *answer) {
			w.Header().Set("Content-Encoding", "gzip")
			send(w, pack(append([]byte(`{"resourceType":"Bundle","x":"`), make([]byte, 8<<20)...)))
		}),
		wire("body-endless", "D1", "the body has no end", endless),
		wire("json-deep", "D1", "the JSON is nested a hundred thousand deep", func(w http.ResponseWriter, _ *http.Request, _ *answer) {
			send(w, []byte(`{"resourceType":"Bundle","x":`+strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)+"}"))
		}),
		wire("json-rather-deep", "D1", "the JSON is nested a thousand deep", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			send(w, append([]byte(`{"x":`+strings.Repeat("[", 1000)+strings.Repeat("]", 1000)+","), a.body[1:]...))
		}),
		wire("one-byte-a-second", "D1", "a byte comes each second", slowly),
		wire("content-type", "Q49", "the content type is wrong, the content right", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			w.Header().Set("Content-Type", "text/plain")
			send(w, a.body)
		}),
		wire("gzip-unsaid", "Q49", "gzip comes without a word", func(w http.ResponseWriter, _ *http.Request, a *answer) { send(w, pack(a.body)) }),
		wire("byte-order-mark", "Q49", "a byte order mark stands before the JSON", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			send(w, append([]byte("\xef\xbb\xbf"), a.body...))
		}),
		wire("trailing-junk", "R7", "something stands after the JSON", func(w http.ResponseWriter, _ *http.Request, a *answer) {
			send(w, append(bytes.Clone(a.body), "{}"...))
		}),
		wire("empty-200", "R7", "200 and nothing", func(w http.ResponseWriter, _ *http.Request, _ *answer) { w.WriteHeader(200) }),
	}
}

func send(w http.ResponseWriter, b []byte) {
	_, _ = w.Write(b)
	if f, ok := w.(http.Flusher); ok {
		f.Flush()
	}
}

func endless(w http.ResponseWriter, q *http.Request, _ *answer) {
	send(w, []byte(`{"resourceType":"Bundle","x":"`))
	block := bytes.Repeat([]byte("x"), 64<<10)
	for q.Context().Err() == nil {
		if _, err := w.Write(block); err != nil {
			return
		}
	}
}

func slowly(w http.ResponseWriter, q *http.Request, a *answer) {
	for i := range a.body {
		send(w, a.body[i:i+1])
		select {
		case <-q.Context().Done():
			return
		case <-time.After(time.Second):
		}
	}
}
