package daemon

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"perennial/internal/fault"
	"perennial/internal/source"
	"perennial/internal/source/webhook"
)

// Hook is where servers tell that something changed.
type Hook struct {
	Listen  string
	TLS     *tls.Config // nil: without TLS
	Handler http.Handler
	Hints   *webhook.Hints
	Ready   func(address string) // called once it answers; may be nil
}

// wholeEvery is the least time between two looks at everything that hints lead
// to.
const wholeEvery = time.Hour

// turns lets one at a time look at the sources, and one send.
type turns struct {
	looking, sending sync.Mutex
	now              func() time.Time
	mu               sync.Mutex           // for what follows
	owed             map[string]bool      // sources of which everything is to be looked at
	whole            map[string]time.Time // when that was last begun for a hint
}

func newTurns() *turns {
	return &turns{now: time.Now, owed: map[string]bool{}, whole: map[string]time.Time{}}
}

// owe notes that everything of a source is to be looked at.
func (t *turns) owe(name string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.owed[name] = true
}

// take gives a source as it is to be looked at now. It says by done whether that
// went well: a look at everything that failed is still owed.
func (t *turns) take(s source.Source) (look source.Source, done func(err error)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	name := s.Name()
	all, can := s.(interface{ Whole() source.Source })
	if !can || !t.owed[name] || t.now().Sub(t.whole[name]) < wholeEvery {
		return s, func(error) {}
	}
	t.owed[name], t.whole[name] = false, t.now()
	return all.Whole(), func(err error) {
		if err != nil {
			t.owe(name)
		}
	}
}

// hookServer answers on the address of a Hook.
type hookServer struct {
	hook     *Hook
	base     string
	server   *http.Server
	listener net.Listener
}

// open listens; nil where there is no hook.
func (h *Hook) open(log *slog.Logger) (*hookServer, error) {
	if h == nil {
		return nil, nil
	}
	l, err := net.Listen("tcp", h.Listen)
	if err != nil {
		return nil, fault.New(fault.Unavailable, "listen on "+h.Listen, "Choose another sources.webhook.listen in the settings, or stop what listens there.", err)
	}
	scheme := "http://"
	if h.TLS != nil {
		l, scheme = tls.NewListener(l, h.TLS), "https://"
	}
	return &hookServer{hook: h, base: scheme + l.Addr().String() + "/", listener: l, server: &http.Server{Handler: h.Handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 10 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}}, nil
}

// serve answers until it is stopped; that it was is no error.
func (h *hookServer) serve() error {
	if h.hook.Ready != nil {
		h.hook.Ready(h.base)
	}
	err := h.server.Serve(h.listener)
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

func (h *hookServer) stop() {
	if h != nil {
		_ = h.server.Close()
	}
}

// listen looks at a source as soon as a hint comes.
func (o *Options) listen(ctx context.Context) {
	for ctx.Err() == nil {
		hints := o.Hook.Hints.Take(ctx)
		o.safely(ctx, "looking for a hint", func(ctx context.Context) { o.look(ctx, o.hinted(hints)) })()
	}
}

// hinted are the sources that the hints name. After a gap in the notifications
// everything is looked at, but once an hour at most; till then it is owed, to the
// next hint or the next regular look.
func (o *Options) hinted(hints []webhook.Hint) []source.Source {
	var list []source.Source
	for _, h := range hints {
		for _, s := range o.Sources {
			if s.Name() != h.Source {
				continue
			}
			if h.Gap {
				o.Log.Warn("notifications were lost", "source", h.Source)
				o.turns.owe(h.Source)
			}
			list = append(list, s)
		}
	}
	return list
}
