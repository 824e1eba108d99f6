package demo

import (
	"encoding/json"
	"fmt"

	"perennial/internal/day"
)

// ruling is a decision of a person, in the form in which rulings are exported.
type ruling struct {
	ID      string `json:"id"`
	Patient string `json:"patient"`
	Kind    string `json:"kind"`
	About   string `json:"about,omitempty"`
	Until   string `json:"until,omitempty"`
	Who     string `json:"who"`
	When    string `json:"when"`
	Why     string `json:"why"`
}

// Rulings are the decisions that the unit's nurse has made so far, as NDJSON in
// the form in which rulings are exported: most reports are reviewed, a few
// patients are paused, transferred or decline imaging. The cohort is complete
// without them; then every last report waits for its review.
func Rulings(asOf day.Day) []byte {
	var out []byte
	n := 0
	for _, p := range population(asOf) {
		s := write(p)
		for _, r := range append(s.rulings, s.decided()...) {
			n++
			r.ID, r.Patient, r.Who = fmt.Sprintf("demo-%05d", n), s.id, "Nurse of the "+Unit
			line, err := json.Marshal(r)
			if err != nil {
				panic("a ruling cannot be written: " + err.Error()) // a defect: it holds only text
			}
			out = append(append(out, line...), '\n')
		}
	}
	return out
}

// reviewed notes that a report was read: not the newest ones, and not those
// with the findings that still wait for somebody.
func (s *scribe) reviewed(x *scan, study string, issued day.Day) {
	on := issued.Plus(s.dice.between(1, 9))
	waits := x == s.last() && (dangerous(x.leak) || x.wording != "" || s.trend > 0 && s.dice.chance(0.5))
	if study == "" || waits || on.Plus(6) > s.asOf || x.report != "final" && x.report != "amended" {
		return
	}
	s.rulings = append(s.rulings, ruling{Kind: "reviewed", About: study, When: on.String() + "T13:00:00Z", Why: "report read"})
}

// decided is what was decided about the person as a whole.
func (s *scribe) decided() []ruling {
	when := s.asOf.Plus(-20).String() + "T13:00:00Z"
	switch s.odd {
	case paused:
		return []ruling{{Kind: "pause", Until: s.asOf.Plus(70).String(), When: when, Why: "treated for another illness first"}}
	case transferred:
		return []ruling{{Kind: "transfer", When: when, Why: "moved away; Gullmarsh Infirmary has accepted the care in writing"}}
	case declines:
		return []ruling{{Kind: "decline", When: when, Why: "does not want imaging until further notice; told of the risk"}}
	}
	return nil
}
