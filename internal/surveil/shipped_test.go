package surveil_test

import (
	"os"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/protocol"
	"perennial/internal/testkit/second"
)

// The second engine's literals of the shipped rules are those of the files, in
// their order, class by class: so that what the random charts try is what is
// shipped. What only people read is left out, and so are the ways to satisfy an
// added visit beside the first.
func TestSecondEngineKnowsTheShippedRules(t *testing.T) {
	t.Parallel()
	set, problems := protocol.Load(os.DirFS("../../config/protocols"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	n := 0
	for _, id := range strings.Fields("svs-aaa-2018 svs-tevar-2021 svs-fu-2018 accaha-2022 accaha-2022-open label-1-6-12 label-1-6-12-trial") {
		for _, p := range second.Shipped(id) {
			class := p.Classes[0]
			var want, got []protocol.Trigger
			for _, trigger := range set[id].Triggers {
				if trigger.For(class) {
					want = append(want, bare(trigger))
				}
			}
			for _, trigger := range p.Triggers {
				got = append(got, bare(triggerOf(trigger)))
			}
			if d := gocmp.Diff(want, got); d != "" {
				t.Errorf("%s for %s (-file +second)\n%s", id, class, d)
			}
			n += len(got)
		}
	}
	if n < 200 {
		t.Errorf("only %d rules were compared", n)
	}
}

// bare is a trigger without what only people read.
func bare(t protocol.Trigger) protocol.Trigger {
	t.Classes, t.Cite, t.Then.Note, t.Then.Confirm = nil, protocol.Cite{}, "", false
	t.ID, _, _ = strings.Cut(t.ID, "-55-") // untreated-55 is one for each class
	t.ID = strings.TrimSuffix(t.ID, "-55")
	if v := t.Then.Visit; v != nil {
		one := *v
		one.Ways, one.Again = first(v.Ways), false
		t.Then.Visit = &one
	}
	if s := t.Then.Series; s != nil {
		one := *s
		one.Ways = first(s.Ways)
		t.Then.Series = &one
	}
	return t
}

// first is the first kind of the first way.
func first(ways []protocol.Way) []protocol.Way {
	return []protocol.Way{{Kinds: ways[0].Kinds[:1], Acceptance: ways[0].Acceptance}}
}
