package daemon

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/settings"
	"perennial/internal/source"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// Options are what the daemon runs with.
type Options struct {
	Clinic  *clinic.Clinic
	Pages   *Pages
	Listen  string
	Sources []source.Source
	Poll    time.Duration // between two looks at the sources
	Send    time.Duration // between two tries to send what waits
	Nightly settings.Clock
	Digest  Digest
	Log     *slog.Logger
	Version string
	Ready   func(address string) // called once the pages answer; may be nil
	Hook    *Hook                // nil: nobody tells when something changed
	Read    ReadSide
	Trail   func(context.Context) error // writes the audit trail as AuditEvents; nil: it is not wanted

	turns *turns
}

// Serve answers the pages and works until the context ends: it looks at the
// sources, brings plans up to date, makes the letters of the day and sends what
// waits. Cron only ticks; what is due follows from the store, so a missed or
// doubled tick changes nothing. It returns when all work has stopped.
func Serve(ctx context.Context, o Options) error {
	s, err := web.New(web.Options{Clinic: o.Pages, Now: o.Pages.Now, Log: o.Log, Zone: o.Clinic.Zone(), Version: o.Version, Drafts: o.Pages.drafts})
	if err != nil {
		return err
	}
	server, err := s.HTTP(o.Listen)
	if err != nil {
		return err
	}
	if err := o.beside(s, server); err != nil {
		return err
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return fault.New(fault.Unavailable, "listen on "+o.Listen, "Choose another web.listen in the settings, or stop what listens there.", err)
	}
	hook, err := o.Hook.open(o.Log)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	o.turns = newTurns()
	wait := o.start(ctx)
	if o.Ready != nil {
		o.Ready("http://" + listener.Addr().String() + "/")
	}
	failed := make(chan error, 2)
	go func() { failed <- server.Serve(listener) }()
	if hook != nil {
		go func() { failed <- hook.serve() }()
	}
	select {
	case err = <-failed:
		_ = server.Close()
	case <-ctx.Done():
		err = stop(server)
	}
	hook.stop()
	cancel()
	wait()
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// stop lets requests that run end.
func stop(server *http.Server) error {
	end, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	return server.Shutdown(end)
}

// questionKind is the kind in the key of a question's work item.
func questionKind(key string) string {
	parts := strings.Split(key, "|")
	if len(parts) > 2 {
		return parts[2]
	}
	return ""
}

// classes are the classes that have a care protocol, sorted.
func classes(r *surveil.Rules) []string { return slices.Sorted(maps.Keys(r.Care)) }
