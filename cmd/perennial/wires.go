package main

import (
	"context"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"perennial/internal/carrier/email"
	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/daemon"
	"perennial/internal/emit"
	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/mail"
	"perennial/internal/outbox"
	"perennial/internal/protocol"
	"perennial/internal/settings"
	"perennial/internal/source"
	"perennial/internal/source/bulk"
	"perennial/internal/source/folder"
	"perennial/internal/source/rest"
	"perennial/internal/source/webhook"
)

// Names of the sources and ways out, in status, audit trail and messages.
const (
	folderName = "folder"
	serverName = "server"
	bulkName   = "bulk"
	filesName  = "files"
	mailName   = "mail"
)

// routesOf are the ways out that the settings name. In the mode send what has no
// server is written to files, and that too only after go-live.
func routesOf(s *settings.Settings, db *boltkv.DB, now func() time.Time, known func() []*protocol.Protocol) ([]outbox.Route, error) {
	tasks, err := taskRoute(s, db, now)
	if err != nil {
		return nil, err
	}
	routes := []outbox.Route{tasks}
	if len(s.Out.Types()) > 0 {
		records, err := recordRoute(s, db, now, known)
		if err != nil {
			return nil, err
		}
		routes = append(routes, records)
	}
	if len(s.Mail.Recipients) == 0 {
		return routes, nil
	}
	letters, err := mailRoute(s)
	return append(routes, letters), err
}

// sends says whether the mode lets things go to servers.
func sends(s *settings.Settings) bool { return s.Out.Mode == settings.ModeSend }

func taskRoute(s *settings.Settings, db *boltkv.DB, now func() time.Time) (outbox.Route, error) {
	if !sends(s) || s.Out.Rest.URL == "" {
		return outbox.Route{Name: filesName, Files: !sends(s), Carrier: fhirtask.NewFiles(s.Out.Folder, db.ID())}, nil
	}
	client, err := fhirClient(s.Out.Rest, 0, s.Out.Write.Aliases...)
	if err != nil {
		return outbox.Route{}, err
	}
	last := func(key string) (receipt string) {
		// What cannot be read counts as nothing known: the carrier then asks the server.
		_ = db.View(context.Background(), func(r kv.Reader) (err error) {
			for _, name := range []string{taskServer(s), serverName} { // the second is what earlier versions wrote
				if receipt, err = outbox.LastReceipt(r, key, name); err != nil || receipt != "" {
					return err
				}
			}
			return nil
		})
		return receipt
	}
	return outbox.Route{Name: taskServer(s), Carrier: fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: db.ID(), Last: last,
		Create: s.Out.Write.Create, Batch: s.Out.Write.Batch, Now: now})}, nil
}

// taskServer names the way to the server of the settings: what one server said of a
// Task says nothing of another.
func taskServer(s *settings.Settings) string {
	return serverName + " " + strings.TrimRight(s.Out.Rest.URL, "/")
}

// recordRoute is for what is written beside Tasks, to where these go.
func recordRoute(s *settings.Settings, db *boltkv.DB, now func() time.Time, known func() []*protocol.Protocol) (outbox.Route, error) {
	o := emit.Options{DB: db, Site: db.ID(), Version: buildOf().Version, Receiver: recordServer(s), Types: s.Out.Types(), Known: known}
	if !sends(s) || s.Out.Rest.URL == "" {
		o.Files = true
		return outbox.Route{Name: filesName, Files: !sends(s), Carrier: fhirrecord.NewFiles(s.Out.Folder, db.ID(), emit.Records(o))}, nil
	}
	o.Tasks = []string{taskServer(s), serverName}
	client, err := fhirClient(s.Out.Rest, 0, s.Out.Write.Aliases...)
	if err != nil {
		return outbox.Route{}, err
	}
	return outbox.Route{Name: recordServer(s), Carrier: fhirrecord.NewServer(fhirrecord.ServerOptions{Options: emit.Records(o), Client: client,
		Plain: s.Out.Write.Create == settings.CreatePlain, Trust: s.Out.Write.Create == settings.CreateConditional, Now: now})}, nil
}

// trailOf writes the audit trail as AuditEvents; nil where the settings do not want it.
func trailOf(s *settings.Settings, db *boltkv.DB) func(context.Context) error {
	if !s.Out.Audits() || s.Out.Mode == settings.ModeOff {
		return nil
	}
	return emit.Trail{DB: db, Site: db.ID(), Files: fhirrecord.NewFiles(s.Out.Folder, db.ID(), fhirrecord.Options{})}.Write
}

// recordServer names the receiver of what is written beside Tasks.
func recordServer(s *settings.Settings) string {
	if !sends(s) || s.Out.Rest.URL == "" {
		return "records in " + filesName
	}
	return "records at " + strings.TrimRight(s.Out.Rest.URL, "/")
}

func mailRoute(s *settings.Settings) (outbox.Route, error) {
	if !sends(s) || s.Mail.Host == "" {
		return outbox.Route{Name: filesName, Files: !sends(s), Carrier: email.Carrier{From: s.Mail.From, Out: mail.Folder{Dir: filepath.Join(s.Out.Folder, "mail")}}}, nil
	}
	password, err := s.Mail.Password.Read()
	if err != nil {
		return outbox.Route{}, err
	}
	return outbox.Route{Name: mailName, Carrier: email.Carrier{From: s.Mail.From,
		Out: &mail.Server{Host: s.Mail.Host, Port: s.Mail.Port, User: s.Mail.User, Password: password}}}, nil
}

// fhirClient talks to a server of the settings, with its login. tries is how often
// it makes one request; 0: the usual. The aliases are other names of the server.
func fhirClient(r settings.Rest, tries int, aliases ...string) (*fhirhttp.Client, error) {
	var client *fhirhttp.Client
	login, err := fhirauth.New(fhirauth.Options{Server: r})
	if err == nil {
		client, err = fhirhttp.New(fhirhttp.Options{Base: r.URL, HTTP: login, Tries: tries, Aliases: aliases})
	}
	if fault.KindOf(err) == fault.Invalid {
		return nil, &exitCode{exitUsage, err}
	}
	return client, err
}

// sourcesOf are the sources that the settings name.
func sourcesOf(s *settings.Settings, now func() time.Time) ([]source.Source, error) {
	var list []source.Source
	if s.Sources.Folder != "" {
		list = append(list, folder.New(folder.Options{Name: folderName, Dir: s.Sources.Folder, Now: now}))
	}
	if s.Sources.Rest.URL != "" {
		polled, err := polledServer(s, now)
		if err != nil {
			return nil, err
		}
		list = append(list, polled)
	}
	if s.Sources.Bulk.Rest.URL != "" {
		exported, err := exportedServer(s, now)
		if err != nil {
			return nil, err
		}
		list = append(list, exported)
	}
	return list, nil
}

// polledServer is the FHIR server that the settings name as a source.
func polledServer(s *settings.Settings, now func() time.Time) (*rest.Source, error) {
	pull := s.Sources.Pull
	client, err := fhirClient(s.Sources.Rest, 0, pull.Aliases...)
	if err != nil {
		return nil, err
	}
	o := rest.Options{Name: serverName, Types: rest.Types(), Discover: true, Now: now, Post: pull.Post, WholeResources: pull.Whole, IgnoreCounts: !pull.Counts,
		Overlap: time.Duration(pull.Overlap) * time.Minute, Reconcile: time.Duration(pull.Reconcile) * 24 * time.Hour}
	if pull.Reconcile == 0 {
		o.Reconcile = -1
	}
	switch who := pull.Patients; {
	case who.Group != "":
		o.Patients = rest.Group(client, who.Group)
	case who.List != "":
		o.Patients = rest.List(client, who.List)
	case who.File != "":
		o.Patients = rest.File(who.File)
	}
	return rest.New(client, o), nil
}

// exportedServer is the FHIR server that the settings name as a source of exports.
func exportedServer(s *settings.Settings, now func() time.Time) (*bulk.Source, error) {
	b := &s.Sources.Bulk
	client, err := bulkClient(b, 0)
	if err != nil {
		return nil, err
	}
	o := bulk.Options{Name: bulkName, Path: exportPath(b), Types: rest.Types(), Filter: b.Filters, Format: b.Format, IgnoreCounts: !b.Counts, Now: now,
		Every: time.Duration(b.Every) * time.Hour, Limit: time.Duration(b.Limit) * time.Hour, Reconcile: time.Duration(b.Reconcile) * 24 * time.Hour}
	if b.Reconcile == 0 {
		o.Reconcile = -1
	}
	return bulk.New(client, o), nil
}

// exportPath is what is exported, below the base address.
func exportPath(b *settings.Bulk) string {
	switch b.Level {
	case settings.LevelGroup:
		return "Group/" + b.Group + "/$export"
	case settings.LevelSystem:
		return "$export"
	}
	return "Patient/$export"
}

// bulkClient talks to a server of exports. Its files may lie where no login goes.
func bulkClient(b *settings.Bulk, tries int) (client *fhirhttp.Client, err error) {
	login, err := fhirauth.New(fhirauth.Options{Server: b.Rest})
	if err == nil {
		o := fhirhttp.Options{Base: b.Rest.URL, HTTP: login, Bare: login.Bare(), Tries: tries, Aliases: b.Aliases, Files: b.FileHosts}
		if o.Foreign, err = fhirauth.Elsewhere(b.Rest); err == nil {
			client, err = fhirhttp.New(o)
		}
	}
	if fault.KindOf(err) == fault.Invalid {
		return nil, &exitCode{exitUsage, err}
	}
	return client, err
}

// hookOf is where servers tell that something changed; nil: nowhere.
func hookOf(s *settings.Settings, log *slog.Logger, ready func(string)) (*daemon.Hook, error) {
	w := s.Sources.Hook
	if !w.Given() {
		return nil, nil
	}
	config, err := webhook.TLS(w)
	if err != nil {
		return nil, err
	}
	o := webhook.Options{Header: w.Header, Hints: webhook.NewHints(0), Log: log}
	for _, name := range feedsOf(s) {
		if name != folderName {
			o.Sources = append(o.Sources, name)
		}
	}
	if w.Secret.Given() {
		if _, err := w.Secret.Read(); err != nil {
			return nil, err
		}
		o.Secret = w.Secret.Read
	}
	return &daemon.Hook{Listen: w.Listen, TLS: config, Handler: webhook.New(o), Hints: o.Hints, Ready: ready}, nil
}

// feedsOf are the names of those sources.
func feedsOf(s *settings.Settings) (names []string) {
	if s.Sources.Folder != "" {
		names = append(names, folderName)
	}
	if s.Sources.Rest.URL != "" {
		names = append(names, serverName)
	}
	if s.Sources.Bulk.Rest.URL != "" {
		names = append(names, bulkName)
	}
	return names
}

// ownBase says whether an address is the base of a server that is read.
func ownBase(s *settings.Settings) func(string) bool {
	var own []string
	for _, url := range []string{s.Sources.Rest.URL, s.Sources.Bulk.Rest.URL} {
		if url != "" {
			own = append(own, strings.TrimRight(url, "/"))
		}
	}
	if len(own) == 0 {
		return nil
	}
	return func(base string) bool { return slices.Contains(own, strings.TrimRight(base, "/")) }
}
