package daemon

import (
	"testing"
	"time"
	_ "time/tzdata"

	"perennial/internal/settings"
)

// In any zone, with the clock read again and again through 2026 and its changes of summer time, what is done once a day is done once on each day, not before
// its time, and within an hour of it.
func TestDueOnceADay(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"UTC", "America/New_York", "Europe/Lisbon", "Australia/Lord_Howe", "Africa/Cairo", "Pacific/Apia", "America/Santiago", "Asia/Kolkata"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []settings.Clock{{Hour: 0, Minute: 0}, {Hour: 0, Minute: 30}, {Hour: 2, Minute: 10}, {Hour: 2, Minute: 30}, {Hour: 7, Minute: 0}, {Hour: 23, Minute: 59}} {
			step := 10 * time.Minute
			if at.Hour == 23 {
				step = time.Minute // as the daemon does
			}
			done := map[string]int{}
			last := time.Date(2025, 12, 30, 12, 0, 0, 0, time.UTC)
			now := time.Date(2025, 12, 31, 12, 0, 0, 0, zone)
			for ; now.Year() < 2027; now = now.Add(step) {
				if !due(at, zone, last, now) {
					continue
				}
				last = now
				local := now.In(zone)
				done[local.Format(time.DateOnly)]++
				if d := now.Sub(moment(at, zone, now)); d < 0 || d > 10*time.Minute && len(done) > 1 {
					t.Errorf("%s %s: done at %s", name, at, local)
				}
				if clock := local.Hour()*60 + local.Minute() - at.Hour*60 - at.Minute; clock < 0 || clock > 70 && len(done) > 1 {
					t.Errorf("%s %s: the clock shows %s", name, at, local.Format("15:04"))
				}
			}
			for d := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() == 2026; d = d.AddDate(0, 0, 1) {
				if n := done[d.Format(time.DateOnly)]; n != 1 {
					t.Errorf("%s %s: %d times on %s", name, at, n, d.Format(time.DateOnly))
				}
			}
		}
	}
}

// Where the clocks leap from 2:00 to 3:00, what is due at 2:30 is due at the leap.
func TestMomentOfALeap(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	got := moment(settings.Clock{Hour: 2, Minute: 30}, zone, time.Date(2026, 3, 8, 12, 0, 0, 0, zone))
	if want := time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC); !got.Equal(want) {
		t.Errorf("%s, want %s", got, want)
	}
}

// A clock that was set back makes nothing twice, and neither does a day that the
// program slept through.
func TestDueAfterAClockWentWrong(t *testing.T) {
	t.Parallel()
	at := settings.Clock{Hour: 7}
	day := func(d, h int) time.Time { return time.Date(2026, 6, d, h, 0, 0, 0, time.UTC) }
	for _, one := range []struct {
		last, now time.Time
		want      bool
	}{
		{time.Time{}, day(5, 6), false}, {time.Time{}, day(5, 7), true},
		{day(5, 7), day(5, 8), false}, {day(5, 7), day(4, 8), false}, {day(5, 7), day(6, 6), false}, {day(5, 7), day(9, 3), false}, {day(5, 7), day(9, 7), true},
	} {
		if got := due(at, time.UTC, one.last, one.now); got != one.want {
			t.Errorf("last %s, now %s: %v", one.last, one.now, got)
		}
	}
}
