package cdshooks_test

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/cdshooks"
	"perennial/internal/clinic"
	"perennial/internal/kv/memkv"
)

// rig is the service over a clinic in memory.
type rig struct {
	t    testing.TB
	c    *clinic.Clinic
	h    http.Handler
	log  *bytes.Buffer
	seen *[]cdshooks.Access
}

// person is a Patient with one EVAR.
func person(id, operated string) string {
	return `{"resourceType":"Patient","id":"` + id + `","identifier":[{"system":"urn:mrn","value":"M-` + id + `"}],"name":[{"family":"Quay-` + id + `","given":["Testa"]}],"birthDate":"1950-02-03"}
{"resourceType":"Procedure","id":"` + id + `-evar","status":"completed","subject":{"reference":"Patient/` + id + `"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"` + operated + `"}
`
}

// scan is a CT angiogram.
func scan(id, patient, on string) string {
	return `{"resourceType":"ImagingStudy","id":"` + id + `","status":"available","subject":{"reference":"Patient/` + patient + `"},"started":"` + on + `","procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}]}
`
}

func newRig(t testing.TB, resources string, change func(*cdshooks.Options)) *rig {
	t.Helper()
	now := func() time.Time { return time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC) }
	w, err := assess.Prepare(assess.Options{Shipped: config.Files})
	if err != nil {
		t.Fatal(err)
	}
	db := memkv.New()
	if err := clinic.Init(t.Context(), db, now()); err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, log: &bytes.Buffer{}, seen: new([]cdshooks.Access)}
	if r.c, err = clinic.New(t.Context(), clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Site: "site-1", Now: now}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.c.Import(t.Context(), "test", clinic.Batches("test", strings.NewReader(resources))); err != nil {
		t.Fatal(err)
	}
	o := cdshooks.Options{Clinic: r.c, Site: "Quay Unit", Link: "https://surveillance.example.org/", Log: slog.New(slog.NewTextHandler(r.log, nil)),
		Seen: func(a cdshooks.Access) { a.Took = 0; *r.seen = append(*r.seen, a) }}
	if change != nil {
		change(&o)
	}
	s, err := cdshooks.New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.h = s.Handler()
	return r
}

// ask makes a call; headers are pairs of name and value.
func (r *rig) ask(method, address, body string, headers ...string) (int, []byte, http.Header) {
	r.t.Helper()
	q := httptest.NewRequest(method, "http://127.0.0.1:8420"+address, strings.NewReader(body))
	q.RemoteAddr = "127.0.0.1:5000"
	q.Header.Set("Content-Type", "application/json")
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			q.Host = headers[i+1]
		} else {
			q.Header.Set(headers[i], headers[i+1])
		}
	}
	w := httptest.NewRecorder()
	r.h.ServeHTTP(w, q)
	resp := w.Result()
	text, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, text, resp.Header
}

const service = "/cds-services/implant-surveillance"

// cards are what the tests look at of an answer.
type cards struct {
	Cards []struct {
		Summary, Detail, Indicator string
		Source                     struct{ Label string }
		Links                      []struct{ Label, URL, Type string }
	}
}

// view is a call as the specification shows it.
func view(patient, more string) string {
	return `{"hook":"patient-view","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","context":{"userId":"Practitioner/x","patientId":"` + patient + `"}` + more + `}`
}

func (r *rig) cards(body string) cards {
	r.t.Helper()
	status, text, _ := r.ask("POST", service, body)
	var c cards
	if err := json.Unmarshal(text, &c); err != nil || status != 200 || c.Cards == nil {
		r.t.Fatalf("%d %v: %.300s", status, err, text)
	}
	return c
}
