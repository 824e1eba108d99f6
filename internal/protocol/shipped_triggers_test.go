package protocol_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/protocol"
)

// rules are what findings and operations lead to, by the id of the trigger: in
// every protocol that has it, it says the same. The source of each stands in the
// protocol; the days and the added visits are our own choice, to be confirmed by
// the clinic. The kinds of a visit are those that count by themselves.
func rules() map[string]string {
	return map[string]string{
		"endoleak-1-3":            "endoleak [I Ia Ib Ic III IIIa IIIb IIIc] -> review 1 urgent, withhold 30",
		"endoleak-untyped":        "endoleak [unknown] -> review 7 asap",
		"endoleak-untyped-duplex": "endoleak [unknown] on [duplex duplex-limited] -> visit P30D 1..30 [ct-angiogram]",
		"endoleak-3-device":       "endoleak [III IIIa IIIb IIIc] -> review 1 urgent, note",
		"endoleak-2-growth":       "endoleak [II] with (growth 50) -> review 14 asap, note",
		"endoleak-2-series":       "endoleak [II] later -> series every 6 to 24 months, -60/+60 [duplex ct-angiogram]",
		"endoleak-4":              "endoleak [IV] -> review 14 routine, note",
		"endoleak-5":              "endoleak [V] -> review 14 asap, visit P6M 120..240 [duplex ct-angiogram] again",
		"endoleak-5-duplex":       "endoleak [V] on [duplex duplex-limited] -> visit P30D 1..30 [ct-angiogram], note",
		"migration-10":            "migration at least 100 -> review 7 urgent",
		"migration-5":             "migration at least 50 below 100 or migration [present] -> review 14 asap, visit P6M 120..240 [ct-angiogram] again",
		"device-damage":           "fracture or separation -> review 7 asap, visit P6M 120..240 [ct-angiogram] again, note",
		"device-damage-ct": "fracture on [radiograph duplex duplex-limited ct-plain ct-unknown-contrast] or separation on [radiograph duplex duplex-limited ct-plain ct-unknown-contrast]" +
			" -> visit P30D 1..30 [ct-angiogram]",
		"separation-leak":        "separation with (endoleak [III IIIa IIIb IIIc]) -> review 0 stat, note",
		"rupture":                "rupture -> review 0 stat, withhold 30, note",
		"infection":              "infection -> review 0 stat, withhold 30, note",
		"branch-occlusion":       "branch-patency [occluded thrombosed] -> review 0 urgent, note",
		"branch-stenosis":        "branch-patency [stenosed partially-thrombosed] -> review 7 asap, visit P6M 120..240 [duplex ct-angiogram] again",
		"branch-stenosis-duplex": "branch-patency [stenosed partially-thrombosed] on [duplex duplex-limited] -> visit P30D 1..30 [ct-angiogram]",
		"vessel-occlusion":       "branch-patency [occluded thrombosed] -> review 0 urgent, note",
		"vessel-stenosis":        "branch-patency [stenosed partially-thrombosed] -> review 7 asap",
		"stent-fracture":         "fracture -> review 14 asap",
		"sac-growth":             "growth 50 -> review 14 asap",
		"sac-growth-duplex":      "growth 50 on [duplex duplex-limited] -> visit P30D 1..30 [ct-angiogram], confirm",
		"sac-growth-10":          "growth 100 -> review 7 urgent",
		"sac-growth-again":       "growth 50 -> visit P6M 120..240 [duplex ct-angiogram] again",
		"sac-confirm":            "growth 50 across on [duplex duplex-limited mr mr-angiogram] -> visit P30D 1..30 [ct-angiogram], confirm",
		"sac-confirm-ct":         "growth 50 across on [ct-angiogram ct-contrast ct-plain ct-unknown-contrast] -> visit P30D 1..30 [duplex ct-angiogram], confirm",
		"dissection-55":          "sac-diameter at least 550 of [sac descending] if dissection -> review 14 asap",
		"false-lumen":            "false-lumen [patent partially-thrombosed] -> review 14 routine, note",
		"untreated-women-50":     "sac-diameter at least 500 of [abdominal] sex female -> review 14 asap, note",
		"coils":                  "occlusion -> visit P30D 15..60 [duplex ct-angiogram]",
		"stratum-broken":         "endoleak or growth 50 or migration at least 50 or migration [present] or fracture or separation -> review 14 asap, note",
		// By class: what is untreated.
		"evar":        "sac-diameter at least 550 of [ascending arch isthmus descending] -> review 14 asap, note",
		"tevar":       "sac-diameter at least 550 of [ascending arch abdominal] -> review 14 asap, note",
		"arch-branch": "sac-diameter at least 550 of [ascending descending abdominal] -> review 14 asap, note",
		"open-repair": "sac-diameter at least 550 of [ascending arch isthmus descending abdominal] -> review 14 asap, note",
	}
}

// rulesFor are the ids of the triggers that each protocol for a class has.
func rulesFor(class string) []string {
	common := "rupture infection"
	aorta := common + " endoleak-1-3 endoleak-untyped endoleak-untyped-duplex sac-growth sac-growth-duplex sac-growth-10 sac-growth-again sac-confirm sac-confirm-ct coils branch-occlusion branch-stenosis branch-stenosis-duplex"
	graft := aorta + " endoleak-3-device endoleak-2-growth endoleak-4 endoleak-5 endoleak-5-duplex migration-10 migration-5 device-damage device-damage-ct separation-leak"
	switch class {
	case "filter":
		return nil
	case "evar", "iliac-branch", "fenestrated-branched":
		return strings.Fields(graft)
	case "tevar":
		return strings.Fields(graft + " dissection-55 false-lumen untreated-women-50")
	case "arch-branch":
		return strings.Fields(graft + " untreated-women-50")
	case "open-repair":
		return strings.Fields(aorta + " dissection-55 untreated-women-50")
	case "vein-bypass", "prosthetic-bypass":
		return strings.Fields(common + " vessel-occlusion vessel-stenosis")
	}
	return strings.Fields(common + " vessel-occlusion vessel-stenosis stent-fracture")
}

// What a finding or an operation leads to is the same in every protocol, and no
// class goes without a rule that the others of its sort have.
func TestTriggers(t *testing.T) {
	t.Parallel()
	for id, p := range shipped(t) {
		for _, class := range p.Classes {
			var got []string
			wide := 0
			for i := range p.Triggers {
				one := &p.Triggers[i]
				if !one.For(class) {
					continue
				}
				want := rules()[one.ID]
				if strings.HasPrefix(one.ID, "untreated-55") {
					wide++
					want = rules()[strings.NewReplacer("fenestrated-branched", "evar", "iliac-branch", "evar").Replace(class)]
				}
				if one.ID == "stratum-broken" && id == "esvs-aaa-2019-middle" {
					want = strings.Replace(want, "endoleak", "endoleak [I Ia Ib Ic III IIIa IIIb IIIc V unknown]", 1) // a type II belongs to it
				}
				if line := strings.TrimSuffix(said(*one), " instead"); line != one.ID+": "+want {
					t.Errorf("%s\n got %s\nwant %s: %s", id, line, one.ID, want)
				}
				if !strings.HasPrefix(one.ID, "untreated-55") && one.ID != "endoleak-2-series" && one.ID != "stratum-broken" {
					got = append(got, one.ID)
				}
			}
			want := rulesFor(class)
			slices.Sort(want)
			slices.Sort(got)
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%s for %s (-want +got)\n%s", id, class, d)
			}
			if aortic := slices.Contains(protocol.AorticClasses(), class); aortic != (wide == 1) {
				t.Errorf("%s for %s: %d rules about untreated parts", id, class, wide)
			}
		}
	}
}

// The series after a type II endoleak takes the place of the yearly visits only
// under the society that publishes it. A trial's and a label's own visits stay,
// and those of the risk strata are ruled by the stratum.
func TestTypeTwoSeries(t *testing.T) {
	t.Parallel()
	for id, p := range shipped(t) {
		at := slices.IndexFunc(p.Triggers, func(t protocol.Trigger) bool { return t.ID == "endoleak-2-series" })
		graft := slices.ContainsFunc(p.Classes, func(c string) bool { return slices.Contains(rulesFor(c), "endoleak-5") })
		if want := graft && !strings.HasPrefix(id, "esvs-aaa-"); want != (at >= 0) {
			t.Errorf("%s: has the series %v, wanted %v", id, at >= 0, want)
		}
		if at < 0 {
			continue
		}
		if want := id == "svs-aaa-2018" || id == "svs-fu-2018"; p.Triggers[at].Then.Series.Instead != want || p.Replaces() != want {
			t.Errorf("%s: in place of the calendar %v, wanted %v", id, !want, want)
		}
	}
}

// said draws a trigger on one line.
func said(t protocol.Trigger) string {
	e := t.Then
	var effects []string
	if e.Review != nil {
		effects = append(effects, fmt.Sprintf("review %d %s", e.Review.Within, e.Review.Urgency))
	}
	if v := e.Visit; v != nil {
		effects = append(effects, fmt.Sprintf("visit %s %d..%d %v", v.At, v.Open, v.Close, v.Ways[0].Kinds))
		if v.Again {
			effects[len(effects)-1] += " again"
		}
	}
	if s := e.Series; s != nil {
		effects = append(effects, fmt.Sprintf("series every %d to %d months, -%d/+%d %v", s.Every, s.Until, s.Before, s.After, s.Ways[0].Kinds))
		if s.Instead {
			effects[len(effects)-1] += " instead"
		}
	}
	if e.Withhold > 0 {
		effects = append(effects, fmt.Sprintf("withhold %d", e.Withhold))
	}
	if e.Confirm {
		effects = append(effects, "confirm")
	}
	if e.Note != "" {
		effects = append(effects, "note")
	}
	return t.ID + ": " + saidWhen(&t.When) + " -> " + strings.Join(effects, ", ")
}

// saidWhen draws a condition on one line.
func saidWhen(c *protocol.Condition) string {
	var list []string
	for i := range c.Any {
		list = append(list, saidWhen(&c.Any[i]))
	}
	out := strings.Join(list, " or ") + c.Finding + c.Event
	say := func(given bool, format string, args ...any) {
		if given {
			out += fmt.Sprintf(format, args...)
		}
	}
	say(len(c.Types) > 0, " %v", c.Types)
	say(c.AtLeast > 0, " at least %d", c.AtLeast)
	say(c.Below > 0, " below %d", c.Below)
	say(c.Growth > 0, "growth %d", c.Growth)
	say(c.Across, " across")
	say(len(c.Of) > 0, " of %v", c.Of)
	say(len(c.Seen) > 0, " on %v", c.Seen)
	say(c.Sex != "", " sex %s", c.Sex)
	say(c.If != "", " if %s", c.If)
	say(c.Later, " later")
	if c.With != nil {
		out += " with (" + saidWhen(c.With) + ")"
	}
	return out
}
