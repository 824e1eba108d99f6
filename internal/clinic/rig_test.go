package clinic_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/outbox"
	"perennial/internal/protocol"
	"perennial/internal/source"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// book and rules are the shipped ones.
var book = sync.OnceValue(func() *codes.Book {
	b, problems := codes.Load(config.Files)
	if len(problems) > 0 {
		panic(problems)
	}
	return b
})

var rules = sync.OnceValue(func() *surveil.Rules {
	sub, err := fs.Sub(config.Files, "protocols")
	if err != nil {
		panic(err)
	}
	set, problems := protocol.Load(sub)
	if len(problems) > 0 {
		panic(problems)
	}
	numbers := surveil.Defaults()
	numbers.Start = day.Of(1990, 1, 1) // all reports are work, however old
	return &surveil.Rules{Care: surveil.CareFrom(set, nil), All: set, Settings: numbers}
})

// rig is a clinic with a clock that stands still.
type rig struct {
	*clinic.Clinic
	t     testing.TB
	db    kv.DB
	o     clinic.Options
	clock time.Time
}

// newRig makes a clinic on a store in memory whose transactions all run twice.
func newRig(t testing.TB) *rig {
	t.Helper()
	return newRigOn(t, kvtest.Twice(memkv.New()))
}

func newRigOn(t testing.TB, db kv.DB) *rig { return newRigBy(t, db, rules()) }

// newRigBy makes a clinic that works by these rules from the first day.
func newRigBy(t testing.TB, db kv.DB, rules *surveil.Rules) *rig {
	t.Helper()
	r := &rig{t: t, db: db, clock: time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC)}
	t.Cleanup(func() { db.Close() })
	r.o = clinic.Options{DB: db, Book: book(), Rules: rules, Now: func() time.Time { return r.clock }}
	if err := clinic.Init(t.Context(), db, r.clock); err != nil {
		t.Fatal(err)
	}
	r.start()
	return r
}

// start makes the clinic afresh, as after a restart.
func (r *rig) start() {
	r.t.Helper()
	c, err := clinic.New(r.t.Context(), r.o)
	if err != nil {
		r.t.Fatal(err)
	}
	r.Clinic = c
}

// give imports resources as one batch.
func (r *rig) give(bodies ...string) clinic.Counts {
	r.t.Helper()
	counts, err := r.Import(r.t.Context(), "test", batchesOf(raws(bodies), len(bodies)))
	if err != nil {
		r.t.Fatal(err)
	}
	return counts
}

// sound fails the test where the store does not check.
func (r *rig) sound() clinic.Report {
	r.t.Helper()
	rep, err := r.Check(r.t.Context())
	if err != nil {
		r.t.Fatal(err)
	}
	if len(rep.Problems) > 0 || !rep.Sums.Hold() {
		r.t.Fatalf("the store is not sound: %s\n%+v", strings.Join(rep.Problems, "\n"), rep.Sums)
	}
	return rep
}

// view gives what is known of a patient.
func (r *rig) view(id string) clinic.View {
	r.t.Helper()
	v, err := r.Patient(r.t.Context(), id)
	if err != nil {
		r.t.Fatal(err)
	}
	return v
}

// work lists the open work of a patient: kind and step.
func (r *rig) work(id string) []string {
	r.t.Helper()
	rows, err := r.Worklist(r.t.Context(), clinic.Filter{Patient: id})
	if err != nil {
		r.t.Fatal(err)
	}
	var list []string
	for _, row := range rows {
		list = append(list, strings.TrimSpace(row.Item.Work.Kind+" "+row.Step))
	}
	slices.Sort(list)
	return list
}

func raws(bodies []string) []fhir.Raw {
	var list []fhir.Raw
	for i, b := range bodies {
		list = append(list, fhir.Raw{File: "test", Line: i + 1, Body: []byte(b)})
	}
	return list
}

// batchesOf gives resources in batches of a size.
func batchesOf(list []fhir.Raw, size int) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		n := 0
		for part := range slices.Chunk(list, max(size, 1)) {
			n += len(part)
			if !yield(source.Batch{Resources: part, Cursor: fmt.Sprint(n)}, nil) {
				return
			}
		}
	}
}

// allCases are the resources of all worked cases, one list.
func allCases(t testing.TB) []fhir.Raw {
	t.Helper()
	files, err := filepath.Glob("../../testdata/patients/*/bundle.json")
	if err != nil || len(files) < 40 {
		t.Fatalf("only %d cases were found: %v", len(files), err)
	}
	var list []fhir.Raw
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		err = fhir.Read(file, bytes.NewReader(text), fhir.Handler{Each: func(r fhir.Raw) error {
			r.Body = slices.Clone(r.Body)
			list = append(list, r)
			return nil
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	return list
}

// atOnce evaluates resources all at once, without a store, and counts what
// became of them.
func atOnce(t testing.TB, list []fhir.Raw, asOf day.Day) (map[string]surveil.Plan, store.ResourceSum) {
	t.Helper()
	var g intake.Grouper
	sum := store.ResourceSum{Received: len(list)}
	m := intake.Mapper{Book: book(), Zone: time.UTC, Source: "test"}
	for i, raw := range list {
		s, use := mapOne(&m, raw)
		switch use {
		case intake.NotRelevant:
			sum.NotRelevant++
			continue
		case intake.Quarantined:
			sum.Quarantined++
		}
		if s != nil {
			s.Seq = int64(i + 1)
			g.Add(s, intake.Place{FullURL: raw.FullURL})
		}
	}
	plans := map[string]surveil.Plan{}
	gs := g.Groups()
	for i := range gs.Len() {
		var group intake.Group
		gs.At(i, &group)
		c, tally := chart.Assemble(group.Statements, chart.Options{Patient: group.Patient})
		sum.Used += tally.Used - group.Added
		sum.Superseded += tally.Superseded
		sum.InError += tally.InError
		if p := surveil.Evaluate(c, rules(), asOf); len(p.Implants) > 0 {
			plans[group.Patient] = p
		}
	}
	sum.Superseded += gs.Moved
	sum.InError += gs.Loose
	sum.Quarantined += len(gs.Parked())
	return plans, sum
}

// mapOne reads one resource as package assess does.
func mapOne(m *intake.Mapper, raw fhir.Raw) (*chart.Statement, intake.Use) {
	r, err := fhir.Decode(raw.Body)
	if err == nil {
		intake.Identify(r.Head(), raw)
		s, use, err := m.Map(r)
		if err == nil {
			return s, use
		}
	}
	if s, ok := m.Unread(fhir.Salvage(raw.Body), "status is not a status that R4 has for this type"); ok {
		return &s, intake.Quarantined
	}
	return nil, intake.Quarantined
}

// dump gives everything in a store, without when sources were read.
func dump(t testing.TB, db kv.DB) map[string]string {
	t.Helper()
	all := map[string]string{}
	from, to := kv.Prefix("source")
	err := db.View(t.Context(), func(r kv.Reader) error {
		return r.Scan(nil, nil, func(k, v []byte) error {
			if bytes.Compare(k, from) < 0 || bytes.Compare(k, to) >= 0 {
				all[string(k)] = string(v)
			}
			return nil
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// items lists the outbox.
func items(t testing.TB, db kv.DB, state outbox.State) []outbox.Item {
	t.Helper()
	var list []outbox.Item
	err := db.View(t.Context(), func(r kv.Reader) (err error) {
		list, err = outbox.List(r, state, "", 1<<20)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// Resources of invented people.

func patient(id, more string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,"identifier":[{"system":"urn:mrn","value":"QUAY-%s"}],"name":[{"family":"Quay-%s","given":["Testa"]}],"birthDate":"1948-02-02"%s}`, id, id, id, more)
}

func evar(id, patient, on string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":%q,"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":%q}`, id, patient, on)
}

func cta(id, patient, on string) string { return ctaIn(id, patient, on, "available", "1") }

func ctaIn(id, patient, on, status, version string) string {
	return fmt.Sprintf(`{"resourceType":"ImagingStudy","id":%q,"meta":{"versionId":%q},"status":%q,"modality":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}],"subject":{"reference":"Patient/%s"},"started":%q,"procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}],"numberOfSeries":1,"series":[{"uid":"2.999.1.%d","modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}}]}`,
		id, version, status, patient, on, len(id))
}

func task(id, key, patient, status string) string {
	return fmt.Sprintf(`{"resourceType":"Task","id":%q,"meta":{"versionId":%q,"lastUpdated":"2026-06-29T10:00:00Z"},"identifier":[{"system":%q,"value":%q}],"status":%q,"intent":"proposal","for":{"reference":"Patient/%s"},"lastModified":"2026-06-29T10:00:00Z"}`,
		id, status, intake.WorkSystem, key, status, patient)
}
