package fhirtask_test

import (
	"net/url"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
)

// Against a server that others wrote (express and @medplum/fhir-router): Tasks of every kind arrive, sending again
// doubles nothing, statuses follow, a person's on-hold survives and gets the note, and what arrived can be polled.
func TestPeer(t *testing.T) {
	t.Parallel()
	c := peer(t)
	s := fhirtask.NewServer(fhirtask.ServerOptions{Client: c, Site: site})
	sent := 0
	for range 2 {
		for _, n := range every() {
			if n.Human || n.State != "open" {
				continue
			}
			sent++
			if receipt, err := s.Carry(t.Context(), wrap(t, n)); err != nil || !strings.HasPrefix(receipt, "Task/") {
				t.Fatalf("%s: %q %v", n.Key, receipt, err)
			}
		}
	}
	if got := count(t, c); got != sent/2 {
		t.Errorf("%d Tasks on the server, %d items", got, sent/2)
	}

	first, err := s.Carry(t.Context(), wrap(t, item()))
	if err != nil {
		t.Fatal(err)
	}
	id := strings.TrimPrefix(fhirtask.RefOf(first), "Task/")
	set := func(from, to string) {
		_, err := c.Merge(t.Context(), "Task", id, func(now []byte) ([]byte, error) { return []byte(strings.Replace(string(now), from, to, 1)), nil })
		if err != nil {
			t.Fatal(err)
		}
	}
	set(`"status":"requested"`, `"status":"on-hold","owner":{"reference":"Practitioner/1"}`)
	carry(t, s, wrap(t, done()), "Task/"+id+" updated, kept on-hold")
	v, err := c.Read(t.Context(), "Task", id)
	if err != nil || !strings.Contains(string(v.Body), `"status":"on-hold"`) || !strings.Contains(string(v.Body), "set by a person and is kept") || !strings.Contains(string(v.Body), "Practitioner/1") {
		t.Errorf("%s %v", v.Body, err)
	}
	set(`"status":"on-hold"`, `"status":"requested"`) // the person gives it back
	carry(t, s, wrap(t, done()), "Task/"+id+" updated")
	if v, err = c.Read(t.Context(), "Task", id); err != nil || !strings.Contains(string(v.Body), `"status":"completed"`) {
		t.Errorf("%s %v", v.Body, err)
	}
	v.ETag = `W/"00000000-0000-4000-8000-000000000000"`
	if _, err := c.Update(t.Context(), v); err == nil {
		t.Error("the peer took an update of an older version")
	}
	poll(t, c, sent/2+1)
}

func count(t *testing.T, c *fhirhttp.Client) (n int) {
	t.Helper()
	for page, err := range c.Search(t.Context(), "Task", url.Values{"_count": {"1000"}}) {
		if err != nil {
			t.Fatal(err)
		}
		n += len(page.Entries)
	}
	return n
}

// poll reads all Tasks as a source would, then what is new since, which because of the overlap is the same.
func poll(t *testing.T, c *fhirhttp.Client, want int) {
	t.Helper()
	src := rest.New(c, rest.Options{Name: "peer", Types: []string{"Task"}, Count: 1000})
	cursor := ""
	for range 2 {
		n := 0
		for b, err := range src.Fetch(t.Context(), cursor) {
			if err != nil {
				t.Fatal(err)
			}
			for _, raw := range b.Resources {
				if _, err := fhir.Decode(raw.Body); err != nil {
					t.Error(err)
				}
			}
			n += len(b.Resources)
			cursor = b.Cursor
		}
		if n != want || !strings.Contains(cursor, "Task") {
			t.Errorf("%d Tasks, want %d, cursor %s", n, want, cursor)
		}
	}
}

// A batch of conditional creates: sent twice, made once.
func TestPeerBatch(t *testing.T) {
	t.Parallel()
	c := peer(t)
	body, err := fhirtask.Render(site, item())
	if err != nil {
		t.Fatal(err)
	}
	cond := url.Values{"identifier": {fhir.TokenSystem(site) + "|" + fhir.Token(site, item().Key)}}
	for i, status := range []int{201, 200} {
		got, err := c.Batch(t.Context(), []fhir.BatchEntry{{Resource: body, IfNoneExist: cond.Encode()}})
		if err != nil || len(got) != 1 || got[0].Status != status {
			t.Errorf("%d: %+v %v", i, got, err)
		}
	}
	if n := count(t, c); n != 1 {
		t.Errorf("%d Tasks", n)
	}
	if cap, err := c.Capability(t.Context()); err != nil || !cap.Can("Task", "update") || cap.FHIRVersion != "4.0.1" {
		t.Errorf("%+v %v", cap, err)
	}
}
