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
	"perennial/internal/source"
	"perennial/internal/source/folder"
	"perennial/internal/web"
)

// serveCommand runs the daemon.
func serveCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the daemon: sources, nightly plans, Tasks to files, pages",
		Long: "Runs until it is stopped (Ctrl-C or SIGTERM): reads the watched folder of the settings, brings plans up to date, writes what\n" +
			"waits, and shows read-only pages on this computer. There are no accounts yet: an address that others can reach is refused.\n\n" +
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
			return daemon.Serve(c.Context(), daemon.Options{Clinic: cl, Listen: s.Listen, Sources: folderSource(s.Sources.Folder, e.now),
				Poll: time.Duration(s.Times.PollEvery) * time.Minute, Log: slog.New(slog.NewTextHandler(e.stderr, nil)), Version: buildOf().Version,
				Pages: &daemon.Pages{Clinic: cl, Site: s.Site.Name, Rules: w.Rules, StaleHours: 24 * s.Numbers.FeedStaleDays, Now: e.now},
				Ready: func(at string) { fmt.Fprintln(e.stdout, "pages: "+at) }})
		})
	}
	return c
}

// folderSource is the watched folder of the settings, if there is one.
func folderSource(dir string, now func() time.Time) []source.Source {
	if dir == "" {
		return nil
	}
	return []source.Source{folder.New(folder.Options{Name: "folder", Dir: dir, Now: now})}
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
