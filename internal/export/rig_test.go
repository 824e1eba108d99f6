package export_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/demo"
	"perennial/internal/export"
	"perennial/internal/kv/memkv"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

const site = "site-1"

// made is when the exports of the tests are made.
func made() time.Time { return time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC) }

// world is what the tests export: the plans of the demonstration cohort and of the
// worked cases, and the shipped protocols; then one of their own, which has every
// part of a rule, with a plan.
type world struct {
	plans     []surveil.Plan
	protocols []*protocol.Protocol
	err       error
}

// all is the world, put together once.
var all = sync.OnceValue(func() (w world) {
	text, rulings := cohort()
	if w.err = w.take("cohort.ndjson", text, rulings); w.err != nil {
		return w
	}
	files, _ := filepath.Glob("../../testdata/patients/*/bundle.json")
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			return world{err: err}
		}
		rulings, _ := os.ReadFile(filepath.Join(filepath.Dir(name), "rulings.ndjson")) // few cases have some
		if w.err = w.take(name, text, rulings); w.err != nil {
			return w
		}
	}
	p, err := rulesProtocol()
	if err != nil {
		return world{err: err}
	}
	w.protocols, w.plans = append(w.protocols, p), append(w.plans, leaking(p, day.Of(2025, 2, 1)))
	return w
})

// cohort is the demonstration cohort, with what was decided about it.
func cohort() (text, rulings []byte) {
	for _, line := range demo.Cohort(day.Of(2026, 6, 30)) {
		text = append(append(text, line...), '\n')
	}
	return text, demo.Rulings(day.Of(2026, 6, 30))
}

// shipped is what a site works by that says nothing.
var shipped = sync.OnceValues(func() (assess.Work, error) { return assess.Prepare(assess.Options{Shipped: config.Files}) })

// take adds the plans of an input, as a clinic makes them.
func (w *world) take(name string, text, rulings []byte) error {
	ctx := context.Background()
	work, err := shipped()
	if err != nil {
		return err
	}
	db := memkv.New()
	defer db.Close()
	if err := clinic.Init(ctx, db, made()); err != nil {
		return err
	}
	c, err := clinic.New(ctx, clinic.Options{DB: db, Book: work.Book, Rules: work.Rules, Now: made})
	if err != nil {
		return err
	}
	if _, err := c.Import(ctx, "test", clinic.Batches(name, bytes.NewReader(text))); err != nil {
		return err
	}
	var list []chart.Ruling
	for line := range strings.Lines(string(rulings)) {
		var r chart.Ruling
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			return err
		}
		if r.Kind != chart.RuleSnooze { // it is about an item of its own day, and changes no schedule
			list = append(list, r)
		}
	}
	if _, err := c.RuleAll(ctx, list); err != nil {
		return err
	}
	w.protocols = c.Protocols()
	return c.Plans(ctx, func(p *surveil.Plan, _, _ int) error {
		w.plans = append(w.plans, *p)
		return nil
	})
}

// everything is the world, exported: once for files, once for a Bundle.
func everything(t *testing.T, bundled bool) []export.Resource {
	t.Helper()
	made := plain
	if bundled {
		made = linked
	}
	list, err := made()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

var (
	plain  = sync.OnceValues(func() ([]export.Resource, error) { return exportAll(false) })
	linked = sync.OnceValues(func() ([]export.Resource, error) { return exportAll(true) })
)

// exportAll exports the world.
func exportAll(bundled bool) (list []export.Resource, err error) {
	w := all()
	if w.err != nil {
		return nil, w.err
	}
	if len(w.plans) < 400 || len(w.protocols) < 6 {
		return nil, fmt.Errorf("only %d plans, %d protocols", len(w.plans), len(w.protocols))
	}
	for _, p := range w.protocols {
		one, err := export.Protocol(p)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.Ref(), err)
		}
		list = append(list, one...)
	}
	o := export.Options{Site: site, At: made(), Protocols: w.protocols, Bundled: bundled}
	for i := range w.plans {
		one, err := export.Plan(&o, &w.plans[i])
		if err != nil {
			return nil, fmt.Errorf("%s: %w", w.plans[i].Patient, err)
		}
		list = append(list, one...)
	}
	return list, nil
}
