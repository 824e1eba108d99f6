package fhirtask_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/kv/memkv"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/testkit/fakefhir"
)

// office is an outbox in front of the fake server.
type office struct {
	t    testing.TB
	db   kv.DB
	fake *fakefhir.Server
	o    fhirtask.ServerOptions
	c    *fhirtask.Server
	now  time.Time
	sent int
}

func newOffice(t testing.TB, batch bool) *office {
	t.Helper()
	o := &office{t: t, db: memkv.New(), now: time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC), fake: fakefhir.Start(t, fakefhir.Options{Types: []string{"Task"}})}
	t.Cleanup(func() { o.db.Close() })
	client, err := fhirhttp.New(fhirhttp.Options{Base: o.fake.Base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	o.o = fhirtask.ServerOptions{Client: client, Site: site, Batch: batch, Now: func() time.Time { return o.now }, Last: func(key string) (receipt string) {
		_ = o.db.View(t.Context(), func(r kv.Reader) (err error) {
			receipt, err = outbox.LastReceipt(r, key, "server")
			return err
		})
		return receipt
	}}
	o.start()
	return o
}

// start makes the carrier afresh, as after a restart.
func (o *office) start() { o.c = fhirtask.NewServer(o.o) }

func (o *office) update(fn func(tx kv.Tx) error) {
	o.t.Helper()
	if err := o.db.Update(o.t.Context(), fn); err != nil {
		o.t.Fatal(err)
	}
}

// add adds items, as they are after so many changes, in one transaction.
func (o *office) add(tasks ...*notice.Task) {
	o.t.Helper()
	o.update(func(tx kv.Tx) error {
		for _, n := range tasks {
			body, err := json.Marshal(n)
			if err != nil {
				return err
			}
			if _, err := outbox.Add(tx, outbox.Item{Key: fmt.Sprintf("%s/%d", n.Key, n.Rev), Thread: n.Key, Kind: outbox.KindTask, Body: body, Added: o.now}); err != nil {
				return err
			}
		}
		return nil
	})
}

func (o *office) drain() outbox.Tally {
	o.t.Helper()
	tally, err := outbox.Drain(o.t.Context(), outbox.Options{DB: o.db, Routes: []outbox.Route{{Name: "server", Carrier: o.c}}, Mode: outbox.Send, Live: true,
		Now: func() time.Time { return o.now }, Limit: 5000})
	if err != nil {
		o.t.Fatal(err)
	}
	o.sent += tally.Sent
	return tally
}

// mend lets everything be tried again, as perennial send does, until nothing waits.
func (o *office) mend() {
	o.t.Helper()
	for range 5 {
		o.now = o.now.Add(7 * time.Hour)
		o.update(func(tx kv.Tx) error {
			if err := outbox.Knock(tx, o.now); err != nil {
				return err
			}
			_, err := outbox.Retry(tx, o.now, 5000)
			return err
		})
		o.drain()
	}
	err := o.db.View(o.t.Context(), func(r kv.Reader) error {
		if c, err := outbox.ReadCounts(r); err != nil || c.Pending+c.Failed > 0 {
			o.t.Errorf("%+v %v", c, err)
		}
		wrong, err := outbox.Check(r)
		if len(wrong) > 0 {
			o.t.Error(wrong)
		}
		return err
	})
	if err != nil {
		o.t.Error(err)
	}
}

// numbered is an item with a number, open or done.
func numbered(i int, closed bool) *notice.Task {
	n := item()
	if closed {
		n = done()
	}
	n.Turn, n.Key = n.Rev, fmt.Sprintf("p%d|Procedure/x|1|y2|2|arrange-imaging", i)
	n.Patient = fmt.Sprintf("p%d", i)
	return n
}

func many(from, to int, closed bool) (list []*notice.Task) {
	for i := from; i < to; i++ {
		list = append(list, numbered(i, closed))
	}
	return list
}

// serverOwn is what the server gives a Task by itself.
var serverOwn = regexp.MustCompile(`"id":"[^"]*","meta":\{[^}]*\}`)

// arrived are the Tasks on the server by token, those marked entered-in-error left out; two of one token end the test.
func (o *office) arrived() map[string]string {
	o.t.Helper()
	tasks := map[string]string{}
	for ref, body := range o.fake.Truth() {
		var r struct {
			Status     string
			Identifier []fhir.Identifier
		}
		if err := json.Unmarshal([]byte(body), &r); err != nil || len(r.Identifier) == 0 {
			o.t.Fatalf("%s: %v %s", ref, err, body)
		}
		if r.Status == "entered-in-error" {
			continue
		}
		if token := r.Identifier[0].Value; tasks[token] != "" {
			o.t.Errorf("doubled: %s", body)
		} else {
			tasks[token] = serverOwn.ReplaceAllString(body, "")
		}
	}
	return tasks
}

// work is what the tests of faults send: Tasks to be made, to be closed, to be made and closed at once.
func (o *office) work(broken func()) {
	o.add(many(0, 15, false)...)
	o.drain()
	o.now = o.now.Add(time.Hour)
	broken()
	o.add(many(15, 30, false)...)
	o.add(many(0, 10, true)...)
	o.drain()
	o.now = o.now.Add(time.Hour)
	o.add(many(15, 20, true)...)
	o.add(many(40, 45, true)...)
	o.drain()
	o.now = o.now.Add(25 * time.Hour)
	o.drain()
}

// Whatever goes wrong while Tasks are written, alone or in batches: once it is over everything is there, as without the
// fault, and nothing twice.
func TestWriteFaults(t *testing.T) {
	t.Parallel()
	want := newOffice(t, false)
	want.work(func() {})
	want.mend()
	all := want.arrived()
	if len(all) != 30 {
		t.Fatalf("%d Tasks without a fault", len(all))
	}
	brief := map[string]bool{} // their need may be over before the fault is
	for _, n := range many(15, 20, true) {
		brief[fhir.Token(site, n.Key)] = true
	}
	for _, f := range append([]fakefhir.Fault{{Name: ""}}, fakefhir.WriteFaults()...) {
		for _, batch := range []bool{false, true} {
			for seed := range uint64(2) {
				t.Run(fmt.Sprintf("%s/%v/%d", f.Name, batch, seed), func(t *testing.T) {
					t.Parallel()
					o := newOffice(t, batch)
					o.work(func() {
						if f.Name == "" {
							return
						}
						o.fake.Break(f.Name, seed)
						o.start() // so that it asks what the server says
					})
					hits := o.fake.Heal()
					o.mend()
					got := o.arrived()
					for token := range all {
						if f.Name == "update-raced" && strings.Contains(got[token], `"status":"on-hold"`) {
							continue // a person's
						}
						missing := got[token] == "" && (brief[token] || f.Name == "update-gone") // who removed it does not get it again
						if told(all[token]) != told(got[token]) && !missing {
							t.Fatalf("%.300s\nwant %.300s", got[token], all[token])
						}
					}
					if len(got) > len(all) {
						t.Errorf("%d Tasks, want %d", len(got), len(all))
					}
					if hits == 0 && f.Name != "" && (batch || !strings.HasPrefix(f.Name, "batch-")) {
						t.Error("the fault never struck")
					}
				})
			}
		}
	}
}

// told is a Task without its stamp and times, which say when it was written.
func told(body string) string {
	return regexp.MustCompile(`"(lastModified|valueString)":"[^"]*"`).ReplaceAllString(body, "")
}

// Fifty Tasks cost two requests: one to look for them, one to write.
func TestBatchCostsTwoRequests(t *testing.T) {
	t.Parallel()
	for _, batch := range []bool{true, false} {
		o := newOffice(t, batch)
		ask := func() (n int) {
			for _, q := range o.fake.Asked() {
				if q != "GET metadata" {
					n++
				}
			}
			return n
		}
		o.add(many(0, 50, false)...)
		o.drain()
		made := ask()
		o.add(many(0, 50, true)...)
		o.drain()
		if updated := ask(); batch && (made != 2 || updated != 2) || !batch && (made != 100 || updated != 150) {
			t.Errorf("batch %v: %d requests to make 50 Tasks, %d to close them", batch, made, updated)
		}
		if n := len(o.arrived()); n != 50 {
			t.Errorf("%d Tasks", n)
		}
	}
}

// A person's edit between the look and the write of a batch wins as it does for one Task; so does one before.
func TestBatchAndPeople(t *testing.T) {
	t.Parallel()
	o := newOffice(t, true)
	o.add(many(0, 10, false)...)
	o.drain()
	person := func(id, status string) {
		body := o.fake.Truth()["Task/"+id]
		fields := strings.TrimPrefix(serverOwn.ReplaceAllString(body, ""), `{"resourceType":"Task",`)
		o.fake.Put("Task", id, strings.TrimSuffix(strings.TrimPrefix(strings.Replace(fields, `"status":"requested"`, `"status":"`+status+`"`, 1), ","), "}"))
	}
	person("new-3", "on-hold")
	o.fake.Delete("Task", "new-4")
	o.now = o.now.Add(time.Hour)
	o.add(many(0, 10, true)...)
	if got := o.drain(); got.Sent != 10 {
		t.Errorf("%+v", got)
	}
	receipts := map[string]string{}
	err := o.db.View(t.Context(), func(r kv.Reader) error {
		list, err := outbox.List(r, outbox.Sent, "", 100)
		for _, it := range list {
			if strings.HasSuffix(it.Key, "/2") {
				receipts[it.Key[:2]] = it.Receipt
			}
		}
		return err
	})
	if err != nil || receipts["p2"] != "Task/new-3 updated, kept on-hold [2]" || receipts["p3"] != "Task/new-4 was removed on the server and is not made again [2]" || receipts["p5"] != "Task/new-6 updated [2]" {
		t.Errorf("%v %v", receipts, err)
	}
	all := o.fake.Truth()
	if !strings.Contains(all["Task/new-3"], `"status":"on-hold"`) || len(all) != 9 || !strings.Contains(all["Task/new-6"], `"status":"completed"`) {
		t.Errorf("%v", slices.Collect(maps.Values(all)))
	}
}

// What another did a moment before is dealt with at once, alone or in a batch: nothing waits for the next time, and a
// person's status is never written over.
func TestOthersAreFaster(t *testing.T) {
	t.Parallel()
	for _, batch := range []bool{false, true} {
		for name, want := range map[string]string{"update-raced": `"status":"on-hold"`, "update-gone": "", "create-raced": `"status":"completed"`, "subsetted": `"status":"completed"`} {
			o := newOffice(t, batch)
			if name != "create-raced" {
				o.add(many(0, 6, false)...)
				o.drain()
			}
			o.fake.BreakAlways(name)
			if name == "create-raced" {
				o.add(many(0, 6, false)...)
				if got := o.drain(); got.Sent != 6 {
					t.Errorf("%s, batch %v: %+v", name, batch, got)
				}
			}
			o.add(many(0, 6, true)...)
			if got := o.drain(); got.Sent != 6 {
				t.Errorf("%s, batch %v: %+v", name, batch, got)
			}
			o.fake.Heal()
			all := o.arrived()
			if len(all) != map[bool]int{true: 6}[want != ""] {
				t.Errorf("%s, batch %v: %d Tasks", name, batch, len(all))
			}
			for _, body := range all {
				if !strings.Contains(body, want) || !strings.Contains(body, `"for":{`) {
					t.Errorf("%s, batch %v: %s", name, batch, body)
				}
			}
		}
	}
}

// TestTwoThousand measures what batches save; run it with -v.
func TestTwoThousand(t *testing.T) {
	if testing.Short() {
		t.Skip("a measurement")
	}
	for _, batch := range []bool{false, true} {
		o := newOffice(t, batch)
		o.add(many(0, 2000, false)...)
		began := time.Now()
		o.drain()
		took := time.Since(began)
		asked := len(o.fake.Asked())
		if n := len(o.arrived()); n != 2000 || batch && asked > 81 || !batch && asked != 4001 {
			t.Errorf("batch %v: %d Tasks in %d requests", batch, n, asked)
		}
		t.Logf("batch %v: 2,000 Tasks in %d requests, %s", batch, asked, took.Round(time.Millisecond))
	}
}
