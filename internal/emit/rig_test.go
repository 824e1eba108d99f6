package emit_test

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/emit"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/outbox"
	"perennial/internal/protocol"
	"perennial/internal/source"
	"perennial/internal/surveil"
	"perennial/internal/testkit/fakefhir"
)

const site = "site-1"

// everyType is all that can be turned on.
func everyType() []string {
	return []string{"CarePlan", "ServiceRequest", "Flag", "Communication", "Provenance"}
}

// shipped are the code book and the rules that are shipped, with reports of all times as work.
var shipped = sync.OnceValue(func() assess.Work {
	numbers := surveil.Defaults()
	numbers.Start = day.Of(1990, 1, 1)
	w, err := assess.Prepare(assess.Options{Shipped: config.Files, Settings: &numbers})
	if err != nil {
		panic(err)
	}
	return w
})

// rig is a clinic that sends to a server.
type rig struct {
	*clinic.Clinic
	t     *testing.T
	db    kv.DB
	base  string
	dir   string // files are written there instead
	types []string
	lose  func(key string) bool // the ledger is not written when it would say this: the program dies
	clock time.Time
}

// newRig is a clinic that writes these types to a server, live.
func newRig(t *testing.T, base string, types ...string) *rig {
	t.Helper()
	r := &rig{t: t, db: kvtest.Twice(memkv.New()), base: base, types: types, clock: time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC)}
	t.Cleanup(func() { r.db.Close() })
	if err := clinic.Init(t.Context(), r.db, r.clock); err != nil {
		t.Fatal(err)
	}
	r.start()
	if err := r.GoLive(t.Context(), "T. Quill"); err != nil {
		t.Fatal(err)
	}
	return r
}

// newFilesRig is a clinic that writes everything to a folder.
func newFilesRig(t *testing.T, dir string) *rig {
	t.Helper()
	r := &rig{t: t, db: kvtest.Twice(memkv.New()), dir: dir, types: everyType(), clock: time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC)}
	t.Cleanup(func() { r.db.Close() })
	if err := clinic.Init(t.Context(), r.db, r.clock); err != nil {
		t.Fatal(err)
	}
	r.start()
	return r
}

// files are the ways out to a folder.
func (r *rig) files(known func() []*protocol.Protocol) []outbox.Route {
	o := emit.Records(emit.Options{DB: r.db, Site: site, Version: "1.0", Receiver: "files", Types: r.types, Known: known, Files: true})
	return []outbox.Route{{Name: "files", Files: true, Carrier: fhirtask.NewFiles(r.dir, site)}, {Name: "files", Files: true, Carrier: fhirrecord.NewFiles(r.dir, site, o)}}
}

// start makes the clinic afresh, as after a restart.
func (r *rig) start() {
	r.t.Helper()
	if r.dir != "" {
		r.startFiles()
		return
	}
	client, err := fhirhttp.New(fhirhttp.Options{Base: r.base, Tries: 1})
	if err != nil {
		r.t.Fatal(err)
	}
	now := func() time.Time { return r.clock }
	var c *clinic.Clinic
	last := func(key string) (receipt string) {
		_ = r.db.View(context.Background(), func(tx kv.Reader) (err error) {
			receipt, err = outbox.LastReceipt(tx, key, "server")
			return err
		})
		return receipt
	}
	routes := []outbox.Route{{Name: "server", Carrier: fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: site, Last: last, Now: now})}}
	o := emit.Records(emit.Options{DB: r.db, Site: site, Version: "1.0", Receiver: "records", Types: r.types, Tasks: []string{"server"},
		Known: func() []*protocol.Protocol { return c.Known() }})
	keep := o.Keep
	o.Keep = func(ctx context.Context, patient string, l fhirrecord.Ledger) error {
		if r.lose != nil && r.lose(fmt.Sprint(l)) {
			return context.DeadlineExceeded
		}
		return keep(ctx, patient, l)
	}
	if len(r.types) > 0 {
		routes = append(routes, outbox.Route{Name: "records", Carrier: fhirrecord.NewServer(fhirrecord.ServerOptions{Options: o, Client: client, Now: now})})
	}
	c, err = clinic.New(r.t.Context(), clinic.Options{DB: r.db, Book: shipped().Book, Rules: shipped().Rules, Now: now, Mode: outbox.Send, Routes: routes, Site: site,
		Records: clinic.Records{Types: r.types, To: "records"}})
	if err != nil {
		r.t.Fatal(err)
	}
	r.Clinic = c
}

func (r *rig) startFiles() {
	r.t.Helper()
	c, err := clinic.New(r.t.Context(), clinic.Options{DB: r.db, Book: shipped().Book, Rules: shipped().Rules, Now: func() time.Time { return r.clock }, Mode: outbox.Files, Site: site,
		Routes: r.files(func() []*protocol.Protocol { return r.Known() }), Records: clinic.Records{Types: r.types, To: "files"}})
	if err != nil {
		r.t.Fatal(err)
	}
	r.Clinic = c
}

// give imports resources.
func (r *rig) give(bodies ...string) {
	r.t.Helper()
	var list []fhir.Raw
	for i, b := range bodies {
		list = append(list, fhir.Raw{File: "test", Line: i + 1, Body: []byte(b)})
	}
	if _, err := r.Import(r.t.Context(), "test", once(source.Batch{Resources: list, Cursor: r.clock.String()})); err != nil {
		r.t.Fatal(err)
	}
}

func once(b source.Batch) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) { yield(b, nil) }
}

// drain sends until nothing is due, and gives how many were sent and the last error.
func (r *rig) drain() (sent int, why string) {
	r.t.Helper()
	for range 10 {
		t, err := r.Drain(r.t.Context(), 0)
		if err != nil {
			r.t.Fatal(err)
		}
		if sent += t.Sent; t.Why != "" {
			why = t.Why
		}
		if t.Sent+t.Failed+t.Later == 0 {
			break
		}
	}
	return sent, why
}

// sound fails the test where the store does not check.
func (r *rig) sound() {
	r.t.Helper()
	rep, err := r.Check(r.t.Context())
	if err != nil || len(rep.Problems) > 0 || !rep.Sums.Hold() {
		r.t.Fatalf("%v %v %+v", err, rep.Problems, rep.Sums)
	}
}

// receipts are those of the items of a kind, by key.
func (r *rig) items(kind string) (list []outbox.Item) {
	r.t.Helper()
	err := r.db.View(r.t.Context(), func(tx kv.Reader) error {
		all, err := outbox.List(tx, "", "", 1<<20)
		for _, it := range all {
			if it.Kind == kind {
				list = append(list, it)
			}
		}
		return err
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}

// resource is what a test looks at.
type resource struct {
	ResourceType, ID, Status, Intent, Recorded string
	Meta                                       struct{ VersionID string }
	Identifier                                 []fhir.Identifier
	BasedOn, Target, About                     []fhir.Reference
	Activity                                   json.RawMessage
	StatusReason                               fhir.CodeableConcept
	Note                                       []fhir.Annotation
}

// activities are what a CarePlan asks for.
func (r *resource) activities(t *testing.T) (list []struct{ Reference fhir.Reference }) {
	t.Helper()
	if len(r.Activity) > 0 && json.Unmarshal(r.Activity, &list) != nil {
		t.Fatal("the activities cannot be read")
	}
	return list
}

// on gives the resources of a type that a fake server has.
func on(t *testing.T, s *fakefhir.Server, typ string) (list []resource) {
	t.Helper()
	for key, body := range s.Truth() {
		if strings.HasPrefix(key, typ+"/") {
			var r resource
			if err := json.Unmarshal([]byte(body), &r); err != nil {
				t.Fatal(err)
			}
			list = append(list, r)
		}
	}
	return list
}

// status counts the resources of a type by their status.
func status(t *testing.T, s *fakefhir.Server, typ string) map[string]int {
	t.Helper()
	n := map[string]int{}
	for _, r := range on(t, s, typ) {
		n[r.Status]++
	}
	return n
}

// server is a fake server with all types.
func server(t *testing.T) *fakefhir.Server {
	return fakefhir.Start(t, fakefhir.Options{Types: append(everyType(), "Task", "Patient")})
}

func patient(id string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,"identifier":[{"system":"urn:mrn","value":"QUAY-%s"}],"name":[{"family":"Quay-%s","given":["Testa"]}],"birthDate":"1948-02-02"}`, id, id, id)
}

func evar(id, patient, on string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":%q,"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":%q}`, id, patient, on)
}

func cta(id, patient, on string) string { return ctaIn(id, patient, on, "available", "1") }

func ctaIn(id, patient, on, status, version string) string {
	return fmt.Sprintf(`{"resourceType":"ImagingStudy","id":%q,"meta":{"versionId":%q},"status":%q,"modality":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}],"subject":{"reference":"Patient/%s"},"started":%q,"procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}],"numberOfSeries":1,"series":[{"uid":"2.999.1.%d","modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}}]}`,
		id, version, status, patient, on, len(id))
}

// has says whether anything is stored under a key.
func has(r *rig, prefix string) bool {
	r.t.Helper()
	n := 0
	from, to := kv.Prefix(prefix)
	if err := r.db.View(r.t.Context(), func(tx kv.Reader) error { return tx.Scan(from, to, func(_, _ []byte) error { n++; return nil }) }); err != nil {
		r.t.Fatal(err)
	}
	return n > 0
}
