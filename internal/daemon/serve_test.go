package daemon_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/daemon"
	"perennial/internal/kv/memkv"
)

const patient = `{"resourceType":"Patient","id":"q1","identifier":[{"system":"urn:mrn","value":"Q-1"}],"name":[{"family":"Quay","given":["Testa"]}]}
{"resourceType":"Procedure","id":"q1-evar","status":"completed","subject":{"reference":"Patient/q1"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2025-03-03"}
`

// inJune is the clock of a clinic on a day of June 2025.
func inJune() time.Time { return time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC) }

func newClinic(t *testing.T) *clinic.Clinic { return clinicWith(t, inJune, patient) }

// clinicWith is a clinic in memory that knows these resources.
func clinicWith(t *testing.T, now func() time.Time, resources string) *clinic.Clinic {
	t.Helper()
	w, err := assess.Prepare(assess.Options{Shipped: config.Files})
	if err != nil {
		t.Fatal(err)
	}
	db := memkv.New()
	if err := clinic.Init(t.Context(), db, now()); err != nil {
		t.Fatal(err)
	}
	c, err := clinic.New(t.Context(), clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Import(t.Context(), "test", clinic.Batches("test", strings.NewReader(resources))); err != nil {
		t.Fatal(err)
	}
	return c
}

// The daemon answers its pages and stops when it is told to.
func TestServeAnswersAndStops(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	ctx, stop := context.WithCancel(t.Context())
	at, done := make(chan string, 1), make(chan error, 1)
	go func() {
		done <- daemon.Serve(ctx, daemon.Options{Clinic: c, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Poll: time.Hour,
			Pages: &daemon.Pages{Clinic: c, Site: "Quay", Now: time.Now}, Ready: func(a string) { at <- a }})
	}()
	base := <-at
	for path, want := range map[string]string{"": "Testa Quay", "patients/q1": "svs-aaa-2018", "questions": "Questions", "status": "It adds up", "fhir/metadata": "CapabilityStatement", "cds-services": "patient-view", "fhir/CarePlan?patient=q1": "searchset"} {
		r, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(r.Body)
		r.Body.Close()
		if r.StatusCode != http.StatusOK || !strings.Contains(string(body), want) {
			t.Errorf("%q answers %d without %q", path, r.StatusCode, want)
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Errorf("stopping: %v", err)
	}
}

func TestServeRefusesAnAddressForOthers(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	err := daemon.Serve(t.Context(), daemon.Options{Clinic: c, Listen: "0.0.0.0:0", Pages: &daemon.Pages{Clinic: c, Now: time.Now}})
	if err == nil {
		t.Fatal("an address that others can reach is taken")
	}
}

// The letter names initials and the end of the record number, not the patient.
func TestLetter(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l, err := daemon.Letter(t.Context(), &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: time.Now}, daemon.Digest{}, "nurse@example.org")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(l.Text, "T. Q.") || strings.Contains(l.Text+l.HTML+l.Subject, "Testa") || !strings.Contains(l.Text, "overdue") {
		t.Errorf("the letter says:\n%s", l.Text)
	}
}
