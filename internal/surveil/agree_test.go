package surveil_test

import (
	"cmp"
	"encoding/json"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/testkit/second"
)

// The real engine and the second one, which was written from the
// specification alone, agree to the key on random charts: 1,000 that are the
// same in every run and 250 from a random seed on. PERENNIAL_SEEDS=100000
// takes the seeds below 100000 instead, PERENNIAL_SEEDS=500:600 those from 500
// to 599.
func TestAgreesWithTheSecondEngine(t *testing.T) {
	t.Parallel()
	from, to, asked := seeds(t, 1000)
	agree(t, from, to)
	if !asked {
		from = rand.Uint64N(1 << 40)
		agree(t, from, from+rounds(250))
	}
}

// seeds are those that PERENNIAL_SEEDS asks for, else the first few.
func seeds(t *testing.T, few uint64) (from, to uint64, asked bool) {
	t.Helper()
	text := os.Getenv("PERENNIAL_SEEDS")
	if text == "" {
		return 0, rounds(few), false
	}
	from, to, ok := seedsOf(text)
	if !ok {
		t.Fatalf("PERENNIAL_SEEDS=%q: want a number, or two with a colon", text)
	}
	return from, to, true
}

// rounds is how many of n random charts are tried: a quarter in short runs, which
// are those with the race detector, but for those that ask for seeds.
func rounds(n uint64) uint64 {
	if testing.Short() && os.Getenv("PERENNIAL_SEEDS") == "" {
		return n / 4
	}
	return n
}

// seedsOf reads the seeds to run: below a number, or from one to below another.
func seedsOf(text string) (from, to uint64, ok bool) {
	a, b, two := strings.Cut(text, ":")
	if !two {
		a, b = "0", text
	}
	from, err := strconv.ParseUint(a, 10, 64)
	to, err2 := strconv.ParseUint(b, 10, 64)
	return from, to, err == nil && err2 == nil && from < to
}

// agree compares the engines on a range of seeds, and shows the first few
// differences with the chart made as small as it can be (in short runs the seeds
// alone).
func agree(t *testing.T, from, to uint64) {
	t.Helper()
	bad := differing(from, to)
	for i, seed := range bad {
		if i == 3 {
			t.Errorf("%d of %d charts differ; seeds %v", len(bad), to-from, bad)
			break
		}
		s := storyOf(seed)
		if testing.Short() {
			t.Errorf("seed %d", seed)
			continue
		}
		s.chart = second.Shrink(s.chart, func(c second.Chart) bool {
			s := s
			s.chart = c
			return differ(s)
		})
		s.given = second.ShrinkTriggers(s.given, func(given []second.Protocol) bool {
			s := s
			s.given = given
			return differ(s)
		})
		want, got := compare(s, false)
		text, _ := json.MarshalIndent(s.chart, "", " ")
		t.Errorf("seed %d (again: PERENNIAL_SEEDS=%d:%d) as of %s, protocols %v, options %+v (-second +real):\n%s\n%s",
			seed, seed, seed+1, s.asOf, named(s.given), s.options, gocmp.Diff(want, got), text)
	}
}

// differing lists the seeds on which the engines differ.
func differing(from, to uint64) []uint64 {
	const hands = 2
	found := make([][]uint64, hands)
	var wait sync.WaitGroup
	for hand := range uint64(hands) {
		wait.Go(func() {
			for seed := from + hand; seed < to; seed += hands {
				if differ(storyOf(seed)) {
					found[hand] = append(found[hand], seed)
				}
			}
		})
	}
	wait.Wait()
	all := slices.Concat(found...)
	slices.Sort(all)
	return all
}

func differ(s story) bool {
	want, got := compare(s, false)
	return !reflect.DeepEqual(want, got) && gocmp.Diff(want, got) != ""
}

// named lists protocols by their ids, with their triggers where these are few.
func named(given []second.Protocol) []string {
	var ids []string
	for _, p := range given {
		if few, _ := json.Marshal(p.Triggers); len(p.Triggers) > 0 && len(p.Triggers) < 4 {
			p.ID += " " + string(few)
		}
		ids = append(ids, p.ID)
	}
	return ids
}

func sortWork(list []second.WorkItem) {
	slices.SortFunc(list, func(a, b second.WorkItem) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Implant, b.Implant), cmp.Compare(a.Clock, b.Clock),
			cmp.Compare(a.Step, b.Step), cmp.Compare(a.N, b.N), cmp.Compare(a.About, b.About))
	})
}

// turns says whether the real engine's plan differs from that of the day
// before: it has reasons, which the second one's has not.
func (s story) turns(on day.Day) bool {
	today, before := s.decided(on, surveil.Decide), s.decided(on-1, surveil.Decide)
	return !today.Same(&before)
}

// The wake day is the first day on which the second engine's plan, made anew
// for every day, differs.
func TestWakeAgreesWithTheSecondEngine(t *testing.T) {
	t.Parallel()
	n := 0
	from, to, asked := seeds(t, 60)
	for seed := from; seed < to; seed++ {
		s := storyOf(seed)
		for i := range s.chart.Rulings { // that a person will take a ruling back is not known today
			if r := &s.chart.Rulings[i]; r.Back > s.asOf {
				r.Back = ""
			}
		}
		want, got := compare(s, true)
		if want.Wake == "" {
			continue // not within the days that the second engine looks ahead
		}
		if n++; got.Wake != want.Wake && !(got.Wake < want.Wake && s.turns(dayOf(got.Wake))) {
			t.Errorf("seed %d as of %s: wake %q, want %q", seed, s.asOf, got.Wake, want.Wake)
		}
	}
	if n < int(rounds(30)) && !asked {
		t.Errorf("only %d charts had a wake day", n)
	}
}
