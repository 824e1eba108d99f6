package rest_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// seeds is how often each fault is tried: PERENNIAL_SEEDS says more.
func seeds(t *testing.T) int {
	if n, err := strconv.Atoi(os.Getenv("PERENNIAL_SEEDS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return 1
	}
	return 5
}

// What is delivered after a fault is what a faultless server would have delivered, within three polls after it is
// over; and no poll says that all is well while something is missing.
func TestFaults(t *testing.T) {
	t.Parallel()
	faults := fakefhir.Faults()
	if len(faults) < 40 {
		t.Errorf("only %d faults", len(faults))
	}
	for _, f := range faults {
		t.Run(f.Bug+" "+f.Name, func(t *testing.T) {
			t.Parallel()
			var hits atomic.Int64
			for seed := range seeds(t) {
				c := newChaos(t, f, uint64(seed+1))
				hits.Add(int64(c.run()))
			}
			if hits.Load() == 0 {
				t.Error("it never struck")
			}
		})
	}
}

// chaos is one run: a server on which people work, a source, and what it delivered.
type chaos struct {
	*delivered
	t      *testing.T
	fault  fakefhir.Fault
	seed   uint64
	rng    *rand.Rand
	server *fakefhir.Server
	source *rest.Source
	cursor string
	ids    map[string]int
	broken bool
}

func chaosTypes() []string { return []string{"Patient", "Procedure", "ImagingStudy", "Condition"} }

func newChaos(t *testing.T, f fakefhir.Fault, seed uint64) *chaos {
	t.Helper()
	h := fnv.New64()
	h.Write([]byte(f.Name))
	c := &chaos{delivered: &delivered{newest: map[string]state{}}, t: t, fault: f, seed: seed, rng: rand.New(rand.NewPCG(seed, h.Sum64())), ids: map[string]int{}}
	c.server = fakefhir.Start(t, fakefhir.Options{Types: chaosTypes(), Page: 4 + c.rng.IntN(6), Total: c.rng.IntN(2) == 0})
	for range 120 {
		c.work()
	}
	c.server.Advance(time.Hour)
	timeout := 20 * time.Second
	if f.Name == "one-byte-a-second" {
		timeout = 100 * time.Millisecond
	}
	client, err := fhirhttp.New(fhirhttp.Options{Base: c.server.Base, Tries: 2, MaxBody: 256 << 10, MaxPages: 400, Timeout: timeout,
		Now: c.server.Now, Sleep: func(context.Context, time.Duration) error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	c.source = rest.New(client, rest.Options{Name: "main", Types: chaosTypes(), Discover: true, Now: c.server.Now})
	return c
}

// work makes a resource or changes one.
func (c *chaos) work() {
	typ := chaosTypes()[c.rng.IntN(4)]
	n := c.ids[typ]
	id := fmt.Sprintf("%c%d-ab", typ[0]|0x20, c.rng.IntN(n+1))
	if c.rng.IntN(2) == 0 {
		id = fmt.Sprintf("%c%d-ab", typ[0]|0x20, n)
		c.ids[typ]++
	}
	fields := fmt.Sprintf(`"status":"completed","note":[{"text":"%d"}]`, c.rng.IntN(1e6))
	if typ == "ImagingStudy" {
		fields = fmt.Sprintf(`"status":"available","subject":{"reference":"Patient/p0-ab"},"note":[{"text":"not read"}],"description":"%d"`, c.rng.IntN(1e6))
	}
	if c.rng.IntN(4) == 0 {
		c.server.PutLate(typ, id, fields, time.Duration(c.rng.IntN(120))*time.Second)
	} else {
		c.server.Put(typ, id, fields)
	}
	c.server.Advance(time.Duration(c.rng.IntN(100)) * time.Second)
}

// run polls: some times before the fault, some times with it, and three times after it.
func (c *chaos) run() (hits int) {
	from := max(0, c.rng.IntN(5)-2)
	if c.seed == 1 {
		from = 0 // some faults are only met at the beginning
	}
	for range from {
		c.poll()
	}
	c.server.Break(c.fault.Name, c.seed)
	c.broken = true
	for range 1 + c.rng.IntN(4) {
		c.poll()
	}
	hits, c.broken = c.server.Heal(), false
	c.server.Advance(10 * time.Minute) // what was stamped is committed
	var errs []error
	for range 3 {
		errs = c.poll()
	}
	if len(errs) > 0 {
		c.t.Errorf("seed %d: the third poll after it: %v", c.seed, errs)
	}
	truth := c.server.Truth()
	if len(truth) != len(c.newest) {
		c.t.Errorf("seed %d: %d resources were delivered, there are %d", c.seed, len(c.newest), len(truth))
	}
	c.compare("after it", truth, true)
	return hits
}

// poll lets people work, then polls.
func (c *chaos) poll() (errs []error) {
	for range c.rng.IntN(8) {
		c.work()
	}
	c.server.Advance(time.Duration(1+c.rng.IntN(15)) * time.Minute)
	truth := c.server.Truth()
	for b, err := range c.source.Fetch(c.t.Context(), c.cursor) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if len(b.Issues) > 0 {
			c.t.Errorf("seed %d: issues %v", c.seed, b.Issues)
		}
		for _, raw := range b.Resources {
			c.take(c.t, raw.Body)
		}
		c.cursor = b.Cursor
	}
	if len(errs) == 0 && !(c.broken && c.fault.Blind) {
		c.compare("all is well, it says", truth, false)
	}
	return errs
}

// compare holds what was delivered against what there is. Exactly: not a later version either.
func (c *chaos) compare(when string, truth map[string]string, exactly bool) {
	c.t.Helper()
	for ref, body := range truth {
		want := stateOf(c.t, []byte(body))
		got, ok := c.newest[ref]
		switch {
		case !ok:
			c.t.Errorf("seed %d: %s: %s is missing; %s", c.seed, when, ref, c.cursor)
		case got.version < want.version || exactly && got.version != want.version:
			c.t.Errorf("seed %d: %s: %s is of version %d, not %d; %s", c.seed, when, ref, got.version, want.version, c.cursor)
		case got.version == want.version && got.body != want.body:
			c.t.Errorf("seed %d: %s: %s is\n%s, not\n%s", c.seed, when, ref, got.body, want.body)
		}
	}
}

// delivered is what a store makes of what it gets: of each resource the version changed last.
type delivered struct{ newest map[string]state }

type state struct {
	updated time.Time
	version int
	body    string // without meta: lastUpdated may be written in several ways; of a study what is read of it
}

func (d *delivered) take(t *testing.T, body []byte) {
	t.Helper()
	var r struct{ ResourceType, ID string }
	if err := json.Unmarshal(body, &r); err != nil {
		t.Fatal(err)
	}
	ref, s := r.ResourceType+"/"+r.ID, stateOf(t, body)
	if was, ok := d.newest[ref]; !ok || !s.updated.Before(was.updated) {
		d.newest[ref] = s
	}
}

func stateOf(t *testing.T, body []byte) state {
	t.Helper()
	var r struct {
		ResourceType string
		Meta         struct{ VersionID, LastUpdated string }
	}
	var members map[string]json.RawMessage
	if err := errors.Join(json.Unmarshal(body, &r), json.Unmarshal(body, &members)); err != nil {
		t.Fatal(err)
	}
	for name := range members {
		if name == "meta" || r.ResourceType == "ImagingStudy" && name != "id" && !slices.Contains(fhir.Elements("ImagingStudy"), name) {
			delete(members, name)
		}
	}
	text, err := json.Marshal(members)
	if err != nil {
		t.Fatal(err)
	}
	at, _ := time.Parse(time.RFC3339Nano, r.Meta.LastUpdated)
	n, _ := strconv.Atoi(r.Meta.VersionID)
	return state{at.Truncate(time.Second), n, string(text)}
}
