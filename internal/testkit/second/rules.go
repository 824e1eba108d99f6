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

// aorticTriggers are the event rules of all aortic protocols.
func aorticTriggers() []Trigger {
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
		{ID: "coils", When: Condition{Operation: "coils"}, Visit: visitIn(30, 15, 60, duplexOrCTA())},
	}
}

// words are the words of a text.
func words(text string) []string { return strings.Fields(text) }

// visitIn is a visit so many days after the causing fact.
func visitIn(target, opens, closes int, ways []Way) *Added {
	return &Added{Target: target, Opens: opens, Closes: closes, Ways: ways}
}
