package clinic

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"perennial/internal/surveil"
)

// engine is counted up when surveil or intake decide something else on the same
// input: stored plans are then made again.
const engine = 8

// basisOf is a hash of all that plans rest on beside the resources and rulings.
func basisOf(o *Options, rules *surveil.Rules) string {
	h := sha256.New()
	fmt.Fprintln(h, engine, o.Book.Hash(), o.Zone)
	for _, class := range slices.Sorted(maps.Keys(rules.Care)) {
		for _, f := range rules.Care[class] {
			fmt.Fprintln(h, class, f.Protocol.Ref(), f.Protocol.Hash, f.From, f.Chosen)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(rules.All)) {
		fmt.Fprintln(h, id, rules.All[id].Hash)
	}
	for i := range rules.Studies {
		s := &rules.Studies[i]
		fmt.Fprintln(h, "study", s.Key, s.Name, s.Protocol.Ref(), s.Protocol.Hash, s.Bins)
	}
	for _, s := range rules.StudyCare {
		fmt.Fprintln(h, "care", s.Key, s.Name, s.Protocol.Hash, s.From, s.Until)
	}
	for _, l := range rules.Labels {
		fmt.Fprintln(h, "label", l.Device, l.Protocol.Hash, l.From, l.Until)
	}
	settings, _ := json.Marshal(rules.Settings) // numbers and days: cannot fail
	h.Write(settings)
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// basis is what the plans are to rest on.
func (c *Clinic) basis() string { return c.force.Load().basis }
