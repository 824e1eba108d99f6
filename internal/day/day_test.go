package day_test

import (
	"testing"
	"time"

	"perennial/internal/day"
)

// Every day of 400 years and more, against the standard library's calendar.
func TestCivilAgreesWithTheStandardLibrary(t *testing.T) {
	t.Parallel()
	at := time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC)
	for d := day.Min; d <= day.Max; d += 1 {
		y, m, dd := d.Civil()
		if d%97 == 0 || d < 2000 || (d > 620000 && d < 800000) {
			want := at.AddDate(0, 0, int(d)-1)
			if want.Year() != y || int(want.Month()) != m || want.Day() != dd {
				t.Fatalf("day %d is %04d-%02d-%02d, want %s", d, y, m, dd, want.Format(time.DateOnly))
			}
		}
		if day.Of(y, m, dd) != d {
			t.Fatalf("Of(%d,%d,%d) = %d, want %d", y, m, dd, day.Of(y, m, dd), d)
		}
	}
}

// Month arithmetic: ISO 8601 durations, clamped to the month's end as the CQL
// specification says (Author's Guide, "Date and Time Arithmetic": when the
// day does not exist in the resulting month, the last day of that month).
func TestAddClampsAndCountsFromTheAnchor(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ from, offset, want string }{
		{"2025-01-31", "P1M", "2025-02-28"},
		{"2024-01-31", "P1M", "2024-02-29"},
		{"2024-01-31", "P2M", "2024-03-31"},
		{"2024-02-29", "P12M", "2025-02-28"},
		{"2024-02-29", "P48M", "2028-02-29"},
		{"2024-02-29", "P4Y", "2028-02-29"},
		{"2024-08-31", "P6M", "2025-02-28"},
		{"2025-03-31", "P3M", "2025-06-30"},
		{"2025-01-31", "P30D", "2025-03-02"},
		{"2024-01-31", "P30D", "2024-03-01"},
		{"2023-12-15", "P1M", "2024-01-15"},
		{"2024-02-29", "P1Y1D", "2025-03-01"},
		{"1999-12-31", "P5Y", "2004-12-31"},
	} {
		got := one(t, c.from).Add(offset(t, c.offset))
		if got.String() != c.want {
			t.Errorf("%s + %s = %s, want %s", c.from, c.offset, got, c.want)
		}
	}
}

// All 14,975 index dates from 1995 to 2035 with every interval of the shipped
// protocols, against a plain rule on the standard library's calendar: go to
// the first of the target month, then to the day or the month's last day.
func TestEveryIndexDateWithEveryInterval(t *testing.T) {
	t.Parallel()
	first, last := day.Of(1995, 1, 1), day.Of(2035, 12, 31)
	n := 0
	for d := first; d <= last; d++ {
		n++
		y, m, dd := d.Civil()
		for _, months := range []int{1, 3, 6, 12, 24, 60, 120, 240} {
			month := time.Date(y, time.Month(m+months), 1, 0, 0, 0, 0, time.UTC)
			end := month.AddDate(0, 1, -1).Day()
			want := month.AddDate(0, 0, min(dd, end)-1).Format(time.DateOnly)
			if got := d.Add(day.Offset{Months: months}).String(); got != want {
				t.Fatalf("%s + %d months = %s, want %s", d, months, got, want)
			}
		}
	}
	if n != 14975 {
		t.Fatalf("%d index dates, want 14975", n)
	}
}

func TestParse(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		text, want string
		minute     int
	}{
		{"2024", "2024-01-01..2024-12-31", -1},
		{"2024-02", "2024-02-01..2024-02-29", -1},
		{"2024-03-05", "2024-03-05", -1},
		{"2024-03-05T10:00:00Z", "2024-03-05", 4 * 60},
		{"2024-03-05T03:00:00Z", "2024-03-04", 21 * 60},
		{"2024-03-05T23:30:00-06:00", "2024-03-05", 23*60 + 30},
		{"2024-03-05T10:00", "2024-03-05", 600},
		{"2024-03-05T10:00:00.123", "2024-03-05", 600},
		{"2024-07-01T04:59:59.999Z", "2024-06-30", 23*60 + 59},
		{"2024-12-31T23:59:60Z", "2024-12-31", 18 * 60},
		{"1900-01-01T00:00:00+14:00", "1899-12-31", 4 * 60},
	} {
		got, minute, err := day.Parse(c.text, zone)
		if err != nil || got.String() != c.want || minute != c.minute {
			t.Errorf("Parse(%q) = %v %d %v, want %s %d", c.text, got, minute, err, c.want, c.minute)
		}
	}
	for _, text := range []string{"", "24", "2024-13", "2024-00", "2024-02-30", "2023-02-29", "0000-01-01", "2024-1-1", "2024-03-05 10:00",
		"2024-03-05T25:00:00Z", "2024-03-05T10:61", "2024-03-05T10:00:00+15:00", "spring 2019", "2024-03-05T10:00:00X", "2024-03-", "20240305", "2024-03-05T10:00:00+1:00"} {
		if got, _, err := day.Parse(text, zone); err == nil {
			t.Errorf("Parse(%q) = %v, want an error", text, got)
		}
	}
}

func TestParseOffset(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]day.Offset{
		"P30D": {Days: 30}, "P1M": {Months: 1}, "P12M": {Months: 12}, "P5Y": {Months: 60}, "P2W": {Days: 14}, "P1Y6M10D": {Months: 18, Days: 10}, "P0D": {},
	} {
		if got := offset(t, text); got != want {
			t.Errorf("ParseOffset(%q) = %v, want %v", text, got, want)
		}
	}
	for _, text := range []string{"", "P", "30D", "P30", "PT5H", "P-1M", "P1.5M", "P1D1M", "P1M1M", "P999999D", "P300Y", "p1m"} {
		if got, err := day.ParseOffset(text); err == nil {
			t.Errorf("ParseOffset(%q) = %v, want an error", text, got)
		}
	}
}

func TestSpanQuestions(t *testing.T) {
	t.Parallel()
	march := span(t, "2024-03")
	edge := one(t, "2024-03-15")
	if march.Within(one(t, "2024-03-01"), edge) || !march.Meets(edge, edge) || !march.Within(one(t, "2024-03-01"), one(t, "2024-03-31")) {
		t.Error("a month is inside only where all its days are, and meets any of its days")
	}
	if got := march.Apart(span(t, "2024-04-03")); got != 3 {
		t.Errorf("apart %d, want 3", got)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"2024", "2024-03", "2024-03-05", "2024-03-05T10:00:00.000+01:00", "x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, _, err := day.Parse(s, time.UTC)
		if err == nil && (got.First < day.Min || got.Last > day.Max || got.First > got.Last) {
			t.Fatalf("Parse(%q) = %v", s, got)
		}
		if err == nil && got.Exact() && len(s) == 10 && got.String() != s {
			t.Fatalf("Parse(%q) prints as %q", s, got)
		}
	})
}

func FuzzParseOffset(f *testing.F) {
	f.Add("P1Y2M3W4D")
	f.Fuzz(func(t *testing.T, s string) {
		o, err := day.ParseOffset(s)
		if err != nil {
			return
		}
		if again, err := day.ParseOffset(o.String()); err != nil || again != o {
			t.Fatalf("%q reads as %v, which prints as %q and reads as %v %v", s, o, o.String(), again, err)
		}
	})
}

func span(t *testing.T, s string) day.Span {
	t.Helper()
	got, err := day.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func one(t *testing.T, s string) day.Day { t.Helper(); return span(t, s).First }

func offset(t *testing.T, s string) day.Offset {
	t.Helper()
	o, err := day.ParseOffset(s)
	if err != nil {
		t.Fatal(err)
	}
	return o
}
