package main

import (
	"context"
	"fmt"
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
func siteSettings(name string) (settings.Settings, error) {
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
		s, err := siteSettings(*site)
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
		Long: "Writes a copy of the store to FILE. The copy is read through before it is kept. While the daemon runs it holds the\n" +
			"store: stop it first.\n\nExit status:\n  0  the backup is good\n  1  it could not be made\n  2  usage or settings",
		Example: "  perennial backup --settings site.yaml backups/monday.db",
		Args:    cobra.ExactArgs(1),
	}
	site := siteFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		s, err := siteSettings(*site)
		if err != nil {
			return err
		}
		db, err := boltkv.Open(s.Store)
		if err != nil {
			return err
		}
		defer db.Close()
		return writeBackup(c.Context(), e, db, args[0])
	}
	return c
}

// writeBackup writes the copy under another name first.
func writeBackup(ctx context.Context, e *env, db *boltkv.DB, name string) error {
	f, err := renameio.NewPendingFile(name, renameio.WithPermissions(0o600), renameio.WithTempDir(filepath.Dir(name)))
	if err != nil {
		return fault.New(fault.Denied, "writing "+name, "Check that the folder exists and may be written to.", err)
	}
	defer func() { _ = f.Cleanup() }()
	held, err := db.Backup(ctx, f)
	if err != nil {
		return err
	}
	if err := f.CloseAtomicallyReplace(); err != nil {
		return fault.Wrap("writing "+name, err)
	}
	_, err = fmt.Fprintf(e.stdout, "%s holds %d entries of the store %s and was read back.\n", name, held.Count, held.Store)
	return err
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
		s, err := siteSettings(*site)
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
