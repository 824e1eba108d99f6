package rest_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// Where the settings name another server, that is read from the beginning: how far the first was read says nothing of
// the second, whose patients may all be older than that.
func TestAnotherServer(t *testing.T) {
	t.Parallel()
	first, second := fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient"}}), fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient"}})
	second.Put("Patient", "old", `"gender":"other"`)
	first.Advance(48 * time.Hour)
	second.Advance(48 * time.Hour)
	nobody := func(context.Context) ([]string, error) { return nil, nil }
	for name, cohort := range map[string]rest.Cohort{"types": nil, "patients": func(context.Context) ([]string, error) { return []string{"Patient/old"}, nil }, "no longer listed": nobody} {
		cursor, got := "", ""
		if name == "no longer listed" { // but read once, at what may be the same server
			cursor = `{"patients":{"from":"2026-07-02T11:50:00Z","read":["Patient/old"],"types":["Patient"]},"server":{"what":"0123456789abcdef"}}`
		}
		look := func(at *fakefhir.Server) {
			t.Helper()
			client, err := fhirhttp.New(fhirhttp.Options{Base: at.Base, Tries: 1})
			if err != nil {
				t.Fatal(err)
			}
			for b, err := range rest.New(client, rest.Options{Name: "server", Types: []string{"Patient"}, Patients: cohort, Now: at.Now, Reconcile: -1}).Fetch(t.Context(), cursor) {
				if err != nil {
					t.Errorf("%s: %v", name, err)
					continue
				}
				for _, raw := range b.Resources {
					got += string(raw.Body)
				}
				cursor = b.Cursor
			}
		}
		look(first)
		if look(second); strings.Count(got, `"id":"old"`) != 1 {
			t.Errorf("%s: of the second server came %q; %s", name, got, cursor)
		}
		if look(second); strings.Count(got, `"id":"old"`) != 1 {
			t.Errorf("%s: it is read from the beginning each time; %s", name, cursor)
		}
	}
}
