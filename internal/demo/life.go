package demo

import (
	"math"
	"strings"

	"perennial/internal/day"
)

// people is the size of the cohort; the people of the old list come on top.
const people = 400

// class is what was implanted.
type class uint8

const (
	evar class = iota
	tevar
	branched
	open
	carotid
	none // operated elsewhere: on the old list, not in the records
)

// graft says whether the class is an aortic stent graft.
func (c class) graft() bool { return c <= branched }

// operationKind is what was done.
type operationKind uint8

const (
	index      operationKind = iota
	cuff                     // an extension: a new clock
	coils                    // embolisation: one more check
	conversion               // open conversion
)

// operation is one operation.
type operation struct {
	kind operationKind
	on   day.Day
}

// exam is what sort of scan it is.
type exam uint8

const (
	cta exam = iota
	ctaWhole
	duplex
	duplexLimited
	ctContrast
	ctPlain
	localCode // a code of the hospital's own, known to nobody else
)

// scan is one imaging study.
type scan struct {
	on      day.Day
	what    exam
	leak    string // type of endoleak, none, or empty where nobody said
	size    int    // of the sac, tenths of a millimetre; zero where not measured
	report  string // status of the report, empty where there is none
	twice   bool   // sent a second time under another id
	outside bool   // known only from a report of another hospital
	inError bool
	wording string // of the conclusion, where it is not the usual one
}

// attempt is one try to reach the person.
type attempt struct {
	on       day.Day
	channel  string
	answered bool
	refused  bool // not sent: the person does not want it
}

// person is one invented life.
type person struct {
	dice   *dice
	asOf   day.Day
	number int // of the record
	given  string
	family string
	female bool
	born   day.Day
	class  class
	left   bool // side of a carotid stent

	indexOn    day.Day
	baseline   int     // day after the operation on which the first scan is done; zero: never
	breaks     int     // the first year without its yearly scan; zero: never
	leaves     bool    // stays away then
	leakDraw   float64 // decides on an endoleak at the first scan
	death      day.Day // zero: alive
	dissection bool
	trend      int // of the sac, tenths of a millimetre a year

	operations []operation
	scans      []scan
	planned    day.Day // the next scan, if it is to come
	plannedAs  exam
	gone       day.Day   // when the person should have come and did not, for good
	missed     []day.Day // days on which an appointment was not kept
	attempts   []attempt
	seen       []day.Day // elsewhere in the hospital
	odd        oddity
}

// alive says whether the person is alive on the as-of date.
func (p *person) alive() bool { return p.death == 0 }

// end is the day before which everything happens: death, or the day after the
// as-of date.
func (p *person) end() day.Day {
	if p.death > 0 {
		return p.death
	}
	return p.asOf + 1
}

// population is everybody, with their lives, in the order of their record
// numbers.
func population(asOf day.Day) []*person {
	d := newDice(0)
	all := families()
	names := d.shuffled(len(all) * 20)
	list := make([]*person, 0, people+oldPeople)
	for i := range people + oldPeople {
		p := &person{dice: newDice(uint64(i + 1)), asOf: asOf, number: 4001 + 7*i + i%5, class: none}
		p.baptise(all, names[i])
		list = append(list, p)
	}
	cohort := list[:people]
	fates(d, cohort)
	for _, p := range cohort {
		p.live()
	}
	makeOdd(d, cohort)
	for _, p := range cohort {
		p.reach()
	}
	for i, p := range list[people:] {
		p.older(i)
	}
	return list
}

// baptise gives the nth name, a sex and a birth date.
func (p *person) baptise(all []string, n int) {
	p.family = all[n%len(all)]
	if p.female = p.dice.chance(0.22); p.female {
		p.given = word(womenNames, n/len(all))
	} else {
		p.given = word(menNames, n/len(all))
	}
	p.born = p.asOf.Plus(-p.dice.between(64*365, 89*365))
}

// fates draws, from decks over the whole cohort, what the proportions are about.
func fates(d *dice, cohort []*person) {
	n := len(cohort)
	classes, ages, firsts, breaks := d.deck(n), d.deck(n), d.deck(n), d.deck(n)
	deaths, redos, conversions, leaks := d.deck(n), d.deck(n), d.deck(n), d.deck(n)
	for i, p := range cohort {
		p.class = classAt(classes[i])
		p.indexOn = p.asOf.Plus(-9 - int(8*365*math.Pow(ages[i], 1.4)))
		p.baseline = p.firstScan(firsts[i])
		p.breaks = breakYear(breaks[i])
		p.leaves = p.dice.chance(0.34)
		p.leakDraw = leaks[i]
		p.trend = p.sacTrend()
		p.dissection = p.class == tevar && p.dice.chance(0.35)
		p.left = p.dice.chance(0.5)
		if t := p.indexOn.Plus(12 + int(5*365*math.Log(deaths[i])/math.Log(0.67))); t <= p.asOf {
			p.death = t
		}
		p.operations = []operation{{index, p.indexOn}}
		p.again(redos[i], conversions[i])
	}
}

// classAt gives 65 % abdominal, 20 % thoracic, 10 % fenestrated or branched.
func classAt(u float64) class {
	switch {
	case u < 0.65:
		return evar
	case u < 0.85:
		return tevar
	case u < 0.95:
		return branched
	case u < 0.98:
		return open
	}
	return carotid
}

// firstScan is the day of the first scan: 30 % by day 30, 61 % by day 60, 75 % by
// day 98, 10 % never (guide values: Garg 2015, the never from AbuRahma).
func (p *person) firstScan(u float64) int {
	switch {
	case u < 0.30:
		return p.dice.between(16, 30)
	case u < 0.61:
		return p.dice.between(31, 60)
	case u < 0.75:
		return p.dice.between(61, 98)
	case u < 0.90:
		return p.dice.between(99, 240)
	}
	return 0
}

// breakYear is the first year without its scan: complete at one to five years 78,
// 63, 55, 45, 32 % (guide values: AbuRahma); after that a tenth each year.
func breakYear(u float64) int {
	for year, complete := range [...]float64{0.78, 0.63, 0.55, 0.45, 0.32, 0.29, 0.26} {
		if u >= complete {
			return year + 1
		}
	}
	return 0
}

// sacTrend is how the sac changes: most shrink or stay, about 6 % grow.
func (p *person) sacTrend() int {
	switch u := p.dice.unit(); {
	case u < 0.45:
		return -25
	case u < 0.94:
		return -2
	}
	return 26
}

// again draws the re-interventions (14 % by five years here, a few more come from
// endoleaks) and the open conversions (2 % of all stent
// grafts; here only abdominal ones).
func (p *person) again(redo, convert float64) {
	if !p.class.graft() {
		return
	}
	days := 0
	switch {
	case redo < 0.06:
		days = p.dice.between(40, 365)
	case redo < 0.10:
		days = p.dice.between(366, 730)
	case redo < 0.145:
		days = p.dice.between(731, 1825)
	case redo < 0.17:
		days = p.dice.between(1826, 2900)
	}
	if days > 0 {
		kind := cuff
		if p.dice.chance(0.45) {
			kind = coils
		}
		p.operate(kind, p.indexOn.Plus(days))
	}
	if convert < 0.035 && p.class == evar {
		p.operate(conversion, p.indexOn.Plus(p.dice.between(150, 1200)))
	}
}

// operate adds an operation if the person lives to see it. Nothing follows an
// open conversion.
func (p *person) operate(kind operationKind, on day.Day) {
	if on >= p.end() || p.converted(on) > 0 {
		return
	}
	kept := p.operations[:0:0]
	for _, o := range p.operations {
		if kind != conversion || o.on < on {
			kept = append(kept, o)
		}
	}
	p.operations = append(kept, operation{kind, on})
	for i := len(p.operations) - 1; i > 0 && p.operations[i].on < p.operations[i-1].on; i-- {
		p.operations[i], p.operations[i-1] = p.operations[i-1], p.operations[i]
	}
}

// converted is the day of an open conversion before a day; zero: none.
func (p *person) converted(before day.Day) day.Day {
	for _, o := range p.operations {
		if o.kind == conversion && o.on <= before {
			return o.on
		}
	}
	return 0
}

// word is the nth of a list of words.
func word(list string, n int) string { return strings.Fields(list)[n] }
