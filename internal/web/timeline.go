package web

import (
	"slices"
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

// timeline is the patient's story as a drawing: one lane for operations, one
// for each series of visits, one for imaging and appointments.
type timeline struct {
	sheet
	Shown     bool
	ID        string // of the drawing on its page
	H         int
	Foot      int // where the axis stands
	Today     flag
	Ended     flag // the day surveillance ended; without text: it did not
	Ticks     []tick
	Lanes     []lane
	Bars      []bar
	Marks     []shape
	Legend    []shape
	Standings []surveil.Standing // for the legend
	Title     string
	Said      string // the drawing in words
}

// flag is a day marked from top to bottom, with words beside it.
type flag struct {
	X      int
	Text   string
	Anchor string // start, middle or end
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
	Lines     []line // words beside it
}

// line is a line of words in the drawing.
type line struct {
	X, Y int
	Text string
}

// sheet is the size of a drawing and how much it takes in.
type sheet struct {
	W           int // width
	Left, Right int // margins; the names of the lanes stand in the left one
	Step        int // from lane to lane
	Name        int // from a lane down to its name
	most        int // characters of a lane's name
	letter      int // width of a letter
	before      int // days before today that it takes in at most; 0: all
	after       int
	words       bool // each shape has its words beside it
}

// pageSheet is the whole story, for the page of a patient.
func pageSheet() sheet {
	return sheet{W: 1120, Left: 118, Right: 26, Step: 40, Name: 4, most: 16, letter: 7}
}

// phoneSheet is the time around today, for a narrow screen: about as many units
// wide as the screen has, so that nothing is out of sight.
func phoneSheet() sheet {
	return sheet{W: 440, Left: 4, Right: 10, Step: 58, Name: -27, most: 40, letter: 7, before: 760, after: 420}
}

// scale turns days into places.
type scale struct {
	sheet
	from, to day.Day
}

func (s scale) x(d day.Day) int {
	d = max(s.from, min(s.to, d))
	return s.Left + int(int64(d-s.from)*int64(s.W-s.Left-s.Right)/int64(max(1, s.to-s.from)))
}

// shown says whether a day lies in the drawing.
func (s scale) shown(d day.Day) bool { return d >= s.from && d <= s.to }

// scaleOf takes in everything that is drawn, but not more than 45 years before
// and 8 after today, so that a mistyped year does not squeeze the rest, and no
// more than the sheet does.
func scaleOf(p *Patient, on sheet) (scale, bool) {
	s := scale{sheet: on}
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
	for i := range p.Chart.Bookings {
		add(p.Chart.Bookings[i].On)
	}
	add(p.Plan.AsOf)
	pad := max(20, int(s.to-s.from)/40)
	s.from, s.to = max(1, s.from.Plus(-pad)), s.to.Plus(pad)
	if on.before > 0 {
		s.from, s.to = max(s.from, p.Plan.AsOf.Plus(-on.before)), min(s.to, p.Plan.AsOf.Plus(on.after))
	}
	return s, true
}

// timelineOf draws the story of a patient on a sheet.
func timelineOf(p *Patient, on sheet) timeline {
	s, ok := scaleOf(p, on)
	if !ok {
		return timeline{}
	}
	t := timeline{sheet: on, Shown: true, Today: s.flag(p.Plan.AsOf, "today, "), Standings: standings(), Legend: legend(), Title: "Timeline of visits and imaging"}
	if p.Plan.Surveillance == surveil.StateEnded && s.shown(p.Plan.EndedOn) {
		t.Ended = s.flag(p.Plan.EndedOn, "ended, ")
		if d := t.Today.X - t.Ended.X; d < 150 && t.Ended.Anchor != "start" {
			t.Ended.Anchor = "end" // out of the way of today's words
		}
	}
	y := 4
	if t.operations(p, s, y+on.Step) || on.after == 0 {
		y += on.Step
		t.lane(y, "Operations")
	}
	for i := range p.Plan.Implants {
		m := &p.Plan.Implants[i]
		for _, l := range lanesOf(m) {
			if t.windows(m, l, s, y+on.Step) || on.after == 0 {
				y += on.Step
				t.lane(y, l.label)
			}
		}
	}
	y += on.Step
	low := t.imaging(p, s, y)
	t.Foot = max(y+26, low+8)
	t.H = t.Foot + 24
	t.Ticks = ticks(s)
	t.Said = said(p)
	return t
}

func (t *timeline) lane(y int, label string) {
	t.Lanes = append(t.Lanes, lane{y, y + t.Name, cutTo(label, t.most)})
}

// flag marks a day; its words do not leave the sheet.
func (s scale) flag(d day.Day, word string) flag {
	f := flag{X: s.x(d), Text: word + d.Text(), Anchor: "middle"}
	half := s.letter * len(f.Text) / 2
	if f.X-half < 0 {
		f.Anchor = "start"
	}
	if f.X+half > s.W {
		f.Anchor = "end"
	}
	return f
}

func cutTo(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

// visitLane is a series of visits that are counted from one operation.
type visitLane struct {
	clock  int
	series string
	label  string
}

// lanesOf lists the lanes of an implant in the order of their first visits.
func lanesOf(m *surveil.Implant) []visitLane {
	var list []visitLane
	for i := range m.Visits {
		v := &m.Visits[i]
		if slices.ContainsFunc(list, func(l visitLane) bool { return l.clock == v.Clock && l.series == v.Series }) {
			continue
		}
		label := notice.ClassName(m.Class)
		switch {
		case v.Added:
			label += ", added"
		case v.Series != "main":
			label += " " + tame(v.Series)
		}
		if v.Clock > 1 {
			label += ", clock " + strconv.Itoa(v.Clock)
		}
		list = append(list, visitLane{v.Clock, v.Series, label})
	}
	return list
}

// windows draws the visits of a lane as bars, and says whether there are any.
func (t *timeline) windows(m *surveil.Implant, l visitLane, s scale, y int) bool {
	first := len(t.Bars)
	for i := range m.Visits {
		v := &m.Visits[i]
		if v.Series != l.series || v.Clock != l.clock || !v.Opens.Known() || !v.Closes.Known() || v.Closes.Last < s.from || v.Opens.First > s.to {
			continue
		}
		b := bar{X: s.x(v.Opens.First), Y: y - 6, ClassName: string(v.Standing), Mark: markPath(string(v.Standing)), Label: tame(v.Step)}
		b.W = max(4, s.x(v.Closes.Last)-b.X)
		b.Said = tame(v.Step) + ", " + windowText(v) + ": " + string(v.Standing)
		b.MarkX = b.X + b.W/2 - 5
		t.Bars = append(t.Bars, b)
	}
	s.label(t.Bars[first:])
	return len(t.Bars) > first
}

// windowText is a visit's window in words; where the operation has no exact date
// its ends are ranges.
func windowText(v *surveil.Visit) string {
	if v.Opens.Exact() && v.Closes.Exact() {
		return v.Opens.Text() + " to " + v.Closes.Text()
	}
	return "opens " + v.Opens.Text() + ", closes " + v.Closes.Text()
}

// label places the names of bars where they cover no other; with words, the
// standing stands beside the name where there is room.
func (s scale) label(bars []bar) {
	free := 0 // where the next name may begin
	for i := range bars {
		b := &bars[i]
		room, at := s.W, max(free, b.X)
		if i+1 < len(bars) {
			room = bars[i+1].X
		} else {
			at = max(free, min(b.X, s.W-s.letter*len([]rune(b.Label+" "+b.ClassName))))
		}
		if long := b.Label + " " + b.ClassName; s.words && at+s.letter*len([]rune(long)) <= room {
			b.Label = long
		}
		width := s.letter * len([]rune(b.Label))
		if b.LabelX = min(b.X, s.W-width); b.LabelX < free {
			b.Label = ""
			continue
		}
		free = b.LabelX + width
	}
}

// operations draws what was implanted, and when, and says whether there is any.
func (t *timeline) operations(p *Patient, s scale, y int) bool {
	first := len(t.Marks)
	for i := range p.Chart.Operations {
		op := &p.Chart.Operations[i]
		if op.Role == chart.RoleOther || !op.On.Known() || !s.shown(op.On.First) {
			continue
		}
		t.Marks = append(t.Marks, shape{X: s.x(op.On.First), Y: y, Path: operationPath(op.Role), ClassName: "operation", Said: strings.TrimSpace(string(op.Role)+" "+notice.ClassName(op.Class)) + ", " + op.On.Text()})
	}
	if s.words {
		s.beside(t.Marks[first:], y)
	}
	return len(t.Marks) > first
}

// beside puts the words of operations to the right of them, or a little lower
// where they would run into the next.
func (s scale) beside(marks []shape, y int) {
	for i := range marks {
		m := &marks[i]
		width := s.letter * len([]rune(m.Said))
		at := min(m.X+11, s.W-width)
		low := at < m.X+11
		for j := range marks {
			low = low || marks[j].X > m.X && marks[j].X-8 < at+width
		}
		m.Lines = []line{{at, y + 4, m.Said}}
		if low {
			m.Lines[0].Y = y + 19
		}
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

// imaging draws studies and appointments, and gives the place below the lowest
// of their words.
func (t *timeline) imaging(p *Patient, s scale, y int) int {
	t.lane(y, "Imaging")
	first := len(t.Marks)
	for i := range p.Chart.Studies {
		st := &p.Chart.Studies[i]
		if !st.On.Known() || !s.shown(st.On.First) || st.State == chart.StudyOrdered || st.On.First > p.Plan.AsOf {
			continue
		}
		o := outcomeOf(p.Plan, st)
		t.Marks = append(t.Marks, shape{X: s.x(st.On.First), Y: y, Path: o.Path(), ClassName: "study " + o.Class(), Said: notice.KindText(st.Kind) + ", " + st.On.Text() + ": " + string(o)})
	}
	for i := range p.Chart.Bookings {
		b := &p.Chart.Bookings[i]
		if !b.Imaging || b.State == chart.BookingOff || !s.shown(b.On) || b.State == chart.BookingKept {
			continue
		}
		t.Marks = append(t.Marks, shape{X: s.x(b.On), Y: y, Path: bookingPath, ClassName: "booking", Said: "appointment, " + b.On.Text() + bookingState(b, p.Plan.AsOf)})
	}
	if !s.words {
		return y
	}
	return s.under(t.Marks[first:], y, t.Today.X)
}

// under puts the words of shapes below them, each part on a line of its own, in
// rows so that none covers another, and gives the place below the last.
func (s scale) under(marks []shape, y, today int) int {
	order := make([]*shape, len(marks))
	for i := range marks {
		order[i] = &marks[i]
	}
	slices.SortStableFunc(order, func(a, b *shape) int { return a.X - b.X })
	var free []int // in each row, where the next words may begin
	low := y
	for _, m := range order {
		name, rest, _ := strings.Cut(m.Said, ", ")
		date, became, _ := strings.Cut(rest, ": ")
		parts := slices.DeleteFunc([]string{name, date, became}, func(s string) bool { return s == "" })
		width := 0
		for _, part := range parts {
			width = max(width, s.letter*len([]rune(part)))
		}
		x := max(0, min(m.X-5, s.W-width))
		if x < today && today < x+width { // not across the line of today
			if x = today + 6; m.X < today-12 || x+width > s.W {
				x = max(0, today-6-width)
			}
		}
		row := slices.IndexFunc(free, func(at int) bool { return at <= x })
		if row < 0 {
			row, free = len(free), append(free, 0)
		}
		free[row] = x + width + 8
		for i, part := range parts {
			at := y + 20 + row*48 + i*14
			m.Lines = append(m.Lines, line{x, at, part})
			low = max(low, at)
		}
	}
	return low
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

// ticks are the months or years of the axis, as many as there is room for.
func ticks(s scale) []tick {
	const room = 58
	months := 1
	for _, n := range []int{1, 2, 3, 6, 12, 24, 60, 120, 240} {
		months = n
		if (s.W-s.Left-s.Right)*n*30/max(1, int(s.to-s.from)) >= room {
			break
		}
	}
	first, _, _ := s.from.Civil()
	last, _, _ := s.to.Civil()
	var list []tick
	for n := first * 12; n < (last+1)*12; n++ {
		d := day.Of(n/12, n%12+1, 1)
		if n%months != 0 || d <= 0 || !s.shown(d) {
			continue
		}
		text := strings.TrimPrefix(d.Text(), "1 ")
		if months >= 12 {
			text = d.String()[:4]
		}
		if s.x(d)+s.letter*len(text) > s.W {
			text = "" // it would leave the sheet
		}
		list = append(list, tick{s.x(d), text})
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
