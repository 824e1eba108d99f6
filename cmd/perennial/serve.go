package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/daemon"
	"perennial/internal/doorway"
	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/gate"
	"perennial/internal/kv/boltkv"
	"perennial/internal/settings"
	"perennial/internal/source"
	"perennial/internal/web"
)

// serveCommand runs the daemon.
func serveCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the daemon: sources, nightly plans, Tasks, digests, pages",
		Long: "Runs until it is stopped (Ctrl-C or SIGTERM): reads the watched folder and the FHIR servers of the settings, brings plans up\n" +
			"to date, writes or sends Tasks and the digest of the day, and shows read-only pages on this computer. There are no accounts\n" +
			"yet: an address that others can reach is refused. Nothing goes to servers or people before perennial go-live.\n\n" +
			"Exit status:\n  0  stopped\n  1  it could not start\n  2  usage or settings",
		Example: "  perennial serve --settings site.yaml",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		s, w, err := workOf(e, *site)
		if err != nil {
			return err
		}
		if err := web.CheckAddress(s.Listen); err != nil {
			return &exitCode{exitUsage, err}
		}
		if _, err := boltkv.Verify(c.Context(), ownFile(), s.Store); err != nil {
			return err
		}
		sources, err := sourcesOf(&s, e.now)
		if err != nil {
			return err
		}
		db, err := boltkv.Open(s.Store)
		if err != nil {
			return err
		}
		cl, err := clinicOn(c.Context(), e, db, &s, &w)
		if err != nil {
			return errors.Join(err, db.Close())
		}
		if back, err := taskSource(&s, db, e.now); err != nil {
			return errors.Join(err, db.Close())
		} else if back != nil {
			sources = append(sources, back)
		}
		h := &house{cl, db, s}
		return errors.Join(h.serve(c.Context(), e, sources), db.Close())
	}
	return c
}

// serve runs the daemon, and the commands that are handed to it.
func (h *house) serve(ctx context.Context, e *env, sources []source.Source) error {
	g, err := assess.LoadGuidance(config.Files)
	if err != nil {
		return err
	}
	s, log := &h.settings, slog.New(slog.NewTextHandler(e.stderr, nil))
	hook, err := hookOf(s, log, func(at string) { fmt.Fprintln(e.stdout, "webhook: "+at) })
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	var door sync.WaitGroup
	defer door.Wait() // commands that run end before the store is closed
	defer cancel()
	if l, err := doorway.Open(s.Store); err != nil {
		log.Warn("commands cannot be used while this runs", "error", err.Error())
	} else {
		door.Go(func() {
			defer l.Close()
			if err := doorway.Serve(ctx, l, inside(e, h)); err != nil {
				log.Error("commands cannot be used any more", "kind", fault.KindOf(err))
			}
		})
	}
	return daemon.Serve(ctx, daemon.Options{Clinic: h.clinic, Listen: s.Listen, Sources: sources,
		Poll: time.Duration(s.Times.PollEvery) * time.Minute, Send: time.Duration(s.Times.SendEvery) * time.Minute, Nightly: s.Times.NightlyAt,
		Digest: digestOf(s), Log: log, Hook: hook, Read: readSideOf(s, e.now), Trail: trailOf(s, h.db), Version: buildOf().Version,
		Pages: &daemon.Pages{Clinic: h.clinic, Site: s.Site.Name, Conflicts: g.Conflicts, Feeds: readSources(s), StaleHours: 24 * s.Numbers.FeedStaleDays, Now: e.now},
		Ready: func(at string) { fmt.Fprintln(e.stdout, "pages: "+at) }})
}

// readSideOf is what other programs may ask.
func readSideOf(s *settings.Settings, now func() time.Time) daemon.ReadSide {
	c := s.Read.Cards
	exports := s.Sources.Bulk.Rest.URL
	r := daemon.ReadSide{Gate: gate.Gate{Token: s.Read.Token}, URL: s.Read.URL, Origin: cmp.Or(s.Sources.Rest.URL, exports), Cards: daemon.Cards{Origins: c.Origins, Servers: slices.Clone(c.Servers)}}
	if exports != "" {
		r.Cards.Servers = append(r.Cards.Servers, exports)
	}
	if c.Issuer != "" {
		r.Cards.Signed = &fhirauth.Signed{Issuer: c.Issuer, Audience: c.Audience, KeySet: c.KeySet, Now: now}
	}
	if logins := smartLogins(s); len(logins) > 0 {
		r.Keys = func() ([]byte, error) { return fhirauth.PublicKeys(logins...) }
	}
	return r
}

// digestOf is when the digest goes out and to whom.
func digestOf(s *settings.Settings) daemon.Digest {
	d := daemon.Digest{At: s.Digest.At, Names: s.Digest.Names, Link: s.Digest.Link}
	for _, r := range s.Mail.Recipients {
		d.To = append(d.To, r.Address)
	}
	return d
}

// ownFile is the file of this program, to check a store in another process: a
// damaged store may end the process that opens it.
func ownFile() string {
	self, err := os.Executable()
	if err != nil {
		return ""
	}
	return self
}
