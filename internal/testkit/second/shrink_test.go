package second

import (
	"math/rand/v2"
	"testing"
)

// Of a chart full of facts only those stay that the difference needs.
func TestShrinkKeepsWhatMatters(t *testing.T) {
	t.Parallel()
	var c Chart
	for seed := uint64(0); len(c.Studies) < 5 || len(c.Rulings) < 2; seed++ {
		c = Generate(rand.New(rand.NewPCG(seed, 1)))
	}
	wanted, ruling := c.Studies[2].ID, c.Rulings[1].ID
	before := len(c.Studies)
	small := Shrink(c, func(c Chart) bool {
		study, ruled := false, false
		for _, s := range c.Studies {
			study = study || s.ID == wanted
		}
		for _, r := range c.Rulings {
			ruled = ruled || r.ID == ruling
		}
		return study && ruled
	})
	if len(small.Studies) != 1 || len(small.Rulings) != 1 || len(small.Operations)+len(small.Reports)+len(small.Findings) != 0 {
		t.Errorf("left over: %+v", small)
	}
	if s := small.Studies[0]; s.ID != wanted || s.UID+s.Accession+s.Updated != "" || s.Date == "" {
		t.Errorf("the study: %+v", s)
	}
	if len(c.Studies) != before || c.Studies[2].UID == "" && c.Studies[2].Accession == "" {
		t.Errorf("the chart given was changed: %+v", c)
	}
}
