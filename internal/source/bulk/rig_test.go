package bulk_test

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
	"perennial/internal/source/bulk"
	"perennial/internal/testkit/fakebulk"
)

// rig is a server, and a source that keeps nothing but its cursor: it is made anew for each look.
type rig struct {
	t      *testing.T
	server *fakebulk.Server
	http   fhirhttp.Options
	o      bulk.Options
	cursor string
	got    map[string]string // "Type/id" → body
	issues []fhir.Issue
	slept  time.Duration
}

func start(t *testing.T, server fakebulk.Options, o bulk.Options) *rig {
	t.Helper()
	r := &rig{t: t, server: fakebulk.Start(t, server), o: o, got: map[string]string{}}
	r.o.Name, r.o.Now = "bulk", r.server.Now
	if r.o.Path == "" {
		r.o.Path = "Patient/$export"
	}
	if r.o.Types == nil {
		r.o.Types = []string{"Patient", "Procedure", "ImagingStudy"}
	}
	r.o.Sleep = func(_ context.Context, d time.Duration) error {
		r.slept += d
		return nil
	}
	r.http = fhirhttp.Options{Base: r.server.Base, Tries: 2, Now: r.server.Now, Sleep: func(context.Context, time.Duration) error { return nil }}
	for _, ref := range strings.Fields("Patient/a Patient/b Patient/c Procedure/pa Procedure/pb ImagingStudy/sa ImagingStudy/sb ImagingStudy/sc") {
		typ, id, _ := strings.Cut(ref, "/")
		r.server.Put(typ, id, `"status":"completed","note":[{"text":"Testa Quay-34"}]`)
	}
	r.server.Advance(time.Hour)
	return r
}

// look is one look by a program that was just started.
func (r *rig) look() (n int, waits string, errs []error) { return r.lookFor(-1) }

// lookFor is a look by a program that is killed after so many batches were stored; -1: it is not.
func (r *rig) lookFor(batches int) (n int, waits string, errs []error) {
	r.t.Helper()
	client, err := fhirhttp.New(r.http)
	if err != nil {
		r.t.Fatal(err)
	}
	r.slept = 0
	for b, err := range bulk.New(client, r.o).Fetch(r.t.Context(), r.cursor) {
		if w, ok := errors.AsType[*source.Waiting](err); ok {
			waits = w.What
			continue
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for _, raw := range b.Resources {
			var v struct{ ResourceType, ID string }
			if err := json.Unmarshal(raw.Body, &v); err != nil {
				r.t.Fatal(err)
			}
			r.got[v.ResourceType+"/"+v.ID] = string(raw.Body)
		}
		n += len(b.Resources)
		r.issues, r.cursor = append(r.issues, b.Issues...), b.Cursor
		if batches--; batches == 0 {
			break
		}
	}
	for _, err := range errs {
		if strings.Contains(err.Error(), "Testa") {
			r.t.Errorf("free text of the server is told: %v", err)
		}
	}
	return n, waits, errs
}

// whole says whether all that the server has was delivered.
func (r *rig) whole() bool {
	for ref, body := range r.server.Truth() {
		if r.got[ref] != body {
			return false
		}
	}
	return true
}
