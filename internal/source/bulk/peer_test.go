package bulk_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
	"perennial/internal/source/bulk"
	"perennial/internal/testkit/bulkpeer"
)

// The exports of a server that others wrote: everything, then what came later, by the server's own moment; by another
// source object each time, as after a restart. That server wants its token for files too, though its manifest says
// otherwise, and does not know DELETE.
func TestAgainstOthers(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	put := func(moment, name string, ids ...string) {
		t.Helper()
		path := filepath.Join(dir, "group_id_a", moment)
		var lines strings.Builder
		for _, id := range ids {
			fmt.Fprintf(&lines, `{"resourceType":%q,"id":%q,"status":"completed"}`+"\n", strings.Split(name, "_")[0], id)
		}
		if err := errors.Join(os.MkdirAll(path, 0o755), os.WriteFile(filepath.Join(path, name+".ndjson"), []byte(lines.String()), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	put("20260601T120000Z", "Patient_0", "a", "b")
	put("20260601T120000Z", "Patient_1", "c")
	put("20260601T120000Z", "Procedure_0", "p")
	put("20260601T120000Z", "Practitioner_0", "not-asked-for")
	put("20260615T120000Z", "Procedure_0", "p", "q")
	client, err := fhirhttp.New(fhirhttp.Options{Base: bulkpeer.Start(t, dir, 1500*time.Millisecond), Tries: 1, Token: func() (string, error) { return bulkpeer.Token, nil }})
	if err != nil {
		t.Fatal(err)
	}
	cursor, got := "", ""
	look := func(patience time.Duration) (waits string, errs []error) {
		t.Helper()
		s := bulk.New(client, bulk.Options{Name: "bulk", Path: "Group/group_id_a/$export", Types: []string{"Patient", "Procedure"}, Every: time.Nanosecond, Reconcile: -1, Patience: patience})
		for b, err := range s.Fetch(t.Context(), cursor) {
			if w, ok := errors.AsType[*source.Waiting](err); ok {
				waits = w.What
			} else if err != nil {
				errs = append(errs, err)
			} else {
				cursor = b.Cursor
			}
			for _, raw := range b.Resources {
				_, id := fhir.Peek(raw.Body)
				got += id
			}
		}
		return waits, errs
	}
	waits, errs := look(time.Millisecond)
	if !strings.Contains(waits, "is not done yet; the server says: ") || len(errs) > 0 || got != "" {
		t.Fatalf("%q %v %q", waits, errs, got)
	}
	time.Sleep(time.Second)
	if waits, errs := look(time.Minute); waits != "" || len(errs) > 0 || got != "abcp" || !strings.Contains(cursor, `"since":"2026-06-01T12:00:00`) {
		t.Fatalf("%q %v %q %s", waits, errs, got, cursor)
	}
	if waits, errs := look(time.Minute); waits != "" || len(errs) > 0 || got != "abcppq" || !strings.Contains(cursor, `"since":"2026-06-15T12:00:00`) {
		t.Fatalf("%q %v %q %s", waits, errs, got, cursor)
	}
	if _, errs := look(time.Minute); len(errs) != 1 || fault.KindOf(errs[0]) != fault.NotFound { // it has no export of nothing
		t.Errorf("%v", errs)
	}
}
