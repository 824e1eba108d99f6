package second

import (
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// everyAssignment lists all order-keeping one-to-one assignments.
func everyAssignment(units, visits int, fits func(int, int) place) [][]pair {
	var all [][]pair
	var walk func(u, v int, so []pair)
	walk = func(u, v int, so []pair) {
		if u == units {
			all = append(all, append([]pair{}, so...))
			return
		}
		walk(u+1, v, so)
		for w := v; w < visits; w++ {
			if fits(u, w) != outside {
				walk(u+1, w+1, append(so[:len(so):len(so)], pair{u, w}))
			}
		}
	}
	walk(0, 0, nil)
	return all
}

// The remembered search finds what trying everything finds.
func TestBestIsTheBestOfAll(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(3, 3))
	for range 3000 {
		units, visits := rng.IntN(6), rng.IntN(6)
		table := make([]place, units*visits+1)
		for i := range table {
			table[i] = []place{outside, late, onTime}[rng.IntN(3)]
		}
		fits := func(u, v int) place { return table[u*visits+v] }
		want := []pair(nil)
		for _, a := range everyAssignment(units, visits, fits) {
			if better(a, want, fits) {
				want = a
			}
		}
		if got := best(units, visits, fits); len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
			t.Fatalf("table %v of %d x %d: got %v, want %v", table, units, visits, got, want)
		}
	}
}

// Worked by hand: rows are studies in order, columns visits; o on time, l late.
func TestBestByHand(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		rows []string
		want []pair
	}{
		{"one study, one visit", []string{"o"}, []pair{{0, 0}}},
		{"two studies in one window: the first", []string{"o", "o"}, []pair{{0, 0}}},
		{"a later scan on time beats an earlier late one", []string{"l", "o"}, []pair{{1, 0}}},
		{"one on-time visit beats two late ones", []string{".l.", ".ol", "..l"}, []pair{{1, 1}, {2, 2}}},
		{"on-time first even at the price of a visit", []string{"l.o", ".l.", "..."}, []pair{{0, 2}}},
		{"the earliest visit of equals", []string{"ll"}, []pair{{0, 0}}},
		{"order is kept", []string{".o", "o."}, []pair{{0, 1}}},
	} {
		fits := func(u, v int) place {
			return map[byte]place{'o': onTime, 'l': late, '.': outside}[c.rows[u][v]]
		}
		if got := best(len(c.rows), len(c.rows[0]), fits); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %s gave %v, want %v", c.name, strings.Join(c.rows, "/"), got, c.want)
		}
	}
}

// One visit's days by hand: y1 of 2024-03-10 opens 2024-12-10, closes
// 2025-06-08; y2 opens 2025-12-10.
func TestDaysThatCount(t *testing.T) {
	t.Parallel()
	first := scan(cta, "2024-04-10")
	for _, c := range []struct{ date, standing, timing string }{
		{"2024-12-09", "missed", ""}, // goes to nobody: m1 has one
		{"2024-12-10", "done", "on-time"},
		{"2025-06-08", "done", "on-time"},
		{"2025-06-09", "done", "late"},
		{"2025-12-09", "done", "late"},
		{"2025-12-10", "missed", ""},
		{"2025-06", "done", "late"}, // crosses the close
		{"2025-05", "done", "on-time"},
		{"2024-12", "missed", ""}, // may lie before the window
	} {
		p := assess(evar("2024-03-10", first, scan(cta, c.date)), "2026-02-01")
		v := visitOf(t, p, 0, "y1")
		if v.Standing != c.standing || v.Timing != c.timing {
			t.Errorf("study of %s: %s\n%s", c.date, line(v), show(p))
		}
		if possible := c.date == "2024-12"; asks(p, "partial-date", "ImagingStudy/"+cta+c.date) != possible {
			t.Errorf("study of %s: partial-date asked is not %v", c.date, possible)
		}
	}
}
