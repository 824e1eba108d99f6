package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"
	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/settings"
)

// siteFlag adds --settings to a command that works on the store.
func siteFlag(c *cobra.Command) *string {
	site := c.Flags().String("settings", "", "settings file of the site; without it the defaults hold")
	_ = c.RegisterFlagCompletionFunc("settings", completeYAML)
	return site
}

// siteSettings reads the settings of a command; without a file the defaults.
// Inside the daemon they are the daemon's.
func siteSettings(e *env, name string) (settings.Settings, error) {
	if e.here != nil {
		return e.here.settings, nil
	}
	if name == "" {
		return settings.Default(), nil
	}
	return readSettings(name)
}

// initCommand makes a store.
func initCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "init",
		Short: "Make an empty store",
		Long: "Makes an empty store where the settings say. An existing one is never touched.\n\n" +
			"Exit status:\n  0  the store is ready\n  1  it could not be made\n  2  usage or settings",
		Example: "  perennial init --settings site.yaml",
		Args:    cobra.NoArgs,
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, _ []string) error {
		s, err := siteSettings(e, *site)
		if err != nil {
			return err
		}
		if err := boltkv.Create(s.Store); err != nil {
			return err
		}
		db, err := boltkv.Open(s.Store)
		if err != nil {
			return err
		}
		defer db.Close()
		if err := clinic.Init(c.Context(), db, e.now()); err != nil {
			return err
		}
		return confirm(e, *format, map[string]string{"store": s.Store}, "The store %s is ready. Next: perennial import PATH...", s.Store)
	}
	return c
}

// backupCommand copies the store while it is in use.
func backupCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the store and read the copy back",
		Long: "Writes a copy of the store to FILE, also while the daemon runs. The copy is one moment of the store, and is read through\n" +
			"before it is kept.\n\nExit status:\n  0  the backup is good\n  1  it could not be made\n  2  usage or settings",
		Example:     "  perennial backup --settings site.yaml backups/monday.db",
		Args:        cobra.ExactArgs(1),
		Annotations: map[string]string{ofPaths: ""},
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, args []string) error {
		s, err := siteSettings(e, *site)
		if err != nil {
			return err
		}
		db, leave := e.db()
		if db == nil {
			if db, err = (opening{}).store(s.Store); err != nil {
				return err
			}
			leave = db.Close
		}
		held, err := writeBackup(c.Context(), db, args[0])
		if err := errors.Join(err, leave()); err != nil {
			return err
		}
		return confirm(e, *format, map[string]any{"file": args[0], "entries": held.Count, "store": held.Store},
			"%s holds %d entries of the store %s and was read back.", args[0], held.Count, held.Store)
	}
	return c
}

// db is the daemon's store, for a command that was handed to it.
func (e *env) db() (db *boltkv.DB, leave func() error) {
	if e.here == nil {
		return nil, nil
	}
	return e.here.db, func() error { return nil }
}

// writeBackup writes the copy under another name first.
func writeBackup(ctx context.Context, db *boltkv.DB, name string) (held boltkv.Contents, err error) {
	const hint = "Name a file in a folder that exists and may be written to, and that has room."
	if info, err := os.Stat(name); err == nil && info.IsDir() {
		return held, fault.New(fault.Invalid, "writing "+name, hint, errors.New("it is a folder"))
	}
	f, err := renameio.NewPendingFile(name, renameio.WithPermissions(0o600), renameio.WithTempDir(filepath.Dir(name)))
	if err != nil {
		return held, fault.New(fault.KindOf(err), "writing "+name, hint, fileReason(err))
	}
	defer func() { _ = f.Cleanup() }()
	if held, err = db.Backup(ctx, f); err != nil {
		return held, err
	}
	if err := f.CloseAtomicallyReplace(); err != nil {
		return held, fault.New(fault.KindOf(err), "writing "+name, hint, fileReason(err))
	}
	return held, nil
}

// restoreCommand puts a backup in the place of the store.
func restoreCommand(e *env) *cobra.Command {
	c := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup in the place of the store",
		Long: "Checks a backup and puts it in the place of the store. The store that was there is kept beside it with the ending\n" +
			".replaced. A damaged backup, or one of another site, replaces nothing.\n\n" +
			"Exit status:\n  0  restored\n  1  nothing was replaced\n  2  usage or settings",
		Example: "  perennial restore --settings site.yaml backups/monday.db",
		Args:    cobra.ExactArgs(1),
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, args []string) error {
		s, err := siteSettings(e, *site)
		if err != nil {
			return err
		}
		held, err := boltkv.Restore(c.Context(), "", args[0], s.Store)
		if kind := fault.KindOf(err); kind == fault.Damaged || kind == fault.Empty {
			return fault.New(kind, "", "Nothing was replaced. This file is damaged or is no backup: name another that perennial backup wrote.", err)
		}
		if err != nil {
			return err
		}
		return confirm(e, *format, map[string]any{"store": s.Store, "entries": held.Count}, "%s is restored with %d entries. Next: perennial import PATH... to take in what came since.", s.Store, held.Count)
	}
	return c
}

// checkStoreCommand is the child's side of checking a store: a damaged file
// may end the process.
func checkStoreCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use: boltkv.CheckCommand + " FILE", Hidden: true, Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if !boltkv.RunCheck(e.stdout, args[0]) {
				return &exitCode{code: exitError}
			}
			return nil
		},
	}
}
