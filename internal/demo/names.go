package demo

import (
	"fmt"
	"strings"
)

// Names are made of parts: each looks like a name of a harbour town and is, as
// far as we know, nobody's.
const (
	womenNames = "Brisa Fenna Hesper Isaura Kestra Linnet Maren Nerys Quilla Rowanne Sunniva Tamsel Velda Yarrow Zephrine Marisca Oriel Petronel Calla Elowen"
	menNames   = "Ansel Corvin Delwyn Evander Garrick Jorah Lorcan Mattis Orrin Perrin Rafe Sorrel Torquil Ulric Wystan Alaric Bevis Dunstan Emeric Fabron"
	nameHeads  = "Lantern Wharf Gull Tide Kelp Shoal Brine Mast Oar Pebble Drift Anchor Keel Cockle Foghorn Mussel Samphire Spindrift Cutter Bollard"
	nameTails  = "by holt marsh well stead wick hollow croft more thwaite"
)

// families are all family names; the joints that are common names elsewhere are
// left out.
func families() []string {
	var out []string
	for _, head := range strings.Fields(nameHeads) {
		for _, tail := range strings.Fields(nameTails) {
			switch head + tail {
			case "Wharfmore", "Tidemore", "Oarmore", "Gullmore", "Gullwick", "Keelby", "Shoalwell", "Anchorage":
			default:
				out = append(out, head+tail)
			}
		}
	}
	return out
}

// recordNumber is the number on the invented hospital's record.
func recordNumber(n int) string { return fmt.Sprintf("SH-%06d", n) }

// phoneNumber is one of the numbers that the North American numbering plan keeps
// for invention (555-0100 to 555-0199); people share them here.
func phoneNumber(d *dice) string { return fmt.Sprintf("555-01%02d", d.below(100)) }

// gtin is a device identifier (GTIN-14) for a model. The GS1 prefix 952 is kept
// for examples (from memory), so that no maker has it.
func gtin(model int) string {
	s := fmt.Sprintf("09521400%05d", model)
	sum := 0
	for i, r := range s {
		weight := 3
		if i%2 == 1 {
			weight = 1
		}
		sum += int(r-'0') * weight
	}
	return fmt.Sprintf("%s%d", s, (10-sum%10)%10)
}
