package second

import "strings"

// The event rules of the shipped protocols as Go literals. One entry is one
// entry of the YAML files, in their order and their words, so that the two can
// be read side by side:
//
//	when: {finding, types, at_least, below}   Condition{What, Types, AtLeast, Below}
//	when: {growth, across, of, seen}          Condition{Growth, Across, Of, Seen}
//	when: {sex, if, first_scan: no, with}     Condition{Sex, If, NotFirst: true, With}
//	review: {within: 1, urgency: urgent}      Review: &Review{1, "urgent"}
//	withhold: 30                              Withhold: true
//	visit: {at: P30D, opens: 1, closes: 30}   Visit: visitIn(30, 1, 30, ways)
//	series: {every, until, …, instead: yes}   Series: &AddedSeries{Every, Until, …, Instead: true}
//
// Lengths are tenths of a millimetre.

// aorticTriggers are the event rules of a protocol for a class of the aorta.
func aorticTriggers(id, class string) []Trigger {
	all := leakAndGrowth()
	if class != "open-repair" {
		all = append(all, graftLeaks(id, class)...)
		all = append(all, device()...)
	}
	all = append(all, emergencies()...)
	all = append(all, branches()...)
	all = append(all, size(class)...)
	return append(all, Trigger{ID: "coils", When: Condition{Operation: "coils"}, Visit: visitIn(30, 15, 60, duplexOrCTA())})
}

// leakAndGrowth is what every class of the aorta has first.
func leakAndGrowth() []Trigger {
	onDuplex, onMR := words("duplex duplex-limited"), words("mr mr-angiogram")
	onCT := words("ct-angiogram ct-contrast ct-plain ct-unknown-contrast")
	return []Trigger{
		{ID: "endoleak-1-3", When: Condition{What: "endoleak", Types: words("I Ia Ib Ic III IIIa IIIb IIIc")},
			Review: &Review{1, "urgent"}, Withhold: true},
		{ID: "endoleak-untyped", When: Condition{What: "endoleak", Types: words("unknown")}, Review: &Review{7, "asap"}},
		{ID: "endoleak-untyped-duplex", When: Condition{What: "endoleak", Types: words("unknown"), Seen: onDuplex}, Visit: visitIn(30, 1, 30, ctaOnly())},
		{ID: "sac-growth", When: Condition{Growth: 50}, Review: &Review{14, "asap"}},
		{ID: "sac-growth-duplex", When: Condition{Growth: 50, Seen: onDuplex}, Visit: visitIn(30, 1, 30, ctaOnly())},
		{ID: "sac-growth-10", When: Condition{Growth: 100}, Review: &Review{7, "urgent"}},
		{ID: "sac-confirm", When: Condition{Growth: 50, Across: true, Seen: append(onDuplex, onMR...)}, Visit: visitIn(30, 1, 30, ctaOnly())},
		{ID: "sac-confirm-ct", When: Condition{Growth: 50, Across: true, Seen: onCT}, Visit: visitIn(30, 1, 30, duplexOrCTA())},
	}
}

// graftLeaks are the other endoleaks of stent-grafts. The society that publishes
// the half-yearly scans lets them take the place of its yearly ones.
func graftLeaks(id, class string) []Trigger {
	society := id == "svs-aaa-2018" || id == "svs-fu-2018"
	all := []Trigger{
		{ID: "endoleak-3-device", When: Condition{What: "endoleak", Types: words("III IIIa IIIb IIIc")}, Review: &Review{1, "urgent"}},
		{ID: "endoleak-2-growth", When: Condition{What: "endoleak", Types: words("II"), With: &Condition{Growth: 50}}, Review: &Review{14, "asap"}},
	}
	if !society || class == "evar" || class == "iliac-branch" {
		all = append(all, Trigger{ID: "endoleak-2-series", When: Condition{What: "endoleak", Types: words("II"), NotFirst: true},
			Series: &AddedSeries{Every: 6, Until: 24, Before: 60, After: 60, Ways: duplexOrCTA(), Instead: society}})
	}
	return append(all,
		Trigger{ID: "endoleak-4", When: Condition{What: "endoleak", Types: words("IV")}, Review: &Review{14, "routine"}},
		Trigger{ID: "endoleak-5", When: Condition{What: "endoleak", Types: words("V")}, Review: &Review{14, "asap"}, Visit: halfYear(duplexOrCTA())},
		Trigger{ID: "endoleak-5-duplex", When: Condition{What: "endoleak", Types: words("V"), Seen: words("duplex duplex-limited")}, Visit: visitIn(30, 1, 30, ctaOnly())})
}

// device are the faults of a stent-graft.
func device() []Trigger {
	poor := words("radiograph duplex duplex-limited ct-plain ct-unknown-contrast")
	return []Trigger{
		{ID: "migration-10", When: Condition{What: "migration", AtLeast: 100}, Review: &Review{7, "urgent"}},
		{ID: "migration-5", When: Condition{Any: []Condition{{What: "migration", AtLeast: 50, Below: 100}, {What: "migration", Types: words("present")}}},
			Review: &Review{14, "asap"}, Visit: halfYear(ctaOnly())},
		{ID: "device-damage", When: Condition{Any: []Condition{{What: "fracture"}, {What: "separation"}}}, Review: &Review{7, "asap"}, Visit: halfYear(ctaOnly())},
		{ID: "device-damage-ct", When: Condition{Any: []Condition{{What: "fracture", Seen: poor}, {What: "separation", Seen: poor}}}, Visit: visitIn(30, 1, 30, ctaOnly())},
		{ID: "separation-leak", When: Condition{What: "separation", With: &Condition{What: "endoleak", Types: words("III IIIa IIIb IIIc")}}, Review: &Review{0, "stat"}},
	}
}

// emergencies are those of every class.
func emergencies() []Trigger {
	return []Trigger{
		{ID: "rupture", When: Condition{What: "rupture"}, Review: &Review{0, "stat"}, Withhold: true},
		{ID: "infection", When: Condition{What: "infection"}, Review: &Review{0, "stat"}, Withhold: true},
	}
}

// branches are closed and narrow vessels of the aorta's implants.
func branches() []Trigger {
	narrow := words("stenosed partially-thrombosed")
	return []Trigger{
		{ID: "branch-occlusion", When: Condition{What: "branch-patency", Types: words("occluded thrombosed")}, Review: &Review{0, "urgent"}},
		{ID: "branch-stenosis", When: Condition{What: "branch-patency", Types: narrow}, Review: &Review{7, "asap"}, Visit: halfYear(duplexOrCTA())},
		{ID: "branch-stenosis-duplex", When: Condition{What: "branch-patency", Types: narrow, Seen: words("duplex duplex-limited")}, Visit: visitIn(30, 1, 30, ctaOnly())},
	}
}

// vesselTriggers are the event rules of the smaller arteries.
func vesselTriggers(stent bool) []Trigger {
	all := append(emergencies(),
		Trigger{ID: "vessel-occlusion", When: Condition{What: "branch-patency", Types: words("occluded thrombosed")}, Review: &Review{0, "urgent"}},
		Trigger{ID: "vessel-stenosis", When: Condition{What: "branch-patency", Types: words("stenosed partially-thrombosed")}, Review: &Review{7, "asap"}})
	if stent {
		all = append(all, Trigger{ID: "stent-fracture", When: Condition{What: "fracture"}, Review: &Review{14, "asap"}})
	}
	return all
}

// size is the sac that has grown, and what is wide elsewhere.
func size(class string) []Trigger {
	all := []Trigger{{ID: "sac-growth-again", When: Condition{Growth: 50}, Visit: halfYear(duplexOrCTA())}}
	if class == "tevar" || class == "open-repair" {
		all = append(all, Trigger{ID: "dissection-55", When: Condition{What: "sac-diameter", Of: words("sac descending"), AtLeast: 550, If: "dissection"}, Review: &Review{14, "asap"}})
	}
	if class == "tevar" {
		all = append(all, Trigger{ID: "false-lumen", When: Condition{What: "false-lumen", Types: words("patent partially-thrombosed")}, Review: &Review{14, "routine"}})
	}
	untreated := map[string]string{"tevar": "ascending arch abdominal", "arch-branch": "ascending descending abdominal", "open-repair": "ascending arch isthmus descending abdominal"}[class]
	if untreated == "" {
		untreated = "ascending arch isthmus descending"
	}
	all = append(all, Trigger{ID: "untreated-55", When: Condition{What: "sac-diameter", Of: words(untreated), AtLeast: 550}, Review: &Review{14, "asap"}})
	if has(words(untreated), "abdominal") {
		all = append(all, Trigger{ID: "untreated-women-50", When: Condition{What: "sac-diameter", Of: words("abdominal"), AtLeast: 500, Sex: "female"}, Review: &Review{14, "asap"}})
	}
	return all
}

// halfYear is a visit six months after the causing fact.
func halfYear(ways []Way) *Added { return &Added{Months: 6, Opens: 120, Closes: 240, Ways: ways} }

// words are the words of a text.
func words(text string) []string { return strings.Fields(text) }

// visitIn is a visit so many days after the causing fact.
func visitIn(target, opens, closes int, ways []Way) *Added {
	return &Added{Target: target, Opens: opens, Closes: closes, Ways: ways}
}
