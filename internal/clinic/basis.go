package clinic

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// engine is counted up when surveil or intake decide something else on the same
// input: stored plans are then made again.
const engine = 3

// basisOf is a hash of all that plans rest on beside the resources and rulings.
func basisOf(o *Options) string {
	h := sha256.New()
	fmt.Fprintln(h, engine, o.Book.Hash(), o.Zone)
	for _, class := range slices.Sorted(maps.Keys(o.Rules.Care)) {
		for _, f := range o.Rules.Care[class] {
			fmt.Fprintln(h, class, f.Protocol.Ref(), f.Protocol.Hash, f.From, f.Chosen)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(o.Rules.All)) {
		fmt.Fprintln(h, id, o.Rules.All[id].Hash)
	}
	settings, _ := json.Marshal(o.Rules.Settings) // numbers and days: cannot fail
	h.Write(settings)
	return hex.EncodeToString(h.Sum(nil)[:16])
}
