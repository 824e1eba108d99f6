package second

import (
	"fmt"
	"math/rand/v2"
)

// Language is how much of the trigger language random protocols use.
type Language int

// The language as it was before conditions on measures, sex, diagnoses and
// other findings, and added series; and all of it.
const (
	FirstWords Language = iota
	AllWords
)

// ruler makes random triggers.
type ruler struct {
	*maker
	all bool
}

// RandomRules takes one of the shipped protocols for every class that it
// names, and the defaults for the others, and gives each random triggers, and
// at times another condition to its conditional visits.
func RandomRules(rng *rand.Rand, words Language) []Protocol {
	g := &ruler{&maker{rng: rng}, words == AllWords}
	list := Shipped(one(g.maker, "svs-aaa-2018", "label-1-6-12", "label-1-6-12-trial", "svs-fu-2018", "accaha-2022"))
	list = append(list, Defaults()...)
	for i := range list {
		list[i].Triggers = g.triggers(list[i])
		for _, s := range list[i].Series {
			if conditional(s) && g.chance(60) {
				when := g.finding(true)
				s.Steps[0].OnlyIf = &when
			}
		}
	}
	return list
}

// triggers are the protocol's own, at times, and some more.
func (g *ruler) triggers(p Protocol) []Trigger {
	var list []Trigger
	if g.chance(30) {
		list = append(list, p.Triggers...)
	}
	for i := range 1 + g.rng.IntN(4) {
		list = append(list, g.trigger(fmt.Sprintf("random-%d", i+1)))
	}
	g.rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	return list
}

// trigger is one with at least one effect.
func (g *ruler) trigger(id string) Trigger {
	t := Trigger{ID: id, When: g.condition()}
	what := g.rng.IntN(4)
	if (what == 0 || g.chance(30)) && t.When.Operation == "" {
		t.Review = &Review{one(g.maker, 1, 3, 7, 14, 30), one(g.maker, "routine", "asap", "urgent", "stat")}
		if g.all && g.chance(30) {
			t.Review.Days = 0
		}
		t.Withhold = g.chance(30)
	}
	switch {
	case g.all && (what == 1 || what == 2):
		t.Series = g.series()
	case t.Review == nil || what == 3:
		t.Visit = g.visit()
	}
	return t
}

// visit is one added visit; often of the days that others have.
func (g *ruler) visit() *Added {
	a := visitIn(30, 1, 30, g.ways())
	if g.chance(50) {
		a.Opens = one(g.maker, 1, 10, 15)
		a.Closes = a.Opens + one(g.maker, 15, 45, 60, 170)
		a.Target = a.Opens + g.rng.IntN(a.Closes-a.Opens+1)
	}
	if g.chance(15) {
		*a = Added{Months: one(g.maker, 3, 6), Opens: 60, Closes: 200, Ways: a.Ways}
	}
	a.Needs = g.needs()
	return a
}

// series is an added series, for half of them in place of the calendar.
func (g *ruler) series() *AddedSeries {
	every := one(g.maker, 1, 3, 6, 6, 12)
	s := &AddedSeries{Every: every, Until: every * (1 + g.rng.IntN(4)), Before: one(g.maker, 0, 14, 30, 60),
		After: one(g.maker, 0, 14, 30, 60), Ways: g.ways(), Instead: g.chance(60)}
	s.Needs = g.needs()
	return s
}

// ways are what satisfies an added visit.
func (g *ruler) ways() []Way {
	return one(g.maker, ctaOnly, ctaOnly, duplexOrCTA, duplexOnly, plainOrCTA)()
}

// needs is mostly what the protocol needs.
func (g *ruler) needs() []string {
	if g.chance(80) {
		return nil
	}
	return one(g.maker, abdomenPelvis, chest, wholeAorta)()
}

// condition is one about an operation, a finding, or any of two findings.
func (g *ruler) condition() Condition {
	switch n := g.rng.IntN(10); {
	case n == 0:
		return Condition{Operation: "coils"}
	case n == 1:
		return Condition{Any: []Condition{g.finding(false), g.finding(false)}}
	}
	return g.finding(false)
}

// finding asks for a finding. On the first scan it is not asked whether that
// is another scan.
func (g *ruler) finding(first bool) Condition {
	c := g.subject()
	if g.chance(25) {
		c.Seen = one(g.maker, words("duplex duplex-limited"), words("ct-angiogram ct-contrast ct-plain ct-unknown-contrast"), words("mr-angiogram mr duplex"), words("ct-angiogram"))
	}
	if !g.all {
		return c
	}
	if g.chance(15) {
		c.Sex = one(g.maker, "female", "male")
	}
	if g.chance(15) {
		c.If = "dissection"
	}
	c.NotFirst = !first && g.chance(25)
	if g.chance(25) {
		with := g.subject()
		with.Across = false
		c.With = &with
	}
	return c
}

// subject is what a condition asks for: often a type II leak.
func (g *ruler) subject() Condition {
	switch n := g.rng.IntN(10); {
	case n < 4:
		return Condition{What: "endoleak", Types: one(g.maker, words("II"), words("II"), words("II"), words("Ia Ib"), words("unknown"), words("none"), nil)}
	case n < 5:
		return g.limits(Condition{What: "sac-diameter"}, 450, 500, 550)
	case n < 7:
		c := Condition{Growth: one(g.maker, 30, 50, 50, 100), Across: g.chance(25)}
		if g.all && g.chance(40) {
			c.Of = g.measures()
		}
		return c
	case n < 8:
		return g.limits(Condition{What: "migration"}, 50, 100)
	}
	what := one(g.maker, "branch-patency", "false-lumen", "fracture", "separation", "kink", "infection", "rupture", "migration")
	return Condition{What: what, Types: one(g.maker, nil, nil, words("present occluded thrombosed"), words("patent absent"))}
}

// limits asks for a length: at least one of these, or below, or between.
func (g *ruler) limits(c Condition, lengths ...int) Condition {
	c.AtLeast = one(g.maker, lengths...)
	if !g.all {
		return c
	}
	if c.What == "sac-diameter" && g.chance(60) {
		c.Of = g.measures()
	}
	if g.chance(50) {
		c.Below = c.AtLeast + one(g.maker, 10, 50, 100)
	}
	return c
}

// measures are the diameters of one part of the aorta.
func (g *ruler) measures() []string {
	return one(g.maker, words("sac"), words("ascending arch"), words("isthmus descending"), words("abdominal sac"))
}
