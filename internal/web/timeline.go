package web

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// outcome is what became of a study. Each has a shape of its own.
type outcome string

// Outcomes.
const (
	outcomeOnTime  outcome = "counted, on time"
	outcomeLate    outcome = "counted, late"
	outcomeWaits   outcome = "waits for a person"
	outcomeUnused  outcome = "not counted for a visit"
	outcomeUnknown outcome = "not recognised"
	outcomeGone    outcome = "taken back"
)

// Path is the shape of an outcome, around 0 0.
func (o outcome) Path() string {
	switch o {
	case outcomeOnTime:
		return "M0-5A5 5 0 1 1 0 5A5 5 0 1 1 0-5z"
	case outcomeLate:
		return "M-4.500-4.500h9v9h-9z"
	case outcomeWaits:
		return "M0-5A5 5 0 1 1 0 5A5 5 0 1 1 0-5zM0-3.600V3.600A3.600 3.600 0 1 1 0-3.600z"
	case outcomeUnknown:
		return "M0-5.500 5.500 4.500h-11zM0-2.600-3 3h6z"
	case outcomeGone:
		return "M-4-5.200 0-1.200 4-5.200 5.200-4 1.200 0 5.200 4 4 5.200 0 1.200-4 5.200-5.200 4-1.200 0-5.200-4z"
	}
	return "M0-4.500A4.500 4.500 0 1 1 0 4.500A4.500 4.500 0 1 1 0-4.500zM0-3.200A3.200 3.200 0 1 0 0 3.200A3.200 3.200 0 1 0 0-3.200z"
}

// Class is the outcome's name in the style sheet.
func (o outcome) Class() string {
	word, _, _ := strings.Cut(string(o), " ")
	if o == outcomeOnTime || o == outcomeLate {
		return "counted"
	}
	return strings.TrimSuffix(word, ",")
}

func outcomes() []outcome {
	return []outcome{outcomeOnTime, outcomeLate, outcomeWaits, outcomeUnused, outcomeUnknown, outcomeGone}
}

// outcomeOf says what became of a study in a plan. One that serves several
// visits is on time where it is so for one of them; the table tells them apart.
func outcomeOf(p *surveil.Plan, st *chart.Study) outcome {
	if st.State == chart.StudyRetracted {
		return outcomeGone
	}
	late := false
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			v := &p.Implants[i].Visits[j]
			if v.Standing == surveil.Done && isStudy(st, v.Study) {
				if v.Timing != "late" {
					return outcomeOnTime
				}
				late = true
			}
		}
	}
	if late {
		return outcomeLate
	}
	if slices.ContainsFunc(p.Questions, func(q surveil.Question) bool {
		return isStudy(st, q.About) && (q.Kind == "study-acceptance" || q.Kind == "study-early" || q.Kind == "partial-date")
	}) {
		return outcomeWaits
	}
	if st.Unrecognised {
		return outcomeUnknown
	}
	return outcomeUnused
}

// isStudy says whether a reference names the study; several studies that serve
// one visit together are named side by side.
func isStudy(st *chart.Study, ref string) bool {
	if ref == "" {
		return false
	}
	one := func(name string) bool {
		return name == ref || slices.Contains(strings.FieldsFunc(ref, func(r rune) bool { return r == '+' || r == ' ' || r == ',' }), name)
	}
	return one(st.Ref) || slices.ContainsFunc(st.Also, one)
}

// serves lists the visits that a study satisfied.
func serves(p *surveil.Plan, st *chart.Study) string {
	var list []string
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Standing == surveil.Done && isStudy(st, v.Study) {
				list = append(list, ClassName(p.Implants[i].Class)+" "+v.Step)
			}
		}
	}
	return strings.Join(list, ", ")
}

// timeline is the patient's story as a drawing: one lane for operations, one
// for each series of visits, one for imaging and appointments.
type timeline struct {
	Shown  bool
	W, H   int
	Foot   int // where the axis stands
	Left   int
	TodayX int
	Years  []tick
	Lanes  []lane
	Bars   []bar
	Marks  []shape
	Legend []shape
	Said   string // the drawing in words
}

type tick struct {
	X    int
	Text string
}

type lane struct {
	Y, Text int // where the lane and its words stand
	Label   string
}

// bar is a visit's window.
type bar struct {
	X, Y, W   int
	Label     string
	LabelX    int
	ClassName string
	Mark      string
	MarkX     int
	Said      string
}

// shape is a study, an operation or an appointment.
type shape struct {
	X, Y      int
	Path      string
	ClassName string
	Said      string
}

// The drawing's size.
const (
	timeWidth = 1120
	timeLeft  = 118
	timeRight = 26
	laneStep  = 40
)

// scale turns days into places.
type scale struct{ from, to day.Day }

func (s scale) x(d day.Day) int {
	d = max(s.from, min(s.to, d))
	return timeLeft + int(int64(d-s.from)*int64(timeWidth-timeLeft-timeRight)/int64(max(1, s.to-s.from)))
}

// shown says whether a day lies in the drawing.
func (s scale) shown(d day.Day) bool { return d >= s.from && d <= s.to }

// scaleOf takes in everything that is drawn, but not more than 45 years before
// and 8 after today, so that a mistyped year does not squeeze the rest.
func scaleOf(p *Patient) (scale, bool) {
	s := scale{}
	add := func(d day.Day) {
		if d <= 0 || d < p.Plan.AsOf-45*366 || d > p.Plan.AsOf+8*366 {
			return
		}
		if s.from == 0 || d < s.from {
			s.from = d
		}
		s.to = max(s.to, d)
	}
	for i := range p.Plan.Implants {
		m := &p.Plan.Implants[i]
		add(m.Index.First)
		for j := range m.Visits {
			add(m.Visits[j].Opens.First)
			add(m.Visits[j].Closes.Last)
		}
	}
	for i := range p.Chart.Studies {
		add(p.Chart.Studies[i].On.First)
	}
	if s.from == 0 {
		return s, false
	}
	add(p.Plan.AsOf)
	pad := max(20, int(s.to-s.from)/40)
	s.from, s.to = max(1, s.from.Plus(-pad)), s.to.Plus(pad)
	return s, true
}

func timelineOf(p *Patient) timeline {
	s, ok := scaleOf(p)
	if !ok {
		return timeline{}
	}
	t := timeline{Shown: true, W: timeWidth, Left: timeLeft, TodayX: s.x(p.Plan.AsOf)}
	y := 44
	t.operations(p, s, y)
	for i := range p.Plan.Implants {
		m := &p.Plan.Implants[i]
		for _, series := range seriesOf(m) {
			y += laneStep
			label := ClassName(m.Class)
			if series != "main" {
				label += " " + tame(series)
			}
			t.Lanes = append(t.Lanes, lane{y, y + 4, cutTo(label, 16)})
			t.windows(m, series, s, y)
		}
	}
	y += laneStep
	t.imaging(p, s, y)
	t.Foot = y + 26
	t.H = t.Foot + 24
	t.Years = years(s)
	t.Legend = legend()
	t.Said = said(p)
	return t
}

func cutTo(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// seriesOf lists the series of an implant in the order of their first visits.
func seriesOf(m *surveil.Implant) []string {
	var list []string
	for i := range m.Visits {
		if s := m.Visits[i].Series; !slices.Contains(list, s) {
			list = append(list, s)
		}
	}
	return list
}

// windows draws the visits of a series as bars.
func (t *timeline) windows(m *surveil.Implant, series string, s scale, y int) {
	free := timeLeft // where the next label may begin
	for i := range m.Visits {
		v := &m.Visits[i]
		if v.Series != series || !v.Opens.Known() || !v.Closes.Known() || v.Closes.Last < s.from || v.Opens.First > s.to {
			continue
		}
		b := bar{X: s.x(v.Opens.First), Y: y - 6, ClassName: string(v.Standing), Mark: markPath(string(v.Standing)), Label: tame(v.Step)}
		b.W = max(4, s.x(v.Closes.Last)-b.X)
		b.Said = tame(v.Step) + ", " + v.Opens.Text() + " to " + v.Closes.Text() + ": " + string(v.Standing)
		b.MarkX = b.X + b.W/2 - 5
		if width := 7 * len([]rune(b.Label)); b.X >= free {
			b.LabelX, free = b.X, b.X+width
		} else {
			b.Label = ""
		}
		t.Bars = append(t.Bars, b)
	}
}

// operations draws what was implanted, and when.
func (t *timeline) operations(p *Patient, s scale, y int) {
	t.Lanes = append(t.Lanes, lane{y, y + 4, "Operations"})
	for i := range p.Chart.Operations {
		op := &p.Chart.Operations[i]
		if op.Role == chart.RoleOther || !op.On.Known() || !s.shown(op.On.First) {
			continue
		}
		t.Marks = append(t.Marks, shape{s.x(op.On.First), y, operationPath(op.Role), "operation", strings.TrimSpace(string(op.Role)+" "+ClassName(op.Class)) + ", " + op.On.Text()})
	}
}

// operationPath is the shape of an operation: an arrow down where something was
// put in, up where it was taken out, and a bar otherwise.
func operationPath(role chart.Role) string {
	switch role {
	case chart.RoleImplant, chart.RoleRelining:
		return "M-6-6H6L0 6z"
	case chart.RoleExplant:
		return "M-6 6H6L0-6z"
	}
	return "M-2-6H2V6H-2z"
}

// imaging draws studies and appointments.
func (t *timeline) imaging(p *Patient, s scale, y int) {
	t.Lanes = append(t.Lanes, lane{y, y + 4, "Imaging"})
	for i := range p.Chart.Studies {
		st := &p.Chart.Studies[i]
		if !st.On.Known() || !s.shown(st.On.First) || st.State == chart.StudyOrdered || st.On.First > p.Plan.AsOf {
			continue
		}
		o := outcomeOf(p.Plan, st)
		t.Marks = append(t.Marks, shape{s.x(st.On.First), y, o.Path(), "study " + o.Class(), kindName(st.Kind) + ", " + st.On.Text() + ": " + string(o)})
	}
	for i := range p.Chart.Bookings {
		b := &p.Chart.Bookings[i]
		if !b.Imaging || b.State == chart.BookingOff || !s.shown(b.On) || b.State == chart.BookingKept {
			continue
		}
		t.Marks = append(t.Marks, shape{s.x(b.On), y, bookingPath, "booking", "appointment, " + b.On.Text() + bookingState(b, p.Plan.AsOf)})
	}
}

// bookingPath is the shape of an appointment.
const bookingPath = "M0-6 6 0 0 6-6 0zM0-4-4 0 0 4 4 0z"

func bookingState(b *chart.Booking, asOf day.Day) string {
	switch {
	case b.State == chart.BookingMissed:
		return ": did not come"
	case b.On < asOf:
		return ": the date has passed"
	}
	return ""
}

// years are the ticks of the axis, at least 44 apart.
func years(s scale) []tick {
	first, _, _ := s.from.Civil()
	last, _, _ := s.to.Civil()
	step := 1
	for _, n := range []int{1, 2, 5, 10, 20} {
		step = n
		if (timeWidth-timeLeft)/max(1, (last-first+1)/n) >= 44 {
			break
		}
	}
	var list []tick
	for y := first; y <= last+1; y++ {
		if d := day.Of(y, 1, 1); y%step == 0 && d > 0 && s.shown(d) {
			list = append(list, tick{s.x(d), d.String()[:4]})
		}
	}
	return list
}

// legend explains the shapes.
func legend() []shape {
	list := []shape{{Path: operationPath(chart.RoleImplant), ClassName: "operation", Said: "operation"}}
	for _, o := range outcomes() {
		list = append(list, shape{Path: o.Path(), ClassName: "study " + o.Class(), Said: "imaging " + string(o)})
	}
	return append(list, shape{Path: bookingPath, ClassName: "booking", Said: "appointment"})
}

// said is the drawing in a sentence, for those who do not see it; the table
// below has all of it.
func said(p *Patient) string {
	counts := map[surveil.Standing]int{}
	for i := range p.Plan.Implants {
		for j := range p.Plan.Implants[i].Visits {
			counts[p.Plan.Implants[i].Visits[j].Standing]++
		}
	}
	var parts []string
	for _, s := range standings() {
		if n := counts[s]; n > 0 {
			parts = append(parts, group(n)+" "+string(s))
		}
	}
	return "Visits: " + strings.Join(parts, ", ") + ". The table below says the same with dates."
}

// Standings are all standings, for the legend.
func (timeline) Standings() []surveil.Standing { return standings() }
