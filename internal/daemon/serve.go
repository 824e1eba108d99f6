package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/robfig/cron/v3"

	"perennial/internal/clinic"
	"perennial/internal/fault"
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
	Log     *slog.Logger
	Version string
	Ready   func(address string) // called once the pages answer; may be nil
}

// Serve answers the pages and works until the context ends: it looks at the
// sources, brings plans up to date and writes what waits. Cron only ticks; what
// is due follows from the store, so a missed or doubled tick changes nothing.
func Serve(ctx context.Context, o Options) error {
	s, err := web.New(web.Options{Clinic: o.Pages, Now: o.Pages.Now, Log: o.Log, Zone: o.Clinic.Zone(), Version: o.Version})
	if err != nil {
		return err
	}
	server, err := s.HTTP(o.Listen)
	if err != nil {
		return err
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return fault.New(fault.Unavailable, "listen on "+o.Listen, "Choose another web.listen in the settings, or stop what listens there.", err)
	}
	ticks := cron.New(cron.WithChain(cron.SkipIfStillRunning(cron.DiscardLogger)))
	if _, err := ticks.AddFunc(fmt.Sprintf("@every %s", max(o.Poll, time.Minute)), func() { o.work(ctx) }); err != nil {
		return fault.Wrap("start the clock", err)
	}
	ticks.Start()
	go o.work(ctx)
	if o.Ready != nil {
		o.Ready("http://" + listener.Addr().String() + "/")
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	select {
	case err = <-failed:
	case <-ctx.Done():
		err = stop(server)
	}
	<-ticks.Stop().Done()
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

// work is one round: sources, plans, what waits. A failure is logged without
// patient data, and the next round tries again.
func (o *Options) work(ctx context.Context) {
	note := func(what string, err error) {
		if err != nil && ctx.Err() == nil {
			o.Log.Error(what, "kind", fault.KindOf(err))
		}
	}
	for _, s := range o.Sources {
		_, err := o.Clinic.Pull(ctx, s)
		note("reading the source "+s.Name(), err)
	}
	_, err := o.Clinic.Tick(ctx)
	note("bringing plans up to date", err)
	_, err = o.Clinic.Drain(ctx, 0)
	note("sending what waits", err)
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
