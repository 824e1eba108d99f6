package protocol_test

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/protocol"
)

func TestTriggerEdges(t *testing.T) {
	t.Parallel()
	edits(t, triggerEdits())
}

// triggerEdits are changes of the small protocol's trigger.
func triggerEdits() []edit {
	const when, then = "{finding: migration, at_least: 10 mm}", "review: {within: 7, urgency: urgent}"
	const other = "    cite: {source: invented, evidence: DESIGN}\n  - id: leaks\n    when: {finding: endoleak, seen: [ct-angiogram]}\n    then: " // a second trigger, up to its effect
	return []edit{
		{"below and at least", when, "{finding: migration, at_least: 5 mm, below: 10 mm}", ""},
		{"below beside growth", when, "{growth: 5 mm, below: 10 mm}", `"below" has a meaning only beside "at_least"`},
		{"below without its unit", when, "{finding: migration, at_least: 5 mm, below: 10}", "the unit is missing"},
		{"measures of a diameter", when, "{finding: sac-diameter, at_least: 55 mm, of: [ascending, arch, isthmus, descending, abdominal, sac]}", ""},
		{"one measure, no list", when, "{growth: 5 mm, of: arch}", ""},
		{"no measure", when, "{growth: 5 mm, of: []}", "the list is empty"},
		{"measure of an operation", when, "{event: occlusion, of: [sac]}", "only a diameter has a measure"},
		{"sex, condition and scan", when, "{finding: endoleak, sex: male, if: dissection, first_scan: no}", ""},
		{"first scan, as without it", when, "{finding: endoleak, first_scan: yes}", ""},
		{"neither yes nor no", when, "{finding: endoleak, first_scan: later}", "yes or no is expected here"},
		{"unknown condition in a trigger", when, "{finding: endoleak, if: disection}", `unknown condition of the patient "disection"`},
		{"condition of an operation", when, "{event: explant, if: dissection}", `"if" is asked of a finding`},
		{"first scan of an operation", when, "{event: explant, first_scan: no}", "not seen on a study"},
		{"operation with a finding", when, "{event: explant, with: {finding: endoleak}}", "not seen on a study"},
		{"with a threshold", when, "{finding: endoleak, with: {finding: sac-diameter, at_least: 55 mm, below: 60 mm, of: [sac]}}", ""},
		{"with an operation", when, "{finding: endoleak, with: {event: occlusion}}", `"finding" or "growth" is expected here`},
		{"with nothing", when, "{finding: endoleak, with: {}}", `"finding" or "growth" is expected here`},
		{"with one of two", when, "{finding: endoleak, with: {any: [{finding: kink}]}}", `unknown key "any"`},
		{"with in with", when, "{finding: endoleak, with: {finding: kink, with: {finding: fracture}}}", `unknown key "with"`},
		{"with another method", when, "{finding: endoleak, with: {growth: 5 mm, across: yes}}", `unknown key "across"`},
		{"with two things", when, "{finding: endoleak, with: {finding: kink, growth: 5 mm}}", `asks for one of "finding", "growth"; `},
		{"with a diameter alone", when, "{finding: endoleak, with: {finding: sac-diameter}}", "a diameter by itself"},
		{"with no map", when, "{finding: endoleak, with: growth}", "is expected here, not a single value"},
		{"new parts beside any", when, "{any: [{finding: endoleak}], sex: female}", `"sex" cannot stand beside "any"`},
		{"new parts in any", when, "{any: [{finding: endoleak, first_scan: no, with: {growth: 5 mm}}, {finding: kink, sex: female}]}", ""},
		{"on the first scan with growth beside it", "        at: P12M\n", "        at: P12M\n        only_if: {finding: endoleak, sex: female, if: dissection, with: {finding: kink}}\n", "a gap"},
		{"later than the first scan, on the first scan", "        at: P12M\n", "        at: P12M\n        only_if: {any: [{finding: kink}, {finding: endoleak, first_scan: no}]}\n", "it would never hold"},
		{"an operation on the first scan", "        at: P12M\n", "        at: P12M\n        only_if: {event: occlusion}\n", "a scan shows findings"},
		{"review the same day", then, "review: {within: 0, urgency: stat}", ""},
		{"added series", then, "series: {every: P6M, until: P2Y, before: 60, after: 60, ways: cta, needs: [chest], instead: yes}", ""},
		{"in place of the calendar, further apart than the gap", then, "series: {every: P2Y, until: P10Y, before: 60, after: 60, ways: cta, instead: yes}", "longer than the protocol's gap P15M"},
		{"beside the calendar, as far apart", then, "series: {every: P2Y, until: P10Y, before: 60, after: 60, ways: cta}", ""},
		{"its windows just apart", then, "series: {every: P6M, until: P24M, before: 91, after: 90, ways: cta}", ""},
		{"a series of one visit", then, "series: {every: P6M, until: P6M, before: 60, after: 60, ways: cta}", ""},
		{"ten years", then, "series: {every: P1Y, until: P10Y, before: 60, after: 60, ways: cta}", ""},
		{"series and review", then, "review: {within: 7, urgency: asap}\n      series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta}", ""},
		{"series that ends before it begins", then, "series: {every: P12M, until: P6M, before: 60, after: 60, ways: cta}", "6 months is no whole number of times a year"},
		{"series without end", then, "series: {every: P6M, before: 60, after: 60, ways: cta}", "a duration such as P30D or P12M"},
		{"series without interval", then, "series: {every: P0M, until: P24M, before: 60, after: 60, ways: cta}", "the duration is zero"},
		{"series of months and days", then, "series: {every: P6M, until: P24M1D, before: 60, after: 60, ways: cta}", "whole months or years are expected here"},
		{"series without window", then, "series: {every: P6M, until: P24M, after: 60, ways: cta}", "a whole number of days is expected"},
		{"series without ways", then, "series: {every: P6M, until: P24M, before: 60, after: 60}", "without a way nothing can ever satisfy"},
		{"series with the key of a visit", then, "series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta, again: yes}", `unknown key "again"`},
		{"confirm beside a series", then, "series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta}\n      confirm: yes", "add a visit"},
		{"a series closes no circle with itself", then, "series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta}", ""},
		{"two series that show one another's finding", then + "\n", "series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta}\n" + other + "{series: {every: P12M, until: P36M, before: 60, after: 60, ways: cta}}\n", ""},
		{"a series and a visit that show one another's finding", when + "\n    then:\n      " + then + "\n", "{finding: migration, seen: [duplex]}\n    then: {series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta}}\n" + other + "{visit: {at: P30D, opens: 1, closes: 30, ways: [{kinds: [duplex]}]}}\n", ""},
		{"two visits that show one another's finding", when + "\n    then:\n      " + then + "\n", "{finding: migration, seen: [duplex]}\n    then: {visit: {at: P30D, opens: 1, closes: 30, ways: cta}}\n" + other + "{visit: {at: P30D, opens: 1, closes: 30, ways: [{kinds: [duplex]}]}}\n", "a circle"},
	}
}

// trigger reads the small protocol with another trigger.
func trigger(t *testing.T, when, then string) protocol.Trigger {
	t.Helper()
	doc := read(t, "good-small.yaml")
	for from, to := range map[string]string{"{finding: migration, at_least: 10 mm}": when, "\n      review: {within: 7, urgency: urgent}": " {" + then + "}"} {
		if bytes.Count(doc, []byte(from)) != 1 {
			t.Fatalf("the small protocol has not one %q", from)
		}
		doc = bytes.Replace(doc, []byte(from), []byte(to), 1)
	}
	return parse(t, "f.yaml", doc).Triggers[0]
}

// Every part of a condition and of an added series is read into its place.
func TestParseTriggersInFull(t *testing.T) {
	t.Parallel()
	got := trigger(t, "{finding: sac-diameter, at_least: 5 cm, below: 55.5 mm, of: [ascending, arch], seen: duplex, sex: female, if: dissection, first_scan: no, with: {growth: 5 mm, of: sac}}",
		"review: {within: 0, urgency: stat}, series: {every: P1Y3M, until: P5Y, before: 61, after: 62, ways: [{kinds: [duplex]}], needs: [legs], instead: yes}, withhold: 90, note: look")
	when := protocol.Condition{Finding: "sac-diameter", AtLeast: 500, Below: 555, Of: []string{"ascending", "arch"}, Seen: []chart.Kind{chart.Duplex}, Sex: "female", If: "dissection", Later: true,
		With: &protocol.Condition{Growth: 50, Of: []string{"sac"}}}
	then := protocol.Effect{Review: &protocol.Review{Within: 0, Urgency: "stat"}, Withhold: 90, Note: "look",
		Series: &protocol.AddedSeries{Every: 15, Until: 60, Before: 61, After: 62, Ways: []protocol.Way{{Kinds: []chart.Kind{chart.Duplex}}}, Needs: chart.Legs, Instead: true}}
	if d := cmp.Diff(when, got.When); d != "" {
		t.Errorf("when (-want +got)\n%s", d)
	}
	if d := cmp.Diff(then, got.Then); d != "" {
		t.Errorf("then (-want +got)\n%s", d)
	}
	got = trigger(t, "{finding: endoleak, types: [II], first_scan: yes, with: {finding: migration, at_least: 5 mm, below: 10 mm}}", "series: {every: P6M, until: P6M, before: 0, after: 0, ways: [{kinds: [duplex]}]}")
	when = protocol.Condition{Finding: "endoleak", Types: []string{"II"}, With: &protocol.Condition{Finding: "migration", AtLeast: 50, Below: 100}}
	then = protocol.Effect{Series: &protocol.AddedSeries{Every: 6, Until: 6, Ways: []protocol.Way{{Kinds: []chart.Kind{chart.Duplex}}}}}
	if d := cmp.Diff(when, got.When) + cmp.Diff(then, got.Then); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// A protocol says whether it takes visits of its calendar away.
func TestReplaces(t *testing.T) {
	t.Parallel()
	for then, want := range map[string]bool{
		"series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta, instead: yes}": true,
		"series: {every: P6M, until: P24M, before: 60, after: 60, ways: cta, instead: no}":  false,
		"note: look": false,
	} {
		p := parse(t, "f.yaml", bytes.Replace(read(t, "good-small.yaml"), []byte("review: {within: 7, urgency: urgent}"), []byte(then), 1))
		if p.Replaces() != want {
			t.Errorf("%s: replaces %v", then, !want)
		}
	}
}
