package assess

import (
	"encoding/json"
	"testing"
)

func FuzzReadRuling(f *testing.F) {
	f.Add([]byte(`{"id":"r1","patient":"p","kind":"decline","on":"2024-02-01","who":"Testa","when":"2024-02-01T09:00:00Z","why":"invented","takenBack":{"who":"Testa","when":"2024-02-02T09:00:00Z","why":"wrong"}}`))
	f.Add([]byte(`{"id":"r1","patient":"p","kind":"pray"} x`))
	f.Fuzz(func(t *testing.T, line []byte) {
		r, why := readRuling(line)
		if why != "" {
			return
		}
		again, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		if same, why := readRuling(again); why != "" || same.ID != r.ID || same.From() != r.From() {
			t.Fatalf("%s reads as %+v, which prints as %s: %s", line, r, again, why)
		}
	})
}

func TestPercentFor(t *testing.T) {
	t.Parallel()
	for kept, most := range map[int]int{0: 2400, 10 << 20: 700, 100 << 20: 100, 1 << 30: 25} {
		if got := percentFor(kept); got < 25 || got > most {
			t.Errorf("percentFor(%d) = %d, want 25 to %d", kept, got, most)
		}
	}
}

// A ruling of which nothing follows is refused when it is read, with what is
// wrong with it.
func TestRulingsThatSayNothingUsable(t *testing.T) {
	t.Parallel()
	const who = `,"who":"Testa","when":"2024-02-01T09:00:00Z","why":"invented"}`
	for line, want := range map[string]string{
		`{"id":"r","patient":"p","kind":"interval","value":"P1D"` + who: "the interval is missing or not usable: write months as P6M or days as P90D, from a month to ten years",
		`{"id":"r","patient":"p","kind":"stratum"` + who:                "the stratum is low, intermediate or high",
		`{"id":"r","patient":"p","kind":"interval","value":"P6M"` + who: "",
		`{"id":"r","patient":"p","kind":"withdraw"` + who:               "",
	} {
		if _, why := readRuling([]byte(line)); why != want {
			t.Errorf("%s: %q, want %q", line, why, want)
		}
	}
}
