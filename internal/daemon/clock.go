package daemon

import (
	"time"

	"perennial/internal/settings"
)

// due says whether something that is done once a day, at a time of the site's
// clocks, is to be done now: its time has come today, and it was last done on an
// earlier day. It is asked again and again, so a missed question changes nothing;
// a day that was missed as a whole is not made up for.
func due(at settings.Clock, zone *time.Location, last, now time.Time) bool {
	return !now.Before(moment(at, zone, now)) && dateOf(last, zone).Before(dateOf(now, zone))
}

// moment is when the clocks of a zone show a time on the day of now. Where they
// leap over it (spring), it is the moment of the leap; where they show it twice
// (autumn), one of the two.
func moment(at settings.Clock, zone *time.Location, now time.Time) time.Time {
	y, m, d := now.In(zone).Date()
	t := time.Date(y, m, d, at.Hour, at.Minute, 0, 0, zone)
	if h, min, _ := t.Clock(); h == at.Hour && min == at.Minute {
		return t
	}
	start, end := t.ZoneBounds()
	if !start.IsZero() && t.Sub(start) < 24*time.Hour {
		return start // t lies after the leap
	}
	return end
}

// dateOf is the day of the zone on which a moment falls, as midnight in UTC, so
// that days compare; the zero time is before all others.
func dateOf(t time.Time, zone *time.Location) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}
