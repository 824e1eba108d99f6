package web

import (
	"fmt"

	"perennial/internal/day"
	"perennial/internal/sac"
	"perennial/internal/surveil"
)

// sacView are the measured diameters of an implant: a drawing, and each series
// in words and as a table.
type sacView struct {
	plot
	Series  []sacSeries
	Shared  bool   // another implant has them too
	Confirm bool   // the newest value can only be confirmed by its own modality
	Basis   string // of the error bars
}

// sacSeries is a series with the shape that stands for it.
type sacSeries struct {
	Name      string
	Path      string
	ClassName string
	Margin    string // of one value, mm
	Said      []string
	Rows      []sacRow
}

// sacRow is one value.
type sacRow struct {
	sac.Point
	MM    string
	Since string // since the baseline
	Word  string // baseline, lowest
}

// plot is the drawing: millimetres over time.
type plot struct {
	W, H, Left, Foot int
	ID               string
	Ticks            []tick
	Rungs            []tick // of the scale of millimetres; X is a height
	Lines            []plotLine
	Bars             []plotBar
	Marks            []shape
	Words            string
}

// plotLine joins the values of one series.
type plotLine struct{ Path, ClassName string }

// plotBar is the error bar of one value.
type plotBar struct {
	X, From, To int
	ClassName   string
}

// sacOf shows the diameters of an implant; nil where none was measured.
func sacOf(p *Patient, m *surveil.Implant, n int) *sacView {
	list := sac.Of(p.Chart.Findings, sac.ScopeOf(m, p.Plan.AsOf))
	if len(list) == 0 {
		return nil
	}
	v := &sacView{Confirm: sac.Confirm(list), Basis: sac.Basis(list)}
	for i := range list {
		s := &list[i]
		one := sacSeries{Name: tame(s.Name()), Path: seriesPath(i), ClassName: seriesClass(i), Said: s.Said(),
			Margin: fmt.Sprintf("%.1f", sac.ErrorOf(s.Modality).Margin())}
		for j := range s.Points {
			one.Rows = append(one.Rows, rowOf(s, j))
		}
		v.Series = append(v.Series, one)
	}
	v.plot = plotOf(list)
	v.ID = fmt.Sprint("sac-", n)
	return v
}

func rowOf(s *sac.Series, j int) sacRow {
	pt := &s.Points[j]
	r := sacRow{Point: *pt, MM: sac.Millimetres(pt.Tenths)}
	switch {
	case j == 0:
		r.Word = "baseline"
	case j == s.Lowest:
		r.Word = "lowest"
	}
	if j > 0 {
		r.Since = fmt.Sprintf("%+.1f", float64(pt.Tenths-s.Points[0].Tenths)/10)
	}
	return r
}

// seriesPath is the shape of a series: each has its own, so that they are told
// apart without colour.
func seriesPath(i int) string {
	return [...]string{"M-4.500 0a4.500 4.500 0 1 0 9 0a4.500 4.500 0 1 0-9 0z", "M-4-4h8v8h-8z", "M0-5.500 5.500 4.500-5.500 4.500z", "M0-6 6 0 0 6-6 0z"}[i%4]
}

func seriesClass(i int) string { return fmt.Sprint("series-", i%4) }

// plotOf draws series of diameters with error bars.
func plotOf(list []sac.Series) plot {
	v := plot{W: 460, H: 236, Left: 34, Foot: 206}
	s := scale{sheet: sheet{W: v.W, Left: v.Left + 16, Right: 60, letter: 6}}
	low, high := extremes(list, &s)
	y := func(tenths int) int { return v.Foot - 8 - (tenths-low)*(v.Foot-34)/max(1, high-low) }
	step := 50
	for (high-low)/step > 8 {
		step *= 2
	}
	for at := (low/step + 1) * step; at < high; at += step {
		v.Rungs = append(v.Rungs, tick{y(at), fmt.Sprint(at / 10)})
	}
	v.Ticks = ticks(s)
	for i := range list {
		v.series(&list[i], i, s, y)
	}
	v.Words = plotWords(list)
	return v
}

// extremes are the lowest and the highest end of an error bar, with some room;
// the scale is set to the days.
func extremes(list []sac.Series, s *scale) (low, high int) {
	low, high = 1<<30, 0
	for i := range list {
		margin := int(10 * sac.ErrorOf(list[i].Modality).Margin())
		for j := range list[i].Points {
			pt := &list[i].Points[j]
			low, high = min(low, pt.Tenths-margin-10), max(high, pt.Tenths+margin+10)
			if s.from == 0 || pt.On.First < s.from {
				s.from = pt.On.First
			}
			s.to = max(s.to, pt.On.First)
		}
	}
	if s.to-s.from < 60 {
		s.from, s.to = max(1, s.from.Plus(-30)), s.to.Plus(30)
	}
	return max(0, low), high
}

// series draws one series: a line, a shape for each value, its error bar, and
// words at the baseline and the lowest value.
func (v *plot) series(s *sac.Series, i int, at scale, y func(int) int) {
	margin, class := int(10*sac.ErrorOf(s.Modality).Margin()), seriesClass(i)
	path := ""
	for j := range s.Points {
		pt, row := &s.Points[j], rowOf(s, j)
		x, h := at.x(pt.On.First), y(pt.Tenths)
		path += fmt.Sprintf("%s%d %d", [...]string{"L", "M"}[btoi(j == 0)], x, h)
		v.Bars = append(v.Bars, plotBar{x, y(pt.Tenths + margin), y(pt.Tenths - margin), class})
		m := shape{X: x, Y: h, Path: seriesPath(i), ClassName: class, Said: fmt.Sprintf("%s mm, %s, %s", row.MM, pt.On.Text(), tame(s.Name()))}
		if row.Word != "" && len(s.Points) > 1 {
			m.Said += ", " + row.Word
			m.Lines = []line{{x + 7, h + [...]int{14, -8}[btoi(j == 0)], row.Word}}
		}
		v.Marks = append(v.Marks, m)
	}
	v.Lines = append(v.Lines, plotLine{path, class})
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// share marks the diameters that two implants show: the scan takes in both, and
// nothing tells which was measured.
func share(list []implantView) {
	for i := range list {
		for j := range list {
			if a, b := list[i].Sac, list[j].Sac; i != j && a != nil && b != nil && a.meets(b) {
				a.Shared = true
			}
		}
	}
}

func (v *sacView) meets(w *sacView) bool {
	refs := map[string]bool{}
	for _, s := range v.Series {
		for _, r := range s.Rows {
			refs[r.Ref] = true
		}
	}
	for _, s := range w.Series {
		for _, r := range s.Rows {
			if refs[r.Ref] {
				return true
			}
		}
	}
	return false
}

// plotWords says the drawing for those who do not see it.
func plotWords(list []sac.Series) string {
	text := ""
	for i := range list {
		s := &list[i]
		text += fmt.Sprintf("%s: %s, from %s mm on %s to %s mm on %s. ", tame(s.Name()), values(len(s.Points)), sac.Millimetres(s.Baseline().Tenths), s.Baseline().On.Text(), sac.Millimetres(s.Latest().Tenths), s.Latest().On.Text())
	}
	return text + "The table below has every value."
}

func values(n int) string {
	if n == 1 {
		return "1 value"
	}
	return fmt.Sprintf("%d values", n)
}

// dueView is a visit beside which prompts stand.
type dueView struct {
	*surveil.Visit
	Class string
	Only  bool // nothing but a CT with contrast medium does it
}

// promptView is a prompt with its age in words.
type promptView struct {
	Kind, Level, Text, Source, Evidence string
	Facts                               []string
	Old                                 string
}

// beside lists the due visits and the prompts that stand beside them.
func beside(p *Patient) (due []dueView, list []promptView) {
	for _, v := range p.Beside {
		due = append(due, dueView{Visit: v, Class: classOf(p.Plan, v.Implant), Only: v.Contrast})
	}
	for i := range p.Prompts {
		x := &p.Prompts[i]
		list = append(list, promptView{Kind: string(x.Kind), Level: string(x.Level), Text: x.Text, Source: x.Source, Evidence: x.Evidence, Facts: x.Facts, Old: aged(x.On, p.Plan.AsOf)})
	}
	return due, list
}

func classOf(p *surveil.Plan, implant string) string {
	for i := range p.Implants {
		if p.Implants[i].ID == implant {
			return p.Implants[i].Class
		}
	}
	return ""
}

// aged says of when a fact is and how old.
func aged(on day.Span, asOf day.Day) string {
	if !on.Known() {
		return "no date"
	}
	return on.Text() + ", " + oldness(int(asOf-on.First))
}

func oldness(days int) string {
	switch {
	case days == 1:
		return "1 day old"
	case days < 120:
		return fmt.Sprintf("%d days old", days)
	case days < 730:
		return fmt.Sprintf("%d months old", days*12/365)
	}
	return fmt.Sprintf("%d years old", days*4/1461)
}
