package web

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/surveil"
)

// partView is a device of an implant's cluster as it is shown.
type partView struct {
	*chart.Device
	Expired bool // before the operation that placed it
	Bare    bool // nothing by which a recall could find it
}

// partsOf are the devices of an implant: the main body first, then its limbs,
// then the others.
func partsOf(c *chart.Chart, m *surveil.Implant) []partView {
	var list []partView
	for i := range m.Devices {
		d := &m.Devices[i]
		placed := m.Index
		for j := range c.Operations {
			if slices.Contains(c.Operations[j].Devices, d.Ref) {
				placed = c.Operations[j].On
				break
			}
		}
		list = append(list, partView{Device: d, Expired: d.ExpiredBefore(placed), Bare: d.UDI == "" && d.Lot == "" && d.Serial == ""})
	}
	slices.SortStableFunc(list, func(a, b partView) int { return partRank(a.Part) - partRank(b.Part) })
	return list
}

// partRank orders the parts of a cluster.
func partRank(part string) int {
	order := []string{"main body", "limb", "extension", "cuff", "branch"}
	for i, word := range order {
		if strings.HasPrefix(part, word) {
			return i
		}
	}
	return len(order)
}
