package fhirtask_test

import (
	"context"
	"io"
	"net/http"
	"testing"

	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/outbox"
)

// wire passes requests on, and tells of each whose answer was read.
type wire func(q *http.Request)

func (w wire) RoundTrip(q *http.Request) (*http.Response, error) {
	resp, err := http.DefaultTransport.RoundTrip(q)
	if err == nil {
		resp.Body = closing{resp.Body, func() { w(q) }}
	}
	return resp, err
}

type closing struct {
	io.ReadCloser
	then func()
}

func (c closing) Close() error {
	c.then()
	return c.ReadCloser.Close()
}

// Whoever stops the program while items are carried one after the other has not carried the rest: none of those is
// called sent.
func TestStoppedBetweenItems(t *testing.T) {
	t.Parallel()
	o := newOffice(t, false)
	ctx, stop := context.WithCancel(t.Context())
	client, err := fhirhttp.New(fhirhttp.Options{Base: o.fake.Base, Tries: 1, HTTP: wire(func(q *http.Request) {
		if q.Method == http.MethodPost {
			stop()
		}
	})})
	if err != nil {
		t.Fatal(err)
	}
	o.o.Client = client
	o.start()
	o.add(many(0, 3, false)...)
	var items []outbox.Item
	err = o.db.View(t.Context(), func(r kv.Reader) (err error) {
		items, err = outbox.List(r, outbox.Pending, "", 10)
		return err
	})
	if err != nil || len(items) != 3 {
		t.Fatalf("%d items: %v", len(items), err)
	}
	for i, r := range o.c.CarryAll(ctx, items) {
		if (r.Err == nil) != (i == 0) {
			t.Errorf("item %d: receipt %q, error %v", i, r.Receipt, r.Err)
		}
	}
}
