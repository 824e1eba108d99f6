package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/daemon"
	"perennial/internal/day"
	"perennial/internal/demo"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/mail"
	"perennial/internal/outbox"
	"perennial/internal/surveil"
)

// demoCommand shows the program at work on an invented clinic.
func demoCommand(e *env) *cobra.Command {
	var asOf, dir string
	var pages bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "Show the program at work on an invented clinic",
		Long: "Invents about 400 patients of " + demo.Unit + " in " + demo.Town + ", writes them as FHIR, takes them into a store of its own, and\n" +
			"shows who is due and overdue, the three sums, the Tasks and the digest. The same as-of date gives the same result.\n" +
			"Then it shows the pages on this computer until Ctrl-C.\n\n" +
			"Exit status:\n  0  shown\n  1  it could not be done\n  2  usage",
		Example: "  perennial demo\n  perennial demo --as-of 2026-06-30 --dir ./demo --pages=false",
		Args:    cobra.NoArgs,
	}
	c.Flags().StringVar(&asOf, "as-of", "", "the day to show, YYYY-MM-DD (default today)")
	c.Flags().StringVar(&dir, "dir", "", "folder for what is written (default a temporary one)")
	c.Flags().BoolVar(&pages, "pages", true, "show the pages until Ctrl-C; --pages=false ends before")
	c.RunE = func(c *cobra.Command, _ []string) error {
		on, err := dayFlag("as-of", asOf)
		if err != nil {
			return err
		}
		if on == 0 {
			y, m, d := e.now().UTC().Date()
			on = day.Of(y, int(m), d)
		}
		if dir == "" {
			if dir, err = os.MkdirTemp("", "perennial-demo-"); err != nil {
				return fault.New(fault.Denied, "making a temporary folder", "Name a folder with --dir.", err)
			}
		}
		return runDemo(c.Context(), e, dir, on, pages)
	}
	return c
}

// runDemo does the whole of it in a folder: the import is yesterday's, so that
// the digest tells what today changes.
func runDemo(ctx context.Context, e *env, dir string, on day.Day, pages bool) error {
	fhirDir := filepath.Join(dir, "fhir")
	counts, err := demo.Write(fhirDir, on)
	if err != nil {
		return err
	}
	clock := noon(on - 1)
	cl, closeStore, err := demoClinic(ctx, dir, func() time.Time { return clock })
	if err != nil {
		return err
	}
	defer closeStore()
	quiet := *e
	quiet.stdout = new(bytes.Buffer)
	if err := importFiles(ctx, &quiet, cl, &refusals{}, importOptions{paths: []string{fhirDir}, format: "table"}); err != nil && fault.KindOf(err) != fault.Invalid {
		return err
	}
	if err := demoRulings(ctx, cl, on); err != nil {
		return err
	}
	if err := cl.Digested(ctx); err != nil { // yesterday's letter
		return err
	}
	clock = noon(on)
	if _, err := cl.Tick(ctx); err != nil {
		return err
	}
	tasks, err := demoTasks(ctx, cl, dir)
	if err != nil {
		return err
	}
	letter, err := demoLetter(ctx, cl, dir, on)
	if err != nil {
		return err
	}
	total := 0
	for _, n := range counts {
		total += n
	}
	fmt.Fprintf(e.stdout, "%s, %s: an invented cohort, %d FHIR resources, as of %s\n\n", demo.Unit, demo.Town, total, on.Text())
	if err := demoDue(ctx, e, cl); err != nil {
		return err
	}
	st, err := cl.Status(ctx)
	if err != nil {
		return err
	}
	st.Sources = nil
	writeStatus(e.stdout, &st, cl.Zone())
	fmt.Fprintf(e.stdout, "\nwritten:\n  resources  %s\n  Tasks      %s (%d)\n  digest     %s\n  store      %s\n", fhirDir, filepath.Join(dir, "tasks.ndjson"), tasks, letter, filepath.Join(dir, "demo.db"))
	if !pages {
		return nil
	}
	return demoPages(ctx, e, cl, on)
}

// demoPages shows the pages until the context ends, at the usual address so that
// they are where they were the last time; at another where that is taken. Their
// clock goes on from the noon of the day that is shown.
func demoPages(ctx context.Context, e *env, cl *clinic.Clinic, on day.Day) error {
	g, err := assess.LoadGuidance(config.Files)
	if err != nil {
		return err
	}
	begun, shown := time.Now(), false
	o := daemon.Options{Clinic: cl, Listen: "127.0.0.1:8420", Log: slog.New(slog.NewTextHandler(e.stderr, nil)), Version: buildOf().Version, Poll: time.Hour, Digest: daemon.Digest{Link: "http://127.0.0.1:8420"},
		Pages: &daemon.Pages{Clinic: cl, Site: demo.Unit, Conflicts: g.Conflicts, Now: func() time.Time { return noon(on).Add(time.Since(begun)) }},
		Ready: func(at string) {
			shown = true
			fmt.Fprintf(e.stdout, "\npages: %s  (Ctrl-C ends)\n", at)
		}}
	err = daemon.Serve(ctx, o)
	if fault.KindOf(err) == fault.Unavailable && !shown {
		o.Listen, o.Digest.Link = "127.0.0.1:0", ""
		err = daemon.Serve(ctx, o)
	}
	return err
}

// demoClinic makes the store; its clock is given.
func demoClinic(ctx context.Context, dir string, now func() time.Time) (*clinic.Clinic, func(), error) {
	study := assess.SiteStudy{Study: demo.StudyKey, Name: demo.StudyName, Protocol: "label-1-6-12-trial"}
	w, err := assess.Prepare(assess.Options{Shipped: config.Files, Studies: []assess.SiteStudy{study}})
	if err != nil {
		return nil, nil, err
	}
	rules := *w.Rules
	rules.Settings.Start = day.Of(now().Year()-1, int(now().Month()), 1) // the unit has worked with it for a year
	w.Rules = &rules
	path := filepath.Join(dir, "demo.db")
	if err := boltkv.Create(path); err != nil {
		return nil, nil, fault.New(fault.KindOf(err), "", "Name a new folder with --dir.", err)
	}
	db, err := boltkv.Open(path)
	if err != nil {
		return nil, nil, err
	}
	closeStore := func() { _ = db.Close() }
	if err := clinic.Init(ctx, db, now()); err != nil {
		closeStore()
		return nil, nil, err
	}
	cl, err := clinic.New(ctx, clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Zone: w.Zone, Now: now, Mode: outbox.Files, Site: "demo",
		Routes: []outbox.Route{{Name: "files", Files: true, Carrier: fhirtask.NewFiles(filepath.Join(dir, "tasks"), "demo")}}})
	if err != nil {
		closeStore()
		return nil, nil, err
	}
	return cl, closeStore, nil
}

// noon is the middle of a day.
func noon(on day.Day) time.Time {
	y, m, d := on.Civil()
	return time.Date(y, time.Month(m), d, 12, 0, 0, 0, time.UTC)
}

// demoRulings enters what the unit's nurse has decided.
func demoRulings(ctx context.Context, cl *clinic.Clinic, on day.Day) error {
	var list []chart.Ruling
	lines := bufio.NewScanner(bytes.NewReader(demo.Rulings(on)))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var r chart.Ruling
		if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
			return fault.Wrap("reading the demo's rulings", err)
		}
		list = append(list, r)
	}
	_, err := cl.RuleAll(ctx, list)
	return err
}

// demoTasks writes the Tasks and gathers them into one file.
func demoTasks(ctx context.Context, cl *clinic.Clinic, dir string) (int, error) {
	for {
		t, err := cl.Drain(ctx, 1000)
		if err != nil {
			return 0, err
		}
		if t.Sent == 0 {
			return fhirtask.NewFiles(filepath.Join(dir, "tasks"), "demo").Gather(filepath.Join(dir, "tasks.ndjson"))
		}
	}
}

// demoLetter writes the digest as an .eml file.
func demoLetter(ctx context.Context, cl *clinic.Clinic, dir string, on day.Day) (string, error) {
	now := func() time.Time { return noon(on) }
	l, err := daemon.Letter(ctx, &daemon.Pages{Clinic: cl, Site: demo.Unit, Now: now}, daemon.Digest{}, "nurse@saltmere.example")
	if err != nil {
		return "", err
	}
	folder := filepath.Join(dir, "mail")
	name, err := mail.Folder{Dir: folder}.Send(ctx, mail.Message{Key: l.Key, From: "surveillance@saltmere.example", To: l.To, Date: noon(on), Subject: l.Subject, Text: l.Text, HTML: l.HTML})
	return filepath.Join(folder, name), err
}

// demoDue shows the first of those who are due.
func demoDue(ctx context.Context, e *env, cl *clinic.Clinic) error {
	rows, err := cl.Due(ctx, clinic.Filter{})
	if err != nil {
		return err
	}
	n := map[string]int{}
	for i := range rows {
		n[string(rows[i].Owed.Standing)]++
	}
	fmt.Fprintf(e.stdout, "visits: %d overdue, %d open, %d booked. The first to close:\n", n[string(surveil.Overdue)], n[string(surveil.Open)], n[string(surveil.Booked)])
	if err := writeDue(e.stdout, "table", rows[:min(8, len(rows))]); err != nil {
		return err
	}
	_, err = fmt.Fprintln(e.stdout)
	return err
}
