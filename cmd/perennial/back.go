package main

import (
	"context"
	"errors"
	"strings"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/settings"
	"perennial/internal/source"
	"perennial/internal/source/rest"
	"perennial/internal/source/tasks"
	"perennial/internal/store"
)

// readsBack says whether Tasks are read back from a server of their own: they are
// sent to one that is not the source. From the source they come with all else.
func readsBack(s *settings.Settings) bool {
	return sends(s) && s.Out.Rest.URL != "" && s.Out.Write.Create != settings.CreateNone &&
		strings.TrimRight(s.Out.Rest.URL, "/") != strings.TrimRight(s.Sources.Rest.URL, "/")
}

// tasksFrom is the name of the source by which Tasks come back; "" where they come
// with all else.
func tasksFrom(s *settings.Settings) string {
	if readsBack(s) {
		return tasksName
	}
	return ""
}

// readSources are the names of everything that is read again and again.
func readSources(s *settings.Settings) []string {
	if readsBack(s) {
		return append(feedsOf(s), tasksName)
	}
	return feedsOf(s)
}

// taskSource reads Tasks back; nil where they come with all else.
func taskSource(s *settings.Settings, db *boltkv.DB, now func() time.Time) (source.Source, error) {
	if !readsBack(s) {
		return nil, nil
	}
	client, err := fhirClient(s.Out.Rest, 0, s.Out.Write.Aliases...)
	if err != nil {
		return nil, err
	}
	from := rest.New(client, rest.Options{Name: tasksName, Types: []string{"Task"}, Params: tasks.Params(db.ID()), Now: now})
	return tasks.New(tasks.Options{Site: db.ID(), From: from, Missed: func() bool { return noneCameBack(db, taskServer(s)) }}), nil
}

// noneCameBack says whether Tasks are on the server of that name of which none ever came back. Those on a server that the
// settings named before are not looked for.
func noneCameBack(db *boltkv.DB, server string) bool {
	errThere := errors.New("there is one")
	err := db.View(context.Background(), func(r kv.Reader) error {
		s, err := store.ReadSource(r, tasksName)
		if err != nil || s.Seen > 0 {
			return err
		}
		for after, more := "", true; more; {
			list, err := outbox.List(r, outbox.Sent, after, 500)
			if err != nil {
				return err
			}
			for i := range list {
				if list[i].Carrier == server && fhirtask.RefOf(list[i].Receipt) != "" && !strings.Contains(list[i].Receipt, outbox.Removed) {
					return errThere
				}
			}
			if more = len(list) == 500; more {
				after = list[len(list)-1].Key
			}
		}
		return nil
	})
	return errors.Is(err, errThere)
}
