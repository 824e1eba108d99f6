package main

import (
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/daemon"
	"perennial/internal/kv/boltkv"
	"perennial/internal/settings"
	"perennial/internal/web"
)

// serveCommand runs the daemon.
func serveCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the daemon: sources, nightly plans, Tasks, digests, pages",
		Long: "Runs until it is stopped (Ctrl-C or SIGTERM): reads the watched folder and the FHIR server of the settings, brings plans up\n" +
			"to date, writes or sends Tasks and the digest of the day, and shows read-only pages on this computer. There are no accounts\n" +
			"yet: an address that others can reach is refused. Nothing goes to servers or people before perennial go-live.\n\n" +
			"Exit status:\n  0  stopped\n  1  it could not start\n  2  usage or settings",
		Example: "  perennial serve --settings site.yaml",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		s, err := siteSettings(*site)
		if err != nil {
			return err
		}
		if err := web.CheckAddress(s.Listen); err != nil {
			return &exitCode{exitUsage, err}
		}
		if _, err := boltkv.Verify(c.Context(), ownFile(), s.Store); err != nil {
			return err
		}
		o := assess.Options{Zone: s.Site.Zone, Shipped: config.Files}
		if *site != "" {
			if err := useSettings(*site, &o); err != nil {
				return err
			}
		}
		w, err := assess.Prepare(o)
		if err != nil {
			return err
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			sources, err := sourcesOf(&s, e.now)
			if err != nil {
				return err
			}
			return daemon.Serve(c.Context(), daemon.Options{Clinic: cl, Listen: s.Listen, Sources: sources,
				Poll: time.Duration(s.Times.PollEvery) * time.Minute, Send: time.Duration(s.Times.SendEvery) * time.Minute, Nightly: s.Times.NightlyAt,
				Digest: digestOf(&s), Log: slog.New(slog.NewTextHandler(e.stderr, nil)), Version: buildOf().Version,
				Pages: &daemon.Pages{Clinic: cl, Site: s.Site.Name, Rules: w.Rules, Feeds: feedsOf(&s), StaleHours: 24 * s.Numbers.FeedStaleDays, Now: e.now},
				Ready: func(at string) { fmt.Fprintln(e.stdout, "pages: "+at) }})
		})
	}
	return c
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
