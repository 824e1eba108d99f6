package demo

import "slices"

// oddity is what is wrong with somebody's records, or unusual about them; most
// people have none.
type oddity uint8

const (
	ordinary     oddity = iota
	monthOnly           // the index date is a month
	yearOnly            // the index date is a year
	merged              // the operation is on an older record, replaced by this one
	historyOnly         // the implant is known from a diagnosis "status after" only
	deviceOnly          // the implant is known from a device only
	localScan           // the last scan has a code of the hospital's own
	fromOutside         // the last scan is known from another hospital's report
	errorScan           // the last scan was entered in error
	twiceScan           // the last scan was sent twice
	bareDeath           // died, no day told
	deathMonth          // died, the month told
	uncodedLeak         // the report's text names an endoleak that nobody coded
	contrastOnly        // the last scan was CT with contrast, no angiogram
	limitedOnly         // the last scan was a limited duplex
	unread              // the last scan has had no report for weeks
	preliminary         // the last report is still preliminary
	enrolled            // takes part in a device study
	refuses             // does not want to be called
	sideless            // a carotid stent without a side
	inches              // a diameter in a unit that no rule reads
	retold              // seen alive after the recorded death
	paused              // a person paused the surveillance
	transferred         // another hospital has taken over
	declines            // wants no imaging
)

// wish is one row of the table of oddities: how many people, who can have it, and
// what it changes in the life.
type wish struct {
	odd   oddity
	count int
	fits  func(p *person) bool
	does  func(p *person)
}

// wishes are the oddities and their numbers. The rarest come first, so that they
// find somebody.
func wishes() []wish {
	scanned := func(p *person) bool { return p.alive() && len(p.scans) > 0 && p.class.graft() }
	abdomen := func(p *person) bool { return scanned(p) && p.class == evar }
	recent := func(days int) func(*person) bool {
		return func(p *person) bool { return scanned(p) && p.asOf-p.last().on >= 16 && int(p.asOf-p.last().on) <= days }
	}
	living := func(p *person) bool { return p.alive() && p.class.graft() && len(p.operations) == 1 }
	long := func(p *person) bool { return living(p) && p.asOf-p.indexOn > 400 }
	dead := func(p *person) bool { return !p.alive() }
	nothing := func(*person) {}
	return []wish{
		{sideless, 2, func(p *person) bool { return p.alive() && p.class == carotid }, nothing},
		{retold, 1, dead, func(p *person) { p.seen = append(p.seen, min(p.asOf, p.death.Plus(40))) }},
		{unread, 6, recent(75), func(p *person) { p.last().report = "" }},
		{preliminary, 4, recent(75), func(p *person) { p.last().report = "preliminary" }},
		{bareDeath, 3, dead, nothing}, {deathMonth, 3, dead, nothing},
		{fromOutside, 8, recent(500), func(p *person) { p.last().outside, p.last().report = true, "final" }},
		{localScan, 9, recent(600), func(p *person) { p.last().what = localCode }},
		{contrastOnly, 4, recent(600), func(p *person) { p.last().what = ctContrast }},
		{limitedOnly, 5, func(p *person) bool { return recent(500)(p) && p.class == evar }, func(p *person) { p.last().what = duplexLimited }},
		{errorScan, 4, recent(400), func(p *person) { p.last().inError, p.last().report = true, "entered-in-error" }},
		{uncodedLeak, 3, recent(400), func(p *person) {
			p.last().leak, p.last().wording = "", "Contrast outside the graft at the lower end, likely an endoleak."
		}},
		{twiceScan, 5, scanned, func(p *person) { p.last().twice = true }},
		{inches, 2, abdomen, nothing},
		{paused, 2, scanned, nothing}, {transferred, 2, scanned, nothing}, {declines, 2, scanned, nothing},
		{yearOnly, 1, long, nothing}, {monthOnly, 4, long, nothing},
		{merged, 4, living, nothing}, {historyOnly, 4, living, nothing}, {deviceOnly, 2, living, nothing},
		{refuses, 3, func(p *person) bool { return p.gone > 0 && p.alive() && p.asOf-p.gone > 60 }, func(p *person) {
			p.attempts = append(p.attempts, attempt{on: p.gone.Plus(30), channel: "phone", refused: true})
		}},
		{enrolled, 12, living, nothing},
	}
}

// last is the person's last scan.
func (p *person) last() *scan { return &p.scans[len(p.scans)-1] }

// makeOdd gives each oddity to as many people as it wants, at most one to each
// person.
func makeOdd(d *dice, cohort []*person) {
	order := d.shuffled(len(cohort))
	for _, w := range wishes() {
		left := w.count
		for _, i := range order {
			if p := cohort[i]; left > 0 && p.odd == ordinary && w.fits(p) {
				p.odd = w.odd
				w.does(p)
				left--
			}
		}
		slices.Reverse(order)
	}
}
