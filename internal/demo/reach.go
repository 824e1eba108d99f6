package demo

import (
	"fmt"
	"strings"

	"perennial/internal/day"
)

// reach adds how the unit tried to reach somebody who stays away, and whether
// the person was seen elsewhere in the hospital.
func (p *person) reach() {
	if p.gone == 0 || !p.alive() || p.odd == refuses {
		return
	}
	silent := int(p.asOf - p.gone)
	u := p.dice.unit()
	switch {
	case silent > 230 && u < 0.30:
		p.tried(p.gone.Plus(20), min(silent-40, 400), "phone letter phone message", false)
	case u < 0.45:
		p.tried(p.gone.Plus(5), silent-5, "phone letter", false)
	case u < 0.55:
		p.tried(p.gone.Plus(5), silent-5, "phone", true)
	case u < 0.80:
		p.seen = append(p.seen, p.asOf.Plus(-p.dice.between(5, max(6, min(silent, 150)))))
	}
}

// tried adds attempts over so many days, in order; the last may be answered.
func (p *person) tried(from day.Day, days int, channels string, answered bool) {
	list := strings.Fields(channels)
	for i, channel := range list {
		on := from.Plus(max(0, days) * i / len(list)).Plus(p.dice.between(0, max(0, days)/(2*len(list))))
		if on.Plus(2) > p.asOf {
			return
		}
		p.attempts = append(p.attempts, attempt{on: on, channel: channel, answered: answered && i == len(list)-1})
	}
}

// oldPeople are those on the old list: operated on in another town, known here
// by a record and a few visits.
const oldPeople = 12

// older is the life of the nth on the old list.
func (p *person) older(n int) {
	p.indexOn = p.asOf.Plus(-p.dice.between(2*365, 9*365))
	p.seen = append(p.seen, p.asOf.Plus(-p.dice.between(20, 500)))
	if n%2 == 0 {
		p.scans = append(p.scans, scan{on: p.asOf.Plus(-p.dice.between(30, 700)), what: ctaWhole, report: "final"})
	}
}

// OldList is an old list of the unit as CSV, with a header: patients operated on
// in another town, whose records hold no operation. Columns: the record number,
// the class of implant, the date of the operation (some know only the month or
// the year) and the device as somebody wrote it down (may be empty).
func OldList(asOf day.Day) []byte {
	var b strings.Builder
	b.WriteString("patient,class,date,device\n")
	for i, p := range population(asOf)[people:] {
		class, device := "evar", "Harbour graft, model A"
		switch i % 6 {
		case 3:
			class, device = "tevar", "Harbour thoracic graft, model T"
		case 4:
			device = ""
		case 5:
			class, device = "fenestrated-branched", "Harbour branched graft, model F"
		}
		date := p.indexOn.String()
		switch i {
		case 4:
			date = date[:7]
		case 9:
			date = date[:4]
		}
		if device != "" {
			device = `"` + device + `"`
		}
		fmt.Fprintf(&b, "%s,%s,%s,%s\n", recordNumber(p.number), class, date, device)
	}
	return []byte(b.String())
}
