package fhirtask_test

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/notice"
	"perennial/internal/outbox"
)

// before is a server of Tasks before which something answers first: it says whether it did.
func (f *fake) before(t *testing.T, first func(w http.ResponseWriter, q *http.Request) bool) *fhirtask.Server {
	t.Helper()
	f.tasks, f.versions = map[string]string{}, map[string]int{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if !first(w, q) {
			f.ServeHTTP(w, q)
		}
	}))
	t.Cleanup(s.Close)
	c, err := fhirhttp.New(fhirhttp.Options{Base: s.URL, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	return fhirtask.NewServer(fhirtask.ServerOptions{Client: c, Site: site})
}

// withID is the item's Task as it stands on the server.
func withID(t *testing.T, id string) string {
	t.Helper()
	body, err := fhirtask.Render(site, item())
	if err != nil {
		t.Fatal(err)
	}
	return strings.Replace(string(body), "{", `{"id":"`+id+`",`, 1)
}

// Q50: two others make the Task between our search and our creation, and the server says so by 412: the
// lowest id is kept, the other is marked entered-in-error.
func TestQ50CreationRaces(t *testing.T) {
	t.Parallel()
	f := &fake{}
	s := f.before(t, func(w http.ResponseWriter, q *http.Request) bool {
		if q.Method != "POST" {
			return false
		}
		if !strings.HasPrefix(q.Header.Get("If-None-Exist"), "identifier=") {
			t.Errorf("made without a condition: %q", q.Header.Get("If-None-Exist"))
		}
		f.put("9", withID(t, "9"))
		f.put("10", withID(t, "10"))
		w.WriteHeader(412)
		return true
	})
	carry(t, s, wrap(t, item()), "Task/9 unchanged")
	if len(f.tasks) != 2 || strings.Contains(f.tasks["9"], "entered-in-error") || !strings.Contains(f.tasks["10"], `"status":"entered-in-error"`) {
		t.Error(f.tasks)
	}
	carry(t, s, wrap(t, done()), "Task/9 updated")
}

// Q51: an id is always the server's own: nothing is PUT to an id that the server did not give. Where Tasks cannot be made
// at all the way there is closed: the items wait, and the hint says what to do.
func TestQ51ServerDoesNotTakeTasks(t *testing.T) {
	t.Parallel()
	for _, status := range []int{405, 501} {
		f := &fake{}
		s := f.before(t, func(w http.ResponseWriter, q *http.Request) bool {
			if q.Method == "PUT" {
				t.Errorf("PUT %s", q.URL.Path)
			}
			if q.Method == "GET" {
				return false
			}
			w.WriteHeader(status)
			return true
		})
		_, err := s.Carry(t.Context(), wrap(t, item()))
		if _, closed := errors.AsType[*outbox.Closed](err); !closed || !strings.Contains(err.Error(), strconv.Itoa(status)) || !strings.Contains(fault.HintOf(err), "out.rest.create") {
			t.Errorf("%d: %v, hint %q", status, err, fault.HintOf(err))
		}
	}
}

// Q52: the version comes in the ETag or in the body alone, and who wrote in between is told by 412 or by 409; whichever it
// is, what a person wrote in between stays.
func TestQ52PersonBetweenReadAndWrite(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		status int
		etag   bool
	}{{"412", 412, true}, {"409", 409, true}, {"version in the body alone", 412, false}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f, conflicts := &fake{}, 0
			s := f.before(t, func(w http.ResponseWriter, q *http.Request) bool {
				held := strings.Contains(f.tasks["9"], "on-hold")
				body := strings.Replace(f.tasks["9"], "{", map[bool]string{false: `{"meta":{"versionId":"1"},`, true: `{"meta":{"versionId":"2"},`}[held], 1)
				switch {
				case q.Method == "PUT" && q.Header.Get("If-Match") != `W/"1"` && q.Header.Get("If-Match") != `W/"2"`:
					t.Errorf("If-Match %q", q.Header.Get("If-Match"))
				case q.Method == "PUT" && !held:
					f.put("9", strings.Replace(f.tasks["9"], `"status":"requested"`, `"status":"on-hold"`, 1))
					conflicts++
					w.WriteHeader(c.status)
					return true
				case q.Method == "GET" && q.URL.Path == "/Task/9" && !c.etag:
					io.WriteString(w, body)
					return true
				}
				return false
			})
			f.put("9", withID(t, "9"))
			carry(t, s, wrap(t, done()), "Task/9 updated, kept on-hold")
			if !strings.Contains(f.tasks["9"], `"status":"on-hold"`) || conflicts != 1 || f.puts != 1 {
				t.Errorf("%d conflicts, %d writes, %s", conflicts, f.puts, f.tasks["9"])
			}
		})
	}
}

// Q54: where a creation does not say which Task it made, the Task is found by its identifier.
func TestQ54CreationSaysNoID(t *testing.T) {
	t.Parallel()
	f := &fake{}
	s := f.before(t, func(w http.ResponseWriter, q *http.Request) bool {
		if q.Method == "POST" {
			f.put("7", withID(t, "7"))
			w.WriteHeader(201)
		}
		return q.Method == "POST"
	})
	carry(t, s, wrap(t, item()), "Task/7 created")
	carry(t, s, wrap(t, done()), "Task/7 updated")
	if len(f.tasks) != 1 {
		t.Error(f.tasks)
	}
}

// Q55: a Task that a person removed is not made again, whether the server says 404 or 410, nor when its item closes.
func TestQ55RemovedTaskStaysRemoved(t *testing.T) {
	t.Parallel()
	for _, status := range []int{404, 410} {
		f := &fake{}
		receipt := ""
		s := f.start(t, func(string) string { return receipt })
		var err error
		if receipt, err = s.Carry(t.Context(), wrap(t, item())); err != nil {
			t.Fatal(err)
		}
		f.tasks, f.gone = map[string]string{}, status
		for _, n := range []*notice.Task{item(), item(), done()} {
			if receipt, err = s.Carry(t.Context(), wrap(t, n)); err != nil || receipt != "Task/1 was removed on the server and is not made again" || len(f.tasks) != 0 {
				t.Errorf("%d: %q %v %v", status, receipt, err, f.tasks)
			}
		}
	}
}
