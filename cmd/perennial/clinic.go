package main

import (
	"context"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
)

// openClinic takes up work on the store of the settings. The store is closed
// with the function that comes back.
func openClinic(ctx context.Context, e *env, site string) (*clinic.Clinic, func() error, error) {
	s, err := siteSettings(site)
	if err != nil {
		return nil, nil, err
	}
	o := assess.Options{Zone: s.Site.Zone, Shipped: config.Files}
	if site != "" {
		if err := useSettings(site, &o); err != nil {
			return nil, nil, err
		}
	}
	w, err := assess.Prepare(o)
	if err != nil {
		return nil, nil, err
	}
	db, err := boltkv.Open(s.Store)
	if err != nil {
		return nil, nil, err
	}
	routes, err := routesOf(&s, db)
	if err != nil {
		_ = db.Close()
		return nil, nil, err
	}
	c, err := clinic.New(ctx, clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Zone: w.Zone, Now: e.now, Own: ownBase(&s),
		Mode: outbox.Mode(s.Out.Mode), Routes: routes, Feeds: feedsOf(&s)})
	if err != nil {
		_ = db.Close()
		return nil, nil, err
	}
	return c, db.Close, nil
}

// withClinic runs something on the store and closes it.
func withClinic(ctx context.Context, e *env, site string, do func(*clinic.Clinic) error) (err error) {
	c, closeStore, err := openClinic(ctx, e, site)
	if err != nil {
		return err
	}
	defer func() {
		if closed := closeStore(); err == nil {
			err = closed
		}
	}()
	return do(c)
}

// filesOf lists the files of the paths with the sum of their sizes; "-" is
// standard input.
func filesOf(paths []string) (files []string, size int64, err error) {
	for _, path := range paths {
		if path == "-" {
			files = append(files, path)
			continue
		}
		walked := filepath.WalkDir(path, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			info, err := d.Info()
			if err == nil {
				files, size = append(files, name), size+info.Size()
			}
			return err
		})
		if walked != nil {
			return nil, 0, fault.New(fault.NotFound, "reading "+path, "Check the name, and the right to read it.", walked)
		}
	}
	return files, size, nil
}

// openInput opens a file, or standard input.
func openInput(e *env, name string) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(e.stdin), nil
	}
	return os.Open(name)
}
