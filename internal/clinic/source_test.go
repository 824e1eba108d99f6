package clinic_test

import (
	"errors"
	"fmt"
	"iter"
	"strings"
	"testing"

	"perennial/internal/fhir"
	"perennial/internal/source"
)

// gives is what a source gives at one look.
func gives(batches []source.Batch, errs ...error) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		for _, b := range batches {
			if !yield(b, nil) {
				return
			}
		}
		for _, err := range errs {
			if !yield(source.Batch{}, err) {
				return
			}
		}
	}
}

// A source that waits was not read to its end, and did not fail either.
func TestSourceThatWaits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	waits := fmt.Errorf("source bulk: %w", &source.Waiting{What: "the next export begins at noon"})
	for _, c := range []struct {
		errs             []error
		success          bool
		trouble, waiting string
	}{
		{[]error{waits}, false, "", "the next export begins at noon"}, {nil, true, "", ""},
		{[]error{waits, errors.New("broken")}, true, "broken", "the next export begins at noon"}, {[]error{waits}, true, "", "the next export begins at noon"},
	} {
		got, err := r.Import(t.Context(), "bulk", gives([]source.Batch{{Cursor: "x"}}, c.errs...))
		if got.Waits != c.waiting || (err != nil) != (c.trouble != "") {
			t.Errorf("%v: %+v %v", c.errs, got, err)
		}
		st, err := r.Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		s := st.Sources[0]
		if s.Success.IsZero() == c.success || s.Error != c.trouble || s.Waits != c.waiting || s.Tried.IsZero() || s.Cursor != "x" {
			t.Errorf("%v: %+v", c.errs, s)
		}
	}
}

// What a source says was deleted is not taken back: what it said stays in force, and the patient has a question. If
// it comes again, changed later, the question is gone.
func TestDeletionAsksAPerson(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pa", "a", "2025-03-03"))
	before := r.view("a").Plan
	known := fhir.Salvaged{Type: "Procedure", ID: "pa", Version: "deleted", Updated: "2025-05-01T00:00:00Z"}
	gone := fhir.Issue{File: "bulk/deleted", Ref: known.Ref(), Known: known, What: "the server says that it was deleted; what it said before stays in force"}
	for range 2 {
		if _, err := r.Import(t.Context(), "bulk", gives([]source.Batch{{Issues: []fhir.Issue{gone}}})); err != nil {
			t.Fatal(err)
		}
		after := r.view("a").Plan
		if len(after.Implants) != 1 || after.Implants[0].Index != before.Implants[0].Index || !strings.Contains(fmt.Sprint(after.Questions), "was deleted") {
			t.Errorf("%+v", after)
		}
	}
	if q := r.sound().Sums.Resources.Quarantined; q != 1 {
		t.Errorf("%d are quarantined", q)
	}
	r.give(strings.Replace(evar("pa", "a", "2025-03-03"), `"id":"pa"`, `"id":"pa","meta":{"lastUpdated":"2025-06-01T00:00:00Z"}`, 1))
	if after := r.view("a").Plan; strings.Contains(fmt.Sprint(after.Questions), "was deleted") || len(after.Implants) != 1 {
		t.Errorf("it came again: %+v", after.Questions)
	}
}
