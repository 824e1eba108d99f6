package fhirtask_test

import (
	"net/http"
	"strings"
	"testing"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fhirhttp"
	"perennial/internal/outbox"
	"perennial/internal/testkit/fhirpeer"
)

// Against a server that others wrote: Tasks go out in batches, once each however often they are sent, follow their
// items, and keep what a person set in between; of a Task that was removed, and of one that another writer doubled,
// the right thing becomes as for one alone.
func TestPeerBulk(t *testing.T) {
	t.Parallel()
	base := fhirpeer.Start(t)
	c, err := fhirhttp.New(fhirhttp.Options{Base: base})
	if err != nil {
		t.Fatal(err)
	}
	receipts := map[string]string{}
	s := fhirtask.NewServer(fhirtask.ServerOptions{Client: c, Site: site, Batch: true, Last: func(key string) string { return receipts[key] }})
	send := func(closed bool, want string) {
		t.Helper()
		var items []outbox.Item
		for _, n := range many(0, 50, closed) {
			items = append(items, wrap(t, n))
		}
		for i, r := range s.CarryAll(t.Context(), items) {
			if r.Err != nil || !strings.Contains(r.Receipt, want) && receipts[items[i].Key+"!"] == "" {
				t.Fatalf("%d: %q %v, want %s", i, r.Receipt, r.Err, want)
			}
			receipts[items[i].Key] = r.Receipt
		}
	}
	send(false, "created")
	send(false, "unchanged")
	if n := count(t, c); n != 50 {
		t.Fatalf("%d Tasks", n)
	}
	key := func(i int) string { return numbered(i, false).Key }
	id := func(i int) string { return strings.TrimPrefix(fhirtask.RefOf(receipts[key(i)]), "Task/") }
	_, err = c.Merge(t.Context(), "Task", id(3), func(now []byte) ([]byte, error) {
		return []byte(strings.Replace(string(now), `"status":"requested"`, `"status":"on-hold"`, 1)), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	remove(t, base+"/Task/"+id(4))
	body, err := fhirtask.Render(site, numbered(5, false))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Create(t.Context(), "Task", body, nil); err != nil { // another writer, without a condition
		t.Fatal(err)
	}
	for i := range 3 {
		receipts[key(3+i)+"!"] = "another"
	}
	send(true, "updated")
	for i, want := range map[int]string{3: "updated, kept on-hold [2]", 4: "was removed on the server and is not made again [2]", 5: "updated [2]", 6: "updated [2]"} {
		if got := receipts[key(i)]; !strings.HasSuffix(got, want) {
			t.Errorf("%d: %q, want %s", i, got, want)
		}
	}
	states := map[any]int{}
	for _, r := range fhirpeer.All(t, base, "Task") {
		states[r["status"]]++
	}
	if states["completed"] != 48 || states["on-hold"] != 1 || states["entered-in-error"] != 1 || len(states) != 3 {
		t.Errorf("%v", states)
	}
}

// remove deletes a resource, as somebody does who works there.
func remove(t *testing.T, url string) {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), http.MethodDelete, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil || r.StatusCode >= 300 {
		t.Fatalf("%v %+v", err, r)
	}
	_ = r.Body.Close()
}
