package clinic_test

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/kv/memkv"
	"perennial/internal/outbox"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// A clinic whose server misbehaved holds, within three polls after it is over, what a clinic has whose server never
// did: the same plans and open work, to the byte, and on the server the same Tasks, each once. So it is for each fault,
// whether the server is read type by type (odd seeds) or patient by patient.
func TestFaultsOfTheServerLeaveNoTrace(t *testing.T) {
	t.Parallel()
	for _, f := range fakefhir.Faults() {
		t.Run(f.Bug+" "+f.Name, func(t *testing.T) {
			t.Parallel()
			var hits atomic.Int64
			for seed := range faultSeeds() {
				hits.Add(int64(newStorm(t, f, uint64(seed+1), seed%2 == 1).run()))
			}
			if hits.Load() == 0 {
				t.Error("it never struck")
			}
		})
	}
}

// faultSeeds is how often each fault is tried here: PERENNIAL_SEEDS says more.
func faultSeeds() int {
	if n, err := strconv.Atoi(os.Getenv("PERENNIAL_SEEDS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return 1
	}
	return 5
}

// site is a server on which people work, and a clinic that reads it and sends its Tasks there.
type site struct {
	*rig
	server *fakefhir.Server
	source *rest.Source
}

// storm is two sites with the same patients: one server misbehaves, the other never does.
type storm struct {
	t         *testing.T
	what      string
	fault     fakefhir.Fault
	seed      uint64
	rng       *rand.Rand
	bad, good *site
	studies   int
}

// stormTypes are the types that the servers have beside Task.
func stormTypes() []string { return []string{"Patient", "Procedure", "ImagingStudy", "Appointment"} }

// stormPatients is how many patients there are.
const stormPatients = 6

func newStorm(t *testing.T, f fakefhir.Fault, seed uint64, byPatient bool) *storm {
	t.Helper()
	h := fnv.New64()
	h.Write([]byte(f.Name))
	s := &storm{t: t, fault: f, seed: seed, what: fmt.Sprintf("seed %d, patient by patient %v", seed, byPatient), rng: rand.New(rand.NewPCG(seed, h.Sum64()))}
	page := 4 + s.rng.IntN(6)
	s.bad, s.good = newSite(t, f, page, byPatient), newSite(t, f, page, byPatient)
	for i := range stormPatients {
		s.put("Patient", patient(fmt.Sprintf("p%d", i), ""), 0)
	}
	for range 25 {
		s.work()
	}
	s.advance(time.Hour)
	return s
}

func newSite(t *testing.T, f fakefhir.Fault, page int, byPatient bool) *site {
	t.Helper()
	server := fakefhir.Start(t, fakefhir.Options{Types: append(stormTypes(), "Task"), Page: page})
	timeout := 20 * time.Second
	if f.Name == "one-byte-a-second" {
		timeout = 100 * time.Millisecond
	}
	client, err := fhirhttp.New(fhirhttp.Options{Base: server.Base, Tries: 2, MaxBody: 256 << 10, MaxPages: 400, Timeout: timeout,
		Now: server.Now, Sleep: func(context.Context, time.Duration) error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	o := rest.Options{Name: "main", Types: append(stormTypes(), "Task"), Discover: true, Now: server.Now}
	if byPatient {
		o.Patients = func(context.Context) (ids []string, err error) {
			for i := range stormPatients {
				ids = append(ids, fmt.Sprintf("Patient/p%d", i))
			}
			return ids, nil
		}
	}
	r := newRigOn(t, memkv.New())
	r.clock = server.Now()
	r.o.Mode, r.o.Feeds, r.o.Site = outbox.Send, []string{"main"}, crashSite
	r.o.Routes = []outbox.Route{{Name: "server", Carrier: fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: crashSite, Now: server.Now, Last: func(key string) (receipt string) {
		err := r.db.View(t.Context(), func(tx kv.Reader) (err error) {
			receipt, err = outbox.LastReceipt(tx, key, "server")
			return err
		})
		if err != nil {
			t.Error(err)
		}
		return receipt
	}})}}
	r.start()
	if err := r.GoLive(t.Context(), "N. Quay"); err != nil {
		t.Fatal(err)
	}
	return &site{rig: r, server: server, source: rest.New(client, o)}
}

// put stores a resource on both servers.
func (s *storm) put(typ, body string, late time.Duration) {
	var r map[string]json.RawMessage
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		s.t.Fatal(err)
	}
	var id string
	if err := json.Unmarshal(r["id"], &id); err != nil {
		s.t.Fatal(err)
	}
	var fields []string
	for _, name := range slices.Sorted(maps.Keys(r)) {
		if name != "id" && name != "resourceType" && name != "meta" {
			fields = append(fields, fmt.Sprintf("%q:%s", name, r[name]))
		}
	}
	s.bad.server.PutLate(typ, id, strings.Join(fields, ","), late)
	s.good.server.PutLate(typ, id, strings.Join(fields, ","), late)
}

func (s *storm) advance(d time.Duration) {
	for _, x := range []*site{s.bad, s.good} {
		x.server.Advance(d)
		x.clock = x.server.Now()
	}
}

// work is what people do: an operation, a scan, a study that is taken back or put right, an appointment.
func (s *storm) work() {
	n := s.rng.IntN(stormPatients)
	p := fmt.Sprintf("p%d", n) // whose a resource is stays so
	on := fmt.Sprintf("%d-%02d-%02d", 2021+s.rng.IntN(5), 1+s.rng.IntN(12), 1+s.rng.IntN(28))
	late := time.Duration(s.rng.IntN(4)/3*s.rng.IntN(120)) * time.Second
	switch s.rng.IntN(5) {
	case 0:
		s.put("Procedure", evar(fmt.Sprintf("op%d-%d", n, s.rng.IntN(2)), p, on), late)
	case 1:
		s.put("ImagingStudy", ctaIn(fmt.Sprintf("s%d-%d", n, s.rng.IntN(s.studies+1)), p, on, []string{"available", "cancelled", "registered"}[s.rng.IntN(3)], "1"), late)
	case 2:
		s.put("Appointment", fmt.Sprintf(`{"resourceType":"Appointment","id":"a%d-%d","status":"booked","start":"2026-0%d-15T09:00:00Z","serviceType":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}],"participant":[{"actor":{"reference":"Patient/%s"},"status":"accepted"}]}`,
			n, s.rng.IntN(3), 7+s.rng.IntN(3), p), late)
	default:
		s.put("ImagingStudy", cta(fmt.Sprintf("s%d-%d", n, s.studies), p, on), late)
		s.studies++
	}
	s.advance(time.Duration(s.rng.IntN(100)) * time.Second)
}

// run polls: before the fault, with it, and three times after it; then compares.
func (s *storm) run() (hits int) {
	if s.seed > 1 && s.rng.IntN(2) == 0 { // some faults are only met at the beginning
		s.poll()
	}
	s.bad.server.Break(s.fault.Name, s.seed)
	for range 2 + s.rng.IntN(2) {
		s.poll()
	}
	hits = s.bad.server.Heal()
	s.advance(10 * time.Minute) // what was stamped is committed
	if s.fault.Name == "metadata-lies" {
		s.advance(24 * time.Hour) // a server that says that it takes no Tasks is asked again a day later
	}
	for range 3 {
		s.poll()
	}
	s.compare()
	return hits
}

// poll lets people work, then both clinics read, look at the day, and send.
func (s *storm) poll() {
	for range s.rng.IntN(6) {
		s.work()
	}
	s.advance(time.Duration(16+s.rng.IntN(30)) * time.Minute)
	for _, x := range []*site{s.bad, s.good} {
		_, err := x.Pull(s.t.Context(), x.source) // what failed is tried again
		if err != nil && x == s.good {
			s.t.Errorf("%s: the faultless server: %v", s.what, err)
		}
		if _, err := x.Tick(s.t.Context()); err != nil {
			s.t.Errorf("%s: %v", s.what, err)
		}
		if err := x.Hurry(s.t.Context()); err != nil {
			s.t.Error(err)
		}
		for range 5 {
			if _, err := x.Drain(s.t.Context(), 0); err != nil {
				s.t.Errorf("%s: %v", s.what, err)
			}
		}
	}
}

func (s *storm) compare() {
	s.t.Helper()
	for i := range stormPatients {
		id := fmt.Sprintf("p%d", i)
		if got, want := s.bad.state(id), s.good.state(id); got != want {
			s.t.Errorf("%s: %s is\n%s\nnot\n%s", s.what, id, got, want)
		}
	}
	got, doubled := s.bad.sent()
	want, _ := s.good.sent()
	if len(doubled) > 0 {
		s.t.Errorf("%s: %d Tasks are there twice", s.what, len(doubled))
	}
	for token, status := range want {
		if status == "requested" && got[token] != "requested" {
			s.t.Errorf("%s: a Task is %q, not requested", s.what, got[token])
		}
	}
	for token, status := range got {
		if status == "requested" && want[token] != "requested" {
			s.t.Errorf("%s: a Task is requested, not %q", s.what, want[token])
		}
	}
	if len(want) == 0 {
		s.t.Errorf("%s: no Tasks", s.what)
	}
	s.bad.sound()
}

// state is the plan and the open work of a patient, as text.
func (x *site) state(id string) string {
	x.t.Helper()
	rows, err := x.Worklist(x.t.Context(), clinic.Filter{Patient: id})
	if err != nil {
		x.t.Fatal(err)
	}
	v := x.view(id)
	all := []any{v.Plan, v.Line}
	for _, row := range rows {
		all = append(all, []any{row.Item.Work, row.Step, row.Text, row.Overdue, row.Booked, row.NoShow})
	}
	text, err := json.Marshal(all)
	if err != nil {
		x.t.Fatal(err)
	}
	return string(text)
}

// sent gives the Tasks on the server by token, with their status, and those that are there twice.
func (x *site) sent() (tasks map[string]string, doubled []string) {
	tasks = map[string]string{}
	for ref, body := range x.server.Truth() {
		if !strings.HasPrefix(ref, "Task/") {
			continue
		}
		var r struct{ Status string }
		if err := json.Unmarshal([]byte(body), &r); err != nil {
			x.t.Fatal(err)
		}
		token := tokenOf(body)
		if _, had := tasks[token]; had && r.Status != "entered-in-error" {
			doubled = append(doubled, token)
		}
		tasks[token] = r.Status
	}
	return tasks, doubled
}
