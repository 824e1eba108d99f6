package notice_test

import (
	"slices"
	"testing"

	"perennial/internal/notice"
)

func TestElsewhere(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		e    notice.Elsewhere
		open bool
		want []string
	}{
		{notice.Elsewhere{}, true, nil},
		{notice.Elsewhere{Status: "in-progress", Owner: "Booking desk"}, true, []string{"in progress in the other system", "taken by Booking desk"}},
		{notice.Elsewhere{Status: "completed"}, true, []string{"its Task was closed, it is needed still (completed in the other system)"}},
		{notice.Elsewhere{Status: "completed"}, false, []string{"completed in the other system"}},
		{notice.Elsewhere{Status: "rejected", Why: "not our patient", Notes: []string{"Testa: moved"}}, true,
			[]string{"its Task was closed, it is needed still (declined in the other system)", "because: not our patient", "note: Testa: moved"}},
		{notice.Elsewhere{Removed: true, Business: "waiting list"}, true,
			[]string{"its Task was removed in the other system, and is not made again while this stays as it is", "where it stands: waiting list"}},
	} {
		if got := c.e.Lines(c.open); !slices.Equal(got, c.want) {
			t.Errorf("%+v: %q", c.e, got)
		}
	}
	closing := []string{"completed", "cancelled", "rejected", "failed", "entered-in-error"}
	for _, status := range append([]string{"", "accepted", "in-progress", "on-hold", "requested", "received", "ready", "draft"}, closing...) {
		if e := (notice.Elsewhere{Status: status}); e.Closes() != slices.Contains(closing, status) {
			t.Errorf("%s closes: %v", status, e.Closes())
		}
	}
}
