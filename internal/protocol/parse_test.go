package protocol_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/yamldoc"
)

const folder = "../../testdata/protocols/"

func read(t testing.TB, name string) []byte {
	t.Helper()
	doc, err := os.ReadFile(filepath.FromSlash(folder + name))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// parse reads a document that must have no problem.
func parse(t testing.TB, name string, doc []byte) *protocol.Protocol {
	t.Helper()
	p, problems := protocol.Parse(name, doc)
	if len(problems) > 0 {
		t.Fatalf("refused:\n%s", yamldoc.Problems(problems).Error())
	}
	return p
}

// Each file has one mistake, told by its name and first line; the place is
// typed here and must be the only one that is named.
func TestMistakes(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name      string
		line, col int
		path      string
		text      string // how the problem begins
		suggest   string
	}{
		{"acceptance", 17, 8, "ways.cta[1]", "ct-angiogram stands in another way of this list already, once with acceptance and once without", ""},
		{"below-alone", 49, 39, "triggers[0].when.below", `"below" has a meaning only beside "at_least"`, ""},
		{"below-at-least", 49, 56, "triggers[0].when.below", "nothing is at least 10 mm and below 10 mm", ""},
		{"circle", 50, 12, "triggers[0].when", "a circle: the visit that slipped adds shows again what adds the next (slipped → slipped)", ""},
		{"circle-of-two", 50, 12, "triggers[0].when", "a circle: the visit that slipped adds shows again what adds the next (slipped → leaks → slipped)", ""},
		{"duplicate-step", 33, 9, "series[0].steps[1]", `the step id "scan" stands twice for evar`, ""},
		{"duration", 34, 13, "series[0].steps[1].at", `"12M" is not a duration`, ""},
		{"duration-hours", 28, 13, "series[0].steps[0].at", `"PT720H" is not a duration`, ""},
		{"duration-zero", 28, 13, "series[0].steps[0].at", "the duration is zero", ""},
		{"empty-condition", 49, 11, "triggers[0].when", "the condition is empty", ""},
		{"empty-ways", 37, 15, "series[0].steps[1].ways", "the list of ways is empty", ""},
		{"event-in-any", 49, 48, "triggers[0].when.any[1].event", `an operation cannot stand in "any"`, ""},
		{"evidence", 32, 58, "series[0].steps[0].cite.evidence", `unknown evidence mark "MEM-X"`, "MEM-H"},
		{"first-scan", 33, 9, "series[0].steps[1]", "year depends on the first scan, but no series for its classes begins with one within three months", ""},
		{"gap", 40, 7, "series[0].repeat", "a gap: nothing between y1 (P12M) and repeat (P36M), which is longer than the interval P12M", ""},
		{"gap-late-start", 27, 9, "series[0].steps[0]", "a gap: nothing between the operation and m18 (P18M), which is longer than the interval P12M", ""},
		{"gap-metric", 40, 7, "series[0].repeat", "the interval P12M is longer than the protocol's gap P6M", ""},
		{"later-first-scan", 38, 50, "series[0].steps[1].only_if.first_scan", "this asks what the first scan shows; it would never hold", ""},
		{"name-and-offset", 27, 9, "series[0].steps[0]", "the id m1 says 1 months, the offset is P6M", ""},
		{"no-citation", 27, 9, "series[0].steps[0].cite", "is missing; every rule says where it comes from", ""},
		{"no-evidence", 32, 16, "series[0].steps[0].cite.evidence", "the evidence mark is missing", ""},
		{"no-interval", 40, 7, "series[0].repeat.every", "is missing; a duration such as P30D or P12M is expected", ""},
		{"no-ladder", 7, 10, "classes", "no series that moves the ladder is for evar", ""},
		{"no-repeat", 24, 5, "series[0].repeat", `is missing; write the repeating step, or "repeat: none"`, ""},
		{"no-territory", 20, 9, "covers", "no territory is named for evar", ""},
		{"no-unit", 49, 42, "triggers[0].when.at_least", "the unit is missing", "10 mm"},
		{"of-no-diameter", 49, 53, "triggers[0].when.of", "only a diameter has a measure", ""},
		{"out-of-order", 33, 9, "series[0].steps[1]", "the steps are out of order: first (P20D) does not come after m1 (P30D)", ""},
		{"overlap", 33, 9, "series[0].steps[1]", "the windows of m1 and y1 overlap: 335 days lie between them, at least 336 are needed", ""},
		{"overlap-repeat", 40, 7, "series[0].repeat", "the windows of repeat and the next repeat overlap: 365 days lie between them, at least 366 are needed", ""},
		{"pointless-set", 18, 8, "ways.cta[2]", "ct-angiogram alone satisfies already", ""},
		{"repeat-out-of-order", 40, 7, "series[0].repeat", "the steps are out of order: the repeat begins (P12M) not after year (P12M)", ""},
		{"series-days", 51, 23, "triggers[0].then.series.every", "whole months or years are expected here", ""},
		{"series-long", 51, 35, "triggers[0].then.series.until", "a series that a trigger adds ends within ten years", ""},
		{"series-multiple", 51, 35, "triggers[0].then.series.until", "20 months is no whole number of times 6 months", ""},
		{"series-overlap", 51, 49, "triggers[0].then.series.before", "the windows of the added visits overlap: 182 days lie between them, at least 183 are needed", ""},
		{"sex-of-event", 49, 35, "triggers[0].when.sex", `"sex" is asked of a finding`, ""},
		{"unknown-class", 7, 17, "classes[1]", `unknown class "tevra"`, "tevar"},
		{"unknown-finding", 49, 21, "triggers[0].when.finding", `unknown finding "migraton"`, "migration"},
		{"unknown-key", 25, 5, "series[0]", `unknown key "prefx"`, "prefix"},
		{"unknown-kind", 16, 15, "ways.cta[0].kinds[0]", `unknown kind of imaging "ct-angiogran"`, "ct-angiogram"},
		{"unknown-measure", 49, 68, "triggers[0].when.of[1]", `unknown measure "archs"`, "arch"},
		{"unknown-sex", 49, 57, "triggers[0].when.sex", `unknown sex "femal"`, "female"},
		{"unknown-source", 32, 24, "series[0].steps[0].cite.source", `unknown source "invnted"`, "invented"},
		{"unknown-status", 5, 9, "status", `unknown word "darft"`, "draft"},
		{"unknown-territory", 21, 22, "covers[0].needs[1]", `unknown territory "pelvic"`, "pelvis"},
		{"unknown-unit", 49, 42, "triggers[0].when.at_least", `unknown unit "in"`, ""},
		{"until", 42, 14, "series[0].repeat.until", "it ends (P12M) before it begins (P24M)", ""},
		{"urgency", 51, 36, "triggers[0].then.review.urgency", `unknown word "urgnt"`, "urgent"},
		{"visit-and-series", 52, 16, "triggers[0].then.series", "a trigger adds a visit or a series, not both", ""},
		{"window-before-operation", 27, 9, "series[0].steps[0]", "the window opens 31 days before P30D", ""},
		{"with-seen", 49, 65, "triggers[0].when.with", `unknown key "seen"`, ""},
		{"withhold", 51, 17, "triggers[0].then.withhold", "imaging is withheld only while a review is open", ""},
		{"zero-interval", 41, 14, "series[0].repeat.every", "the duration is zero", ""},
	}
	seen := map[string]bool{"good-small.yaml": true, "good-strata.yaml": true, "migration-10mm.yaml": true}
	for _, tc := range tests {
		file := "bad-" + tc.name + ".yaml"
		seen[file] = true
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			p, problems := protocol.Parse(file, read(t, file))
			if p != nil || len(problems) != 1 {
				t.Fatalf("one problem and no protocol expected:\n%s", yamldoc.Problems(problems).Error())
			}
			got := problems[0]
			if !strings.HasPrefix(got.Text, tc.text) {
				t.Errorf("says %q, not %q", got.Text, tc.text)
			}
			got.Text = tc.text
			want := yamldoc.Problem{File: file, Line: tc.line, Col: tc.col, Path: tc.path, Text: tc.text, Suggestion: tc.suggest}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !seen[f.Name()] {
			t.Errorf("%s has no row in this table", f.Name())
		}
	}
}

func TestAllProblemsAtOnce(t *testing.T) {
	t.Parallel()
	doc := string(read(t, "good-small.yaml"))
	for _, change := range []string{"status: draft|status: darft", "at: P30D|at: 30", "[abdomen, pelvis]|[abdomen, pelvis, chets]", "10 mm|10", "urgency: urgent|urgency: soon", "gap: P15M|gab: P15M"} {
		from, to, _ := strings.Cut(change, "|")
		doc = strings.Replace(doc, from, to, 1)
	}
	_, problems := protocol.Parse("f.yaml", []byte(doc))
	var lines []int
	for _, p := range problems {
		lines = append(lines, p.Line)
	}
	// gap is missing (at the top, line 3) and gab unknown (line 10).
	if d := cmp.Diff([]int{3, 6, 10, 22, 29, 50, 52}, lines); d != "" {
		t.Errorf("lines of the problems (-want +got)\n%s\n%s", d, yamldoc.Problems(problems).Error())
	}
}

func TestParseReadsEverything(t *testing.T) {
	t.Parallel()
	cite := protocol.Cite{Text: "An invented source, for tests only", Evidence: "DESIGN"}
	cite.Whole = "An invented source, for tests only [DESIGN, draft protocol]"
	graded := cite
	graded.Grade, graded.Whole = "1/B", "An invented source, for tests only (1/B) [DESIGN, draft protocol]"
	ways := []protocol.Way{
		{Kinds: []chart.Kind{chart.CTAngiogram}},
		{Kinds: []chart.Kind{chart.CTContrast}, Acceptance: true},
		{Kinds: []chart.Kind{chart.CTPlain}, With: []chart.Kind{chart.Duplex}, Within: 30, Acceptance: true},
	}
	want := &protocol.Protocol{
		ID: "small", Version: "1", Title: "A small invented protocol", Status: "draft", Windows: "clinic-v1", Study: "trial-v1", Bins: "registry-ltfu-v1", Classes: []string{"evar"},
		Cite: cite, Gap: day.Offset{Months: 15}, Late: true, Covers: []protocol.Cover{{Needs: chart.Abdomen | chart.Pelvis}},
		Series: []protocol.Series{{ID: "main", Prefix: "y", Ladder: true,
			Steps: []protocol.Step{
				{ID: "m1", At: day.Offset{Days: 30}, Before: 15, After: 30, Ways: ways, Cite: graded},
				{ID: "y1", At: day.Offset{Months: 12}, Before: 90, After: 90, Ways: ways, Cite: cite},
			},
			Repeat: &protocol.Repeat{From: day.Offset{Months: 24}, Every: day.Offset{Months: 12}, Before: 90, After: 90, Ways: ways, Cite: cite},
		}},
		Triggers: []protocol.Trigger{{ID: "slipped", When: protocol.Condition{Finding: "migration", AtLeast: 100},
			Then: protocol.Effect{Review: &protocol.Review{Within: 7, Urgency: "urgent"}}, Cite: cite}},
	}
	got := parse(t, "good-small.yaml", read(t, "good-small.yaml"))
	if !strings.Contains(got.Text, "id: small") {
		t.Error("the document is not kept")
	}
	got.Hash, got.Text = "", ""
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func TestParseLessUsualParts(t *testing.T) {
	t.Parallel()
	doc := string(read(t, "good-small.yaml"))
	for from, to := range map[string]string{
		"gap: P15M":                                  "gap: P15M\nlate: no\nkeep_clock: yes\nchoose: patient\nstudy_windows: none\nanalysis_bins: analysis-days-v1",
		"classes: [evar]":                            "classes: [evar, tevar]",
		"    prefix: y\n":                            "    prefix: y\n    anchor: last-imaging\n",
		"  - needs: [abdomen, pelvis]":               "  - needs: [chest]\n  - {classes: [evar, tevar], if: dissection, needs: [abdomen]}",
		"{finding: migration, at_least: 10 mm}":      "{any: [{growth: 0.5 cm, across: yes, seen: [duplex, mr]}, {finding: endoleak, types: [Ia, III]}]}",
		"      review: {within: 7, urgency: urgent}": "      visit: {at: P30D, opens: 1, closes: 30, ways: [{kinds: [duplex]}], needs: [legs], again: yes}\n      confirm: yes\n      note: look again",
	} {
		if strings.Count(doc, from) != 1 {
			t.Fatalf("%q stands %d times", from, strings.Count(doc, from))
		}
		doc = strings.Replace(doc, from, to, 1)
	}
	p := parse(t, "f.yaml", []byte(doc))
	covers := []protocol.Cover{{Needs: chart.Chest}, {Class: "evar", If: "dissection", Needs: chart.Abdomen}, {Class: "tevar", If: "dissection", Needs: chart.Abdomen}}
	if d := cmp.Diff(covers, p.Covers); d != "" {
		t.Errorf("covers (-want +got)\n%s", d)
	}
	if !p.PerPatient || p.Study != "none" || p.Bins != "analysis-days-v1" {
		t.Errorf("choose %v, study windows %s, bins %s", p.PerPatient, p.Study, p.Bins)
	}
	if p.Late || !p.KeepClock || !p.Series[0].Rolling {
		t.Errorf("late %v, keep_clock %v, rolling %v", p.Late, p.KeepClock, p.Series[0].Rolling)
	}
	when := protocol.Condition{Any: []protocol.Condition{
		{Growth: 50, Across: true, Seen: []chart.Kind{chart.Duplex, chart.MR}},
		{Finding: "endoleak", Types: []string{"Ia", "III"}},
	}}
	then := protocol.Effect{Confirm: true, Note: "look again",
		Visit: &protocol.Added{At: day.Offset{Days: 30}, Open: 1, Close: 30, Ways: []protocol.Way{{Kinds: []chart.Kind{chart.Duplex}}}, Needs: chart.Legs, Again: true}}
	if d := cmp.Diff(when, p.Triggers[0].When); d != "" {
		t.Errorf("when (-want +got)\n%s", d)
	}
	if d := cmp.Diff(then, p.Triggers[0].Then); d != "" {
		t.Errorf("then (-want +got)\n%s", d)
	}
}

func TestEdges(t *testing.T) {
	t.Parallel()
	tests := []edit{
		{"windows one day apart", "        before: 90\n        after: 90\n", "        before: 304\n        after: 90\n", ""},
		{"windows share a day", "        before: 90\n        after: 90\n", "        before: 305\n        after: 90\n", "overlap"},
		{"yearly windows just apart", "      before: 90\n      after: 90\n      ways", "      before: 182\n      after: 182\n      ways", ""},
		{"first window from the day after the operation", "before: 15", "before: 29", ""},
		{"centimetres", "10 mm", "0.5 cm", ""},
		{"a tenth of a millimetre", "10 mm", "4.5 mm", ""},
		{"finer than a tenth", "10 mm", "4.55 mm", "to a tenth of a millimetre"},
		{"no number", "10 mm", "mm", "a length above zero"},
		{"negative", "10 mm", "-5 mm", "a length above zero"},
		{"zero length", "10 mm", "0 mm", "a length above zero"},
		{"too long", "10 mm", "301 mm", "a length above zero"},
		{"length as list", "10 mm", "[10 mm]", "is expected here"},
		{"length empty", "at_least: 10 mm", "at_least: ''", `such as "5 mm"`},
		{"finding and event", "finding: migration,", "finding: migration, event: relining,", "asks for one of"},
		{"types and threshold", "at_least:", "types: [present], at_least:", "not both"},
		{"across without growth", "at_least: 10 mm", "across: yes", `"across" has a meaning only beside "growth"`},
		{"diameter alone", "{finding: migration, at_least: 10 mm}", "{finding: sac-diameter}", "a diameter by itself"},
		{"unknown type of endoleak", "{finding: migration, at_least: 10 mm}", "{finding: endoleak, types: [VI]}", `unknown type of endoleak "VI"`},
		{"event seen", "{finding: migration, at_least: 10 mm}", "{event: occlusion, seen: [duplex]}", "not seen on a study"},
		{"any and more", "{finding: migration, at_least: 10 mm}", "{any: [{finding: endoleak}], growth: 5 mm}", `cannot stand beside "any"`},
		{"any in any", "{finding: migration, at_least: 10 mm}", "{any: [{any: [{finding: endoleak}]}]}", `"any" inside "any"`},
		{"empty any", "{finding: migration, at_least: 10 mm}", "{any: []}", "the condition is empty"},
		{"event on the first scan", "        at: P12M\n", "        at: P12M\n        only_if: {event: occlusion}\n", "a scan shows findings"},
		{"condition on the first scan", "        at: P12M\n", "        at: P12M\n        only_if: {finding: endoleak}\n", "a gap"},
		{"imaging asked for beside it", "        before: 90\n        after: 90\n", "        before: 90\n        after: 90\n        also: {kinds: [duplex], within: 30}\n", ""},
		{"beside it, without days", "        before: 90\n        after: 90\n", "        before: 90\n        after: 90\n        also: {kinds: [duplex]}\n", "a whole number of days is expected"},
		{"beside it, without kinds", "        before: 90\n        after: 90\n", "        before: 90\n        after: 90\n        also: {within: 30}\n", "the kinds of imaging that are asked for beside it"},
		{"beside it, an unknown kind", "        before: 90\n        after: 90\n", "        before: 90\n        after: 90\n        also: {kinds: [duplx], within: 30}\n", `did you mean "duplex"?`},
		{"no condition", "    when: {finding: migration, at_least: 10 mm}\n", "", "the condition is missing"},
		{"nothing follows", "      review: {within: 7, urgency: urgent}\n", "      confirm: no\n", "nothing follows"},
		{"visit outside its window", "review: {within: 7, urgency: urgent}", "visit: {at: P40D, opens: 1, closes: 30, ways: cta}", "lies outside the window"},
		{"visit closes before it opens", "review: {within: 7, urgency: urgent}", "visit: {at: P30D, opens: 40, closes: 30, ways: cta}", "after it closes"},
		{"a circle that is meant", "review: {within: 7, urgency: urgent}", "visit: {at: P6M, opens: 120, closes: 240, ways: cta, again: yes}", ""},
		{"no circle: other imaging", "at_least: 10 mm}\n    then:\n      review: {within: 7, urgency: urgent}", "at_least: 10 mm, seen: [duplex]}\n    then:\n      visit: {at: P6M, opens: 120, closes: 240, ways: cta}", ""},
		{"who chooses", "gap: P15M", "gap: P15M\nchoose: everybody", "unknown word"},
		{"bins of another profile", "gap: P15M", "gap: P15M\nanalysis_bins: registry-ltfu", `unknown word "registry-ltfu"`},
		{"confirm without visit", "urgency: urgent}\n", "urgency: urgent}\n      confirm: yes\n", "add a visit"},
		{"half-yearly repeat", "every: P12M", "every: P6M", "whole number of years apart"},
		{"repeat counted in days", "from: P24M", "from: P365D", "in months or years"},
		{"repeat none", "    repeat:\n      from: P24M\n      every: P12M\n      before: 90\n      after: 90\n      ways: cta\n      cite: {source: invented, evidence: DESIGN}\n", "    repeat: none\n", ""},
		{"unknown ways", "        after: 30\n        ways: cta\n", "        after: 30\n        ways: ctb\n", `unknown name of ways "ctb"`},
		{"only with acceptance", "    - kinds: [ct-angiogram]\n", "", "at least one must count by itself"},
		{"within without with", "acceptance: yes}\n    - {kinds: [ct-plain]", "within: 3, acceptance: yes}\n    - {kinds: [ct-plain]", `"within" belongs to a set`},
		{"set without within", "within: 30, ", "", "is missing; a whole number of days"},
		{"series for a foreign class", "    prefix: y\n", "    prefix: y\n    classes: [tevar]\n", "the protocol is not for tevar"},
		{"class twice", "classes: [evar]", "classes: [evar, evar]", `"evar" stands twice`},
		{"no classes", "classes: [evar]\n", "", "a list of one class or more"},
		{"repeat named like a step", "- id: y1\n        at: P12M", "- id: y2\n        at: P12M", "the id y2 says 24 months"},
		{"id of an added visit", "- id: y1", "- id: check1", "added visits get"},
		{"id with a space", "id: small", "id: so small", "small letters, digits and hyphens"},
		{"version with @", `version: "1"`, "version: 1@2", "holds no space"},
		{"source and text", `{source: invented, grade: "1/B"`, `{source: invented, text: x, grade: "1/B"`, "not both"},
		{"citation as text", `{source: invented, grade: "1/B"`, `{text: written out, grade: "1/B"`, ""},
		{"prefix with digits", "prefix: y", "prefix: y1", "small letters only"},
		{"no prefix", "    prefix: y\n", "", "repeats are named by it"},
		{"trigger twice", "triggers:\n", "triggers:\n  - id: slipped\n    when: {event: relining}\n    then: {note: x}\n    cite: {source: invented, evidence: DESIGN}\n", `the trigger id "slipped" stands twice`},
		{"territory only with a condition", "- needs: [abdomen, pelvis]", "- {if: dissection, needs: [abdomen]}", "no territory is named"},
		{"two steps on one day", "- id: y1\n        at: P12M", "- id: again\n        at: P30D", "again (P30D) does not come after m1 (P30D)"},
		{"step without ways", "        after: 30\n        ways: cta\n", "        after: 30\n", "without a way nothing can ever satisfy"},
		{"kinds missing", "{kinds: [ct-contrast], acceptance: yes}", "{acceptance: yes}", "the kinds of imaging are expected"},
		{"list of kinds empty", "{kinds: [ct-contrast], acceptance: yes}", "{kinds: [], acceptance: yes}", "the list is empty"},
		{"kind twice", "{kinds: [ct-contrast], acceptance: yes}", "{kinds: [ct-contrast, ct-contrast], acceptance: yes}", "stands twice"},
		{"plain way twice", "{kinds: [ct-contrast], acceptance: yes}", "{kinds: [ct-angiogram]}", "ct-angiogram stands in another way of this list already"},
		{"map where a word belongs", "kinds: [ct-contrast]", "kinds: [{a: b}]", "a word is expected here, not a map"},
		{"no series", "series:\n", "serie:\n", "a protocol without visits surveys nobody"},
		{"a series without visits", "    steps:\n", "    stepz:\n", "unknown key"},
		{"no effect", "    then:\n      review: {within: 7, urgency: urgent}\n", "", "what follows is expected"},
		{"cover without territory", "- needs: [abdomen, pelvis]", "- {if: dissection}", "the territory that a study must show"},
		{"unknown condition of the patient", "- needs: [abdomen, pelvis]", "- {if: disection, needs: [chest]}", `unknown condition of the patient "disection"`},
		{"blank source", "invented: An invented source, for tests only", "invented: ''", "is blank"},
		{"no citation in cite", `{source: invented, grade: "1/B"`, `{grade: "1/B"`, "the citation is missing"},
		{"long word", "status: draft", "status: draftdraftdraftdraftdraftdraftdraftdraftdraft", "unknown word"},
		{"nothing at all", "id: small", "- id: small", "f.yaml:"},
		{"days out of range", "after: 30", "after: 99999", "out of range"},
	}
	edits(t, tests)
}

// edit is one change of the small protocol, and what it must be answered; empty is
// accepted.
type edit struct{ name, from, to, want string }

func edits(t *testing.T, tests []edit) {
	t.Helper()
	doc := string(read(t, "good-small.yaml"))
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if !strings.Contains(doc, tc.from) {
				t.Fatalf("the small protocol has no %q", tc.from)
			}
			p, problems := protocol.Parse("f.yaml", []byte(strings.Replace(doc, tc.from, tc.to, 1)))
			if tc.want == "" {
				if p == nil {
					t.Fatalf("refused:\n%s", yamldoc.Problems(problems).Error())
				}
				return
			}
			if all := yamldoc.Problems(problems).Error(); p != nil || !strings.Contains(all, tc.want) {
				t.Errorf("says %q, without %q", all, tc.want)
			}
		})
	}
}

// Two series of one class must not use one step id, repeats included.
func TestRepeatNamedLikeAStep(t *testing.T) {
	t.Parallel()
	doc := string(read(t, "good-small.yaml"))
	second := "  - id: more\n    prefix: y\n    repeat:\n      from: P12M\n      every: P12M\n      before: 90\n      after: 90\n      ways: cta\n      cite: {source: invented, evidence: DESIGN}\n\ntriggers:\n"
	_, problems := protocol.Parse("f.yaml", []byte(strings.Replace(doc, "\ntriggers:\n", second, 1)))
	if len(problems) != 1 || problems[0].Text != `the step id "y1" stands twice for evar` || problems[0].Line != 50 || problems[0].Col != 7 {
		t.Errorf("says %v", yamldoc.Problems(problems).Error())
	}
	other := strings.Replace(second, "prefix: y", "prefix: z", 1)
	parse(t, "f.yaml", []byte(strings.Replace(doc, "\ntriggers:\n", other, 1)))
}

func TestHash(t *testing.T) {
	t.Parallel()
	doc := read(t, "good-small.yaml")
	hash := parse(t, "a.yaml", doc).Hash
	if len(hash) != 64 || strings.Trim(hash, "0123456789abcdef") != "" {
		t.Fatalf("%q is not a SHA-256 in hex", hash)
	}
	same := map[string][2]string{
		"comment":       {"gap: P15M", "gap: P15M # fifteen months"},
		"quotes":        {"status: draft", `status: "draft"`},
		"order of keys": {"status: draft\nwindows: clinic-v1\n", "windows: clinic-v1\n\nstatus: draft\n"},
		"layout":        {"  - needs: [abdomen, pelvis]", "  - needs:\n      - abdomen\n      - pelvis"},
	}
	for name, change := range same {
		if got := parse(t, "b.yaml", bytes.Replace(doc, []byte(change[0]), []byte(change[1]), 1)).Hash; got != hash {
			t.Errorf("%s changes the hash", name)
		}
	}
	differ := map[string][2]string{
		"a day more":      {"after: 30", "after: 31"},
		"order of a list": {"[abdomen, pelvis]", "[pelvis, abdomen]"},
		"status":          {"status: draft", "status: reviewed"},
		"late":            {"gap: P15M", "gap: P15M\nlate: no"},
	}
	for name, change := range differ {
		if got := parse(t, "b.yaml", bytes.Replace(doc, []byte(change[0]), []byte(change[1]), 1)).Hash; got == hash {
			t.Errorf("%s does not change the hash", name)
		}
	}
}

// The words of the canonical form cannot run into one another.
func TestHashTellsValuesApart(t *testing.T) {
	t.Parallel()
	doc := string(read(t, "good-small.yaml"))
	a := parse(t, "a.yaml", []byte(strings.Replace(doc, "title: A small invented protocol", `title: 'x","version":"1'`, 1))).Hash
	b := parse(t, "b.yaml", []byte(strings.Replace(doc, "title: A small invented protocol", `title: x`, 1))).Hash
	if a == b {
		t.Error("two titles have one hash")
	}
}

func FuzzParse(f *testing.F) {
	files, err := filepath.Glob(folder + "*.yaml")
	if err != nil || len(files) < 40 {
		f.Fatalf("%d files to start from (%v)", len(files), err)
	}
	for _, file := range files {
		f.Add(read(f, filepath.Base(file)))
	}
	f.Fuzz(func(t *testing.T, doc []byte) {
		p, problems := protocol.Parse("f.yaml", doc)
		if (p == nil) != (len(problems) > 0) {
			t.Fatalf("protocol %v with problems %v", p, problems)
		}
		again, problems2 := protocol.Parse("f.yaml", doc)
		if d := cmp.Diff(p, again) + cmp.Diff(problems, problems2); d != "" {
			t.Fatalf("two readings differ:\n%s", d)
		}
		for _, one := range problems {
			if one.Text == "" || one.File != "f.yaml" || one.Line < 0 {
				t.Fatalf("a problem that says nothing: %+v", one)
			}
		}
		if p != nil {
			usable(t, p)
		}
	})
}

// usable checks what the engine relies on in every protocol that was accepted.
func usable(t *testing.T, p *protocol.Protocol) {
	t.Helper()
	for _, class := range p.Classes {
		if p.Need(class, func(string) bool { return false }) == 0 {
			t.Errorf("no territory for %s", class)
		}
	}
	for _, s := range p.Series {
		for _, step := range s.Steps {
			if step.ID == "" || step.At.Zero() || len(step.Ways) == 0 || step.Cite.Text == "" || step.Cite.Evidence == "" || step.Before < 0 || step.After < 0 {
				t.Errorf("an unusable step %+v", step)
			}
		}
		if r := s.Repeat; r != nil && (r.Every.Months < 12 || r.From.Zero() || len(r.Ways) == 0 || s.Prefix == "") {
			t.Errorf("an unusable repeat %+v", r)
		}
	}
	for _, trigger := range p.Triggers {
		e := trigger.Then
		if trigger.ID == "" || e.Review == nil && e.Visit == nil && e.Series == nil && e.Note == "" {
			t.Errorf("a trigger without effect %+v", trigger)
		}
		if s := e.Series; s != nil && (s.Every < 1 || s.Until < s.Every || s.Until > 120 || s.Until%s.Every != 0 || len(s.Ways) == 0 || s.Before < 0 || s.After < 0 || e.Visit != nil) {
			t.Errorf("an unusable series %+v", s)
		}
	}
}
