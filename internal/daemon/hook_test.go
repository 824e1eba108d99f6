package daemon_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/daemon"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv/memkv"
	"perennial/internal/outbox"
	"perennial/internal/source"
	"perennial/internal/source/rest"
	"perennial/internal/source/webhook"
	"perennial/internal/testkit/fakefhir"
)

// ward is a daemon that reads a server and sends its Tasks there.
type ward struct {
	t      *testing.T
	server *fakefhir.Server
	log    journal
	hook   string // where it takes hints
}

// journal is a log that may be read while it is written.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.String()
}

// Of patient q1, q2 and q3.
const (
	graft = `"status":"completed","subject":{"reference":"Patient/q1"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2026-05-20"`
	scan  = `"status":"available","subject":{"reference":"Patient/q1"},"started":"2026-06-22","modality":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}],"procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}],"numberOfSeries":1,"series":[{"uid":"2.999.7","modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}}]`
)

// newWard starts the daemon, which looks by itself that often, and waits until the first Tasks are on the server.
func newWard(t *testing.T, poll time.Duration, types []string) *ward {
	t.Helper()
	w := &ward{t: t, server: fakefhir.Start(t, fakefhir.Options{Types: rest.Types()})}
	for _, id := range []string{"q1", "q2", "q3"} {
		w.server.Put("Patient", id, `"identifier":[{"system":"urn:mrn","value":"Q-`+id+`"}],"name":[{"family":"Quay","given":["Testa"]}]`)
		w.server.Put("Procedure", id+"-evar", strings.Replace(graft, "q1", id, 1))
	}
	client, err := fhirhttp.New(fhirhttp.Options{Base: w.server.Base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	words, err := assess.Prepare(assess.Options{Shipped: config.Files})
	if err != nil {
		t.Fatal(err)
	}
	db := memkv.New()
	if err := clinic.Init(t.Context(), db, w.server.Now()); err != nil {
		t.Fatal(err)
	}
	c, err := clinic.New(t.Context(), clinic.Options{DB: db, Book: words.Book, Rules: words.Rules, Now: w.server.Now, Mode: outbox.Send, Site: "s",
		Routes: []outbox.Route{{Name: "server", Carrier: fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: "s"})}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.GoLive(t.Context(), "Nurse Quill"); err != nil {
		t.Fatal(err)
	}
	hints := webhook.NewHints(0)
	ctx, stop := context.WithCancel(context.Background())
	at, done := make(chan string, 1), make(chan error, 1)
	go func() {
		done <- daemon.Serve(ctx, daemon.Options{Clinic: c, Listen: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(&w.log, nil)), Poll: poll, Send: time.Hour,
			Sources: []source.Source{rest.New(client, rest.Options{Name: "server", Types: types, Now: w.server.Now})},
			Pages:   &daemon.Pages{Clinic: c, Site: "Quay", Now: w.server.Now},
			Hook:    &daemon.Hook{Listen: "127.0.0.1:0", Hints: hints, Handler: webhook.New(webhook.Options{Sources: []string{"server"}, Hints: hints}), Ready: func(a string) { at <- a }}})
	}()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("stopping: %v", err)
		}
	})
	w.hook = <-at
	w.until(10*time.Second, "the first round", func() bool {
		return strings.Contains(w.log.String(), "the first round is done") && w.tasks("completed") == 0 && w.tasks("") > 0
	})
	return w
}

// tasks counts the Tasks on the server, of a status or all.
func (w *ward) tasks(status string) (n int) {
	for ref, body := range w.server.Truth() {
		if strings.HasPrefix(ref, "Task/") && strings.Contains(body, `"status":"`+status) {
			n++
		}
	}
	return n
}

// until waits, and gives how long that took.
func (w *ward) until(most time.Duration, what string, holds func() bool) time.Duration {
	w.t.Helper()
	begun := time.Now()
	for !holds() {
		if time.Since(begun) > most {
			w.t.Fatalf("not within %v: %s\n%s", most, what, w.log.String())
		}
		time.Sleep(5 * time.Millisecond)
	}
	return time.Since(begun)
}

func (w *ward) tell(body string) {
	w.t.Helper()
	r, err := http.Post(w.hook+"server", "application/fhir+json", strings.NewReader(body))
	if err != nil {
		w.t.Fatal(err)
	}
	if r.Body.Close(); r.StatusCode != http.StatusOK {
		w.t.Errorf("%d", r.StatusCode)
	}
}

// soonest lets studies arrive, one after the other, and gives how long the quickest took to end its Task on the server:
// the machine may be busy with something else for one of them.
func (w *ward) soonest(told func()) time.Duration {
	w.t.Helper()
	best := time.Hour
	for i, id := range []string{"q1", "q2", "q3"} {
		w.server.Put("ImagingStudy", id+"-ct", strings.NewReplacer("q1", id, "2.999.7", fmt.Sprint("2.999.7.", i)).Replace(scan))
		told()
		best = min(best, w.until(20*time.Second, "the Task is ended", func() bool { return w.tasks("completed") == i+1 }))
	}
	w.t.Logf("after %v", best.Round(time.Millisecond))
	return best
}

// A study that arrives ends its Task on the server within a second of the notification. What the notification itself
// says is not taken: that study is on no server.
func TestHintReachesATask(t *testing.T) {
	t.Parallel()
	w := newWard(t, time.Hour, rest.Types())
	w.tell(`{"resourceType":"ImagingStudy","id":"forged",` + scan + `}`)
	time.Sleep(600 * time.Millisecond)
	if n := w.tasks("completed"); n > 0 {
		t.Fatalf("%d Tasks were ended by what a notification says", n)
	}
	if took := w.soonest(func() { w.tell("") }); took > time.Second {
		t.Errorf("it took %v", took)
	}
}

// Without one it takes the time to the next regular look, and a second at most.
func TestPollReachesATask(t *testing.T) {
	t.Parallel()
	const poll = 2 * time.Second
	w := newWard(t, poll, rest.Types())
	if took := w.soonest(func() {}); took > poll+time.Second {
		t.Errorf("it took %v", took)
	}
}

// A look with nothing new costs one request a type at most, and ten thousand hints cost a few looks. Lost notifications
// lead to a look at everything, once an hour at most.
func TestHintsCostLittle(t *testing.T) {
	t.Parallel()
	w := newWard(t, time.Hour, rest.Types())
	look := func(body string) []string {
		t.Helper()
		w.server.Asked()
		w.tell(body)
		var asked []string
		last := rest.Types()[len(rest.Types())-1]
		w.until(5*time.Second, "a look", func() bool {
			asked = append(asked, w.server.Asked()...)
			return slices.ContainsFunc(asked, func(a string) bool { return strings.HasPrefix(a, "GET "+last+" ") })
		})
		time.Sleep(100 * time.Millisecond)
		return append(asked, w.server.Asked()...)
	}
	look("") // the program's own Tasks come back
	if asked := look(""); len(asked) != len(rest.Types()) {
		t.Errorf("nothing new cost %d requests for %d types: %q", len(asked), len(rest.Types()), asked)
	}
	w.server.Asked()
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 1250 {
				w.tell("")
			}
		})
	}
	begun := time.Now()
	all.Wait()
	time.Sleep(time.Second)
	looks := 0
	for _, a := range w.server.Asked() {
		if strings.HasPrefix(a, "GET Patient ") {
			looks++
		}
	}
	if most := int(time.Since(begun)/(200*time.Millisecond)) + 1; looks == 0 || looks > most {
		t.Errorf("10,000 hints in %v led to %d looks", time.Since(begun), looks)
	}
	numbered := func(n int) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","type":"subscription-notification","entry":[{"resource":{"resourceType":"SubscriptionStatus","type":"event-notification","eventsSinceSubscriptionStart":"%d"}}]}`, n)
	}
	whole := func(asked []string) bool {
		return !slices.ContainsFunc(asked, func(a string) bool {
			return strings.HasPrefix(a, "GET Patient ") && strings.Contains(a, "_lastUpdated")
		})
	}
	if got := []bool{whole(look(numbered(1))), whole(look(numbered(3))), whole(look(numbered(5)))}; fmt.Sprint(got) != "[false true false]" {
		t.Errorf("looks at everything: %v", got)
	}
	if n := strings.Count(w.log.String(), "notifications were lost"); n != 2 {
		t.Errorf("it is told %d times", n)
	}
}
