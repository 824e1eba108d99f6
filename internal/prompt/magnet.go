package prompt

import (
	"fmt"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/surveil"
)

const f2503 = "labels by ASTM F2503; the rule that every implant must be known is set here"

// magnets says what the labels of all that is implanted allow, in case an MR
// is thought of. What is not known is not safe.
func (m *maker) magnets() {
	var counts [5]int
	order := []string{"unsafe", "", "unstated", "conditional", "safe"}
	p := Prompt{Kind: Magnet, Source: f2503, Evidence: "DESIGN"}
	gone, bare := m.bodies()
	var named []string
	for i := range m.c.Devices {
		d := &m.c.Devices[i]
		if slices.Contains(gone, d.Ref) {
			continue
		}
		counts[max(0, slices.Index(order, d.MR))]++
		p.Facts = append(p.Facts, d.Ref)
		if d.MR == "unsafe" {
			named = append(named, d.Name)
		}
	}
	var parts []string
	for i, words := range []string{"MR Unsafe", "without an MR label on record", "whose label says nothing about MR", "MR Conditional", "MR Safe"} {
		if counts[i] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[i], words))
		}
	}
	if bare > 0 {
		parts = append(parts, count(bare, "implant")+" without any device on record")
	}
	switch {
	case len(parts) == 0:
		return
	case counts[0] > 0:
		p.Level = Flag
	case counts[1]+counts[2]+bare > 0:
		p.Level = Unknown
	default:
		p.Level = Fine
	}
	p.Text = "If an MR is thought of: " + strings.Join(parts, ", ") + "." + advice(p.Level, named)
	m.put(p)
}

func advice(level Level, unsafe []string) string {
	switch level {
	case Flag:
		return " No MR by its label: " + strings.Join(unsafe, ", ") + "."
	case Unknown:
		return " Not known is not safe: ask before an MR."
	}
	return " The conditions of each label hold."
}

// bodies gives the devices that were taken out again, and counts the implants
// in place of which no device is on record.
func (m *maker) bodies() (gone []string, bare int) {
	for i := range m.plan.Implants {
		x := &m.plan.Implants[i]
		out := x.Ended == surveil.EndExplanted
		if len(x.Devices) == 0 && !out && x.Class != "open-repair" {
			bare++
		}
		if out {
			gone = append(gone, refs(x.Devices)...)
		}
	}
	return gone, bare
}

func refs(list []chart.Device) []string {
	var out []string
	for i := range list {
		out = append(out, list[i].Ref)
	}
	return out
}
