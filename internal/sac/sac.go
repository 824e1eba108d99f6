// Package sac puts the measured diameters of a patient into series that may be
// compared, and says how probable it is that a change in one is real.
//
// A series holds values of one modality, method and place: others are never
// subtracted from one another. All comparisons are made in whole tenths of a
// millimetre. The probabilities are sums over the error of measuring (see
// Error), not opinions about the patient, and they decide nothing: what growth
// asks for stands in the protocol.
package sac

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// Threshold is the change that counts as growth or shrinkage, in tenths of a
// millimetre (Chaikof EL, et al. J Vasc Surg 2002;35:1048-60).
const Threshold = 50

// Point is one measured diameter.
type Point struct {
	Ref      string
	Study    string // reference of the study; empty where not known
	On       day.Span
	Tenths   int // of a millimetre
	Observer string
}

// Series are the values of one modality, method and place, the oldest first.
type Series struct {
	Modality string // ct, mr, ultrasound; empty where not known
	Method   string // what was measured, and how
	Site     string
	Points   []Point
	Lowest   int // index of the lowest value; of several the first
}

// Scope says which findings belong to one implant: seen in its territory,
// after its index date and not after its end, known on a day.
type Scope struct {
	Covers chart.Territory // what its visits want; zero: anything
	After  day.Span        // the index date
	Until  day.Day         // the explant; zero: none
	AsOf   day.Day
}

// Of lists the series of an implant, the one with the latest value first.
func Of(findings []chart.Finding, s Scope) []Series {
	var list []Series
	for i := range findings {
		f := &findings[i]
		if !s.takes(f) {
			continue
		}
		modality, method, _ := strings.Cut(f.Method, "/")
		at := slices.IndexFunc(list, func(x Series) bool { return x.Modality == modality && x.Method == method && x.Site == f.Site })
		if at < 0 {
			at = len(list)
			list = append(list, Series{Modality: modality, Method: method, Site: f.Site})
		}
		x := &list[at]
		x.Points = append(x.Points, Point{Ref: f.Ref, Study: f.Study, On: f.On, Tenths: f.Tenths, Observer: f.Observer})
	}
	for i := range list {
		list[i].order()
	}
	slices.SortStableFunc(list, func(a, b Series) int { return cmp.Compare(b.Latest().On.First, a.Latest().On.First) })
	return list
}

func (s *Scope) takes(f *chart.Finding) bool {
	return f.What == "sac-diameter" && f.Has && f.On.Known() && f.On.First <= s.AsOf && f.On.First > s.After.Last &&
		(s.Until == 0 || f.On.First <= s.Until) && (s.Covers == 0 || f.Covers == 0 || f.Covers&s.Covers != 0)
}

// order sorts the points by date and finds the lowest.
func (s *Series) order() {
	slices.SortStableFunc(s.Points, func(a, b Point) int {
		return cmp.Or(cmp.Compare(a.On.First, b.On.First), cmp.Compare(a.On.Last, b.On.Last), strings.Compare(a.Ref, b.Ref))
	})
	for i := range s.Points {
		if s.Points[i].Tenths < s.Points[s.Lowest].Tenths {
			s.Lowest = i
		}
	}
}

// Baseline is the first value after the operation; Latest is the newest one.
func (s *Series) Baseline() *Point { return &s.Points[0] }

// Latest is the newest value.
func (s *Series) Latest() *Point { return &s.Points[len(s.Points)-1] }

// Change is how the latest value differs from an earlier one.
type Change struct {
	From    *Point
	To      *Point
	Tenths  int
	Grown   float64 // probability that there is any growth
	Grown5  float64 // … of 5 mm or more
	Shrunk5 float64 // probability that it shrank by 5 mm or more
}

// Since compares the latest value with an earlier one; false where the two are
// not surely one after the other.
func (s *Series) Since(from *Point) (Change, bool) {
	to := s.Latest()
	if from.On.Last >= to.On.First {
		return Change{}, false
	}
	sd, d := ErrorOf(s.Modality).OfDifference(), float64(to.Tenths-from.Tenths)/10
	return Change{From: from, To: to, Tenths: to.Tenths - from.Tenths, Grown: Growth(d, 0, sd), Grown5: Growth(d, 5, sd), Shrunk5: Growth(-d, 5, sd)}, true
}

// Word names a change by the reporting standards: enlarged or smaller from
// 5 mm on, else stable. 4.9 mm is not 5.
func (c *Change) Word() string {
	switch {
	case c.Tenths >= Threshold:
		return "enlarged"
	case c.Tenths <= -Threshold:
		return "smaller"
	}
	return "stable"
}

// Rate is the slope over all dated values; false where there are not two
// dates.
func (s *Series) Rate() (Slope, bool) {
	var years, mm []float64
	for i := range s.Points {
		if p := &s.Points[i]; p.On.Exact() {
			years = append(years, float64(p.On.First-s.Points[0].On.First)/365.25)
			mm = append(mm, float64(p.Tenths)/10)
		}
	}
	return Fit(years, mm, ErrorOf(s.Modality).Within())
}

// Earlier counts the values that are surely older than the latest.
func (s *Series) Earlier() int {
	n := 0
	for i := range s.Points {
		if s.Points[i].On.Last < s.Latest().On.First {
			n++
		}
	}
	return n
}

// Confirm says that the newest value of all has no earlier value of its own
// kind, while there are others: only the same modality and method can tell
// whether anything changed. Give it what Of gave.
func Confirm(list []Series) bool {
	return len(list) > 1 && list[0].Earlier() == 0 && slices.ContainsFunc(list[1:], func(s Series) bool { return s.Points[0].On.Last < list[0].Latest().On.First })
}

// ScopeOf says which findings belong to an implant of a plan.
func ScopeOf(m *surveil.Implant, asOf day.Day) Scope {
	s := Scope{After: m.Index, AsOf: asOf}
	if m.Ended == surveil.EndExplanted {
		s.Until = m.EndedOn
	}
	for i := range m.Visits {
		s.Covers |= m.Visits[i].Needs
	}
	return s
}
