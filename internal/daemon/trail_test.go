package daemon_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"perennial/internal/daemon"
)

// AuditEvents that cannot be written are an alarm on the pages, until they can.
func TestTrailThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	var broken atomic.Bool
	broken.Store(true)
	ctx, stop := context.WithCancel(t.Context())
	at, ended := make(chan string, 1), make(chan error, 1)
	c := newClinic(t)
	go func() {
		ended <- daemon.Serve(ctx, daemon.Options{Clinic: c, Listen: "127.0.0.1:0", Poll: time.Hour, Send: time.Second, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
			Trail: func(context.Context) error {
				if broken.Load() {
					return errors.New("no room")
				}
				return nil
			},
			Pages: &daemon.Pages{Clinic: c, Site: "Quay", Now: time.Now}, Ready: func(a string) { at <- a }})
	}()
	address := <-at
	alarm := func() bool {
		q, err := http.NewRequestWithContext(t.Context(), http.MethodGet, strings.TrimSuffix(address, "/")+"/status", nil)
		if err != nil {
			t.Fatal(err)
		}
		r, err := http.DefaultClient.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		text, err := io.ReadAll(r.Body)
		if err != nil || r.StatusCode != http.StatusOK {
			t.Fatal(r.StatusCode, err)
		}
		return strings.Contains(string(text), "The AuditEvents cannot be written")
	}
	wait := func(want bool) {
		t.Helper()
		for begun := time.Now(); alarm() != want; time.Sleep(20 * time.Millisecond) {
			if time.Since(begun) > 20*time.Second {
				t.Fatalf("waited in vain for an alarm: %v", want)
			}
		}
	}
	wait(true)
	broken.Store(false)
	wait(false)
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
