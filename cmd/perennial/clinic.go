package main

import (
	"context"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/clinic"
	"perennial/internal/doorway"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/protocol"
	"perennial/internal/settings"
)

// workOf reads the settings of a command, and what they name: the code book, the
// protocols and the zone.
func workOf(e *env, site string) (settings.Settings, assess.Work, error) {
	s, err := siteSettings(e, site)
	if err != nil {
		return s, assess.Work{}, err
	}
	o := assess.Options{Zone: s.Site.Zone, Shipped: config.Files}
	if site != "" {
		if err := useSettings(site, &o); err != nil {
			return s, assess.Work{}, err
		}
	}
	w, err := assess.Prepare(o)
	return s, w, err
}

// opening says how to open a clinic.
type opening struct {
	site string
	wait time.Duration // for another process to leave the store; 0: the usual
}

// open takes up work on the store of the settings. The store is closed with the
// function that comes back.
func (o opening) open(ctx context.Context, e *env) (*clinic.Clinic, *boltkv.DB, func() error, error) {
	if e.here != nil {
		return e.here.clinic, e.here.db, func() error { return nil }, nil
	}
	s, w, err := workOf(e, o.site)
	if err != nil {
		return nil, nil, nil, err
	}
	db, err := o.store(s.Store)
	if err != nil {
		return nil, nil, nil, err
	}
	c, err := clinicOn(ctx, e, db, &s, &w)
	if err != nil {
		_ = db.Close()
		return nil, nil, nil, err
	}
	return c, db, db.Close, nil
}

// atOnce is how long to wait for a store that a daemon holds, which takes
// commands.
const atOnce = 20 * time.Millisecond

// store opens the store; where another program holds it the error is a held.
func (o opening) store(path string) (*boltkv.DB, error) {
	wait := o.wait
	if wait == 0 && doorway.There(path) {
		wait = atOnce
	}
	db, err := boltkv.Options{Wait: wait}.Open(path)
	if fault.KindOf(err) == fault.Locked {
		return nil, &held{path, err}
	}
	return db, err
}

// clinicOn takes up work on an open store.
func clinicOn(ctx context.Context, e *env, db *boltkv.DB, s *settings.Settings, w *assess.Work) (*clinic.Clinic, error) {
	var c *clinic.Clinic
	routes, err := routesOf(s, db, e.now, func() []*protocol.Protocol { return c.Known() })
	if err != nil {
		return nil, err
	}
	c, err = clinic.New(ctx, clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Zone: w.Zone, Now: e.now, Own: ownBase(s),
		Mode: outbox.Mode(s.Out.Mode), Routes: routes, Feeds: feedsOf(s), Site: db.ID(), TasksFrom: tasksFrom(s),
		Records: clinic.Records{Types: s.Out.Types(), To: recordServer(s)}})
	return c, err
}

// with runs something on the store and closes it.
func (o opening) with(ctx context.Context, e *env, do func(*clinic.Clinic) error) error {
	return o.withStore(ctx, e, func(c *clinic.Clinic, _ *boltkv.DB) error { return do(c) })
}

// withStore is with for those who need the store itself too.
func (o opening) withStore(ctx context.Context, e *env, do func(*clinic.Clinic, *boltkv.DB) error) (err error) {
	c, db, closeStore, err := o.open(ctx, e)
	if err != nil {
		return err
	}
	defer func() {
		if closed := closeStore(); err == nil {
			err = closed
		}
	}()
	return do(c, db)
}

// withClinic runs something on the store of the settings and closes it.
func withClinic(ctx context.Context, e *env, site string, do func(*clinic.Clinic) error) error {
	return opening{site: site}.with(ctx, e, do)
}
