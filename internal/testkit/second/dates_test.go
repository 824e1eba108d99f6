package second

import "testing"

// Month arithmetic as ISO 8601 and the CQL date rules have it: the day is
// clamped to the end of the month, always from the anchor.
func TestAddMonthsClampsFromTheAnchor(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2023-01-31", 1, "2023-02-28"}, {"2024-01-31", 1, "2024-02-29"}, {"2024-01-31", 2, "2024-03-31"},
		{"2024-02-29", 12, "2025-02-28"}, {"2024-02-29", 48, "2028-02-29"}, {"2024-08-31", 6, "2025-02-28"},
		{"2025-03-31", 3, "2025-06-30"}, {"2024-12-15", 1, "2025-01-15"}, {"2024-11-30", 14, "2026-01-30"},
		{"1999-12-31", 2, "2000-02-29"}, {"2099-12-31", 2, "2100-02-28"},
	} {
		from, _ := readDay(c.from)
		if got := from.addMonths(c.months).String(); got != c.want {
			t.Errorf("%s + %d months = %s, want %s", c.from, c.months, got, c.want)
		}
	}
}

func TestReadSpan(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, first, last string }{
		{"2024-03-05", "2024-03-05", "2024-03-05"},
		{"2024-02", "2024-02-01", "2024-02-29"},
		{"2023", "2023-01-01", "2023-12-31"},
	} {
		got := readSpan(c.text)
		if !got.known || got.first.String() != c.first || got.last.String() != c.last {
			t.Errorf("%s = %v..%v", c.text, got.first, got.last)
		}
	}
	for _, bad := range []string{"", "2024-13", "2023-02-29", "24", "2024-1-1", "yesterday!", "2024/03"} {
		if readSpan(bad).known {
			t.Errorf("%q read as a date", bad)
		}
	}
}

// Every day of forty years goes there and back, and months always land in the
// month asked for.
func TestEveryDayAddsMonths(t *testing.T) {
	t.Parallel()
	for d := civil(1995, 1, 1); d <= civil(2035, 12, 31); d++ {
		y, m, n := d.parts()
		if civil(y, m, n) != d {
			t.Fatalf("%v does not come back", d)
		}
		for _, months := range []int{1, 3, 6, 12, 60} {
			ty, tm, tn := d.addMonths(months).parts()
			if (ty*12+tm)-(y*12+m) != months || tn > n || tn < n && tn != monthLength(ty, tm) {
				t.Fatalf("%v + %d months = %d-%d-%d", d, months, ty, tm, tn)
			}
		}
	}
}
