package second

import (
	"fmt"
	"sort"
)

// ScanPlan is one proposed day of imaging.
type ScanPlan struct {
	From   string   `json:"from"`
	To     string   `json:"to,omitempty"`
	Serves []string `json:"serves"`
}

// errand is a visit that wants imaging, with the days on which a scan does it.
type errand struct {
	visit    *visit
	key      string
	from, to day
	close    day
	overdue  bool
	withheld bool
	kinds    []string
}

// scans proposes the fewest scan days by trying every way of dividing the
// errands into scans, and keeps the first that needs as few as any.
func (p *patient) scans(results []*result) []ScanPlan {
	list := p.errands(results)
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if a.close != b.close {
			return a.close < b.close
		}
		if a.from != b.from {
			return a.from < b.from
		}
		return a.key < b.key
	})
	list = p.sociable(list)
	p.divisions = 0
	for most := 1; most <= len(list); most++ {
		if found := p.divide(list, nil, most); found != nil {
			return writeScans(found)
		}
	}
	return nil
}

// patience is after how many tries a chart is too crowded for trying every
// division: its plan then says Undivided and proposes nothing.
const patience = 200_000

// undivided tells whether the search for scan days was given up.
func (p *patient) undivided() bool { return p.divisions > patience }

// divide puts the errands one after the other into a scan that is there, the
// earliest first, or into a new one; nil where so few scans are not enough.
func (p *patient) divide(list []errand, scans [][]errand, most int) [][]errand {
	if len(list) == 0 {
		return scans
	}
	if p.divisions++; p.undivided() {
		return nil
	}
	for i := 0; i <= len(scans) && i < most; i++ {
		next := append([][]errand{}, scans...)
		if i == len(scans) {
			next = append(next, nil)
		}
		next[i] = append(append([]errand{}, next[i]...), list[0])
		if !p.oneScan(next[i]) {
			continue
		}
		if found := p.divide(list[1:], next, most); found != nil {
			return found
		}
	}
	return nil
}

// oneScan tells whether one scan can serve all: one day, one kind, and no two
// visits of one series. An overdue visit waits for none that has not opened.
func (p *patient) oneScan(group []errand) bool {
	from, to := p.asOf, forever
	overdue := false
	for i, a := range group {
		from, to = max(from, a.from), min(to, a.to)
		overdue = overdue || a.overdue
		for _, b := range group[:i] {
			if a.visit.clock == b.visit.clock && a.visit.series == b.visit.series {
				return false
			}
		}
	}
	if from > to || overdue && from > p.asOf {
		return false
	}
	for _, kind := range group[0].kinds {
		all := true
		for _, a := range group {
			all = all && has(a.kinds, kind)
		}
		if all {
			return true
		}
	}
	return false
}

// sociable leaves out the errands that can share a scan with no other.
func (p *patient) sociable(list []errand) []errand {
	var out []errand
	for i := range list {
		for j := range list {
			if i != j && p.oneScan([]errand{list[i], list[j]}) {
				out = append(out, list[i])
				break
			}
		}
	}
	return out
}

// errands lists the visits that are overdue, booked, open or open within
// twelve months, with the days on which imaging does them for certain.
func (p *patient) errands(results []*result) []errand {
	var list []errand
	for _, r := range results {
		if r.state != "active" {
			continue
		}
		for _, v := range r.visits {
			a := errand{visit: v, key: keyText(v), from: v.opens.last, to: v.closes.first, kinds: alone(v.ways)}
			a.close = a.to
			switch v.standing {
			case "overdue":
				a.overdue = true
				a.from, a.to = v.closes.last+1, v.sure
			case "booked":
				b := p.bookingsIn(v, p.asOf)[0]
				at, _ := readDay(b.Date)
				a.from, a.to, a.close = at, at, at
				a.kinds = nil
				if has(alone(v.ways), b.Kind) {
					a.kinds = []string{b.Kind}
				}
			case "open", "upcoming":
				a.withheld = p.withheld(r) && !v.trigger && p.asOf < v.closes.last-30
			default:
				continue
			}
			if a.from <= a.to && a.to >= p.asOf && a.from <= p.asOf.addMonths(12) {
				list = append(list, a)
			}
		}
	}
	return list
}

// alone lists the kinds that do a visit by themselves.
func alone(ways []Way) []string {
	var kinds []string
	for _, w := range ways {
		if !w.Accept && !w.Part && len(w.Kinds) == 1 {
			kinds = append(kinds, w.Kinds[0])
		}
	}
	return kinds
}

// keyText names a visit as plans do.
func keyText(v *visit) string {
	if v.clock.number > 1 {
		return fmt.Sprintf("%s/%d/%s", v.implant.id, v.clock.number, v.step)
	}
	return v.implant.id + "/" + v.step
}

// writeScans writes the proposal, without days that serve only what is
// withheld.
func writeScans(scans [][]errand) []ScanPlan {
	var out []ScanPlan
	for _, group := range scans {
		from, to := day(0), forever
		one, wanted := ScanPlan{}, false
		for _, a := range group {
			from, to = max(from, a.from), min(to, a.to)
			one.Serves = append(one.Serves, a.key)
			wanted = wanted || !a.withheld
		}
		one.From, one.To = from.String(), to.String()
		if wanted {
			out = append(out, one)
		}
	}
	return out
}
