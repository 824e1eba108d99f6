package second

// Shrink drops facts from a chart, and details of facts, as long as wrong
// still holds of the rest: what is left shows why two engines differ.
func Shrink(c Chart, wrong func(Chart) bool) Chart {
	for {
		s := &shrinker{chart: c, wrong: wrong}
		s.facts()
		s.details()
		if !s.smaller {
			return s.chart
		}
		c = s.chart
	}
}

// ShrinkTriggers drops triggers from protocols as long as wrong still holds of
// the rest.
func ShrinkTriggers(list []Protocol, wrong func([]Protocol) bool) []Protocol {
	for i := range list {
		for j := len(list[i].Triggers) - 1; j >= 0; j-- {
			next := append([]Protocol{}, list...)
			next[i].Triggers = append(append([]Trigger{}, list[i].Triggers[:j]...), list[i].Triggers[j+1:]...)
			if wrong(next) {
				list = next
			}
		}
	}
	return list
}

// shrinker is one round of Shrink.
type shrinker struct {
	chart   Chart
	wrong   func(Chart) bool
	smaller bool
}

// attempt keeps a changed chart if it is still wrong.
func (s *shrinker) attempt(change func(*Chart)) bool {
	next := s.chart
	change(&next)
	if !s.wrong(next) {
		return false
	}
	s.chart, s.smaller = next, true
	return true
}

// facts tries to do without each fact.
func (s *shrinker) facts() {
	drop(s, func(c *Chart) *[]Operation { return &c.Operations })
	drop(s, func(c *Chart) *[]Study { return &c.Studies })
	drop(s, func(c *Chart) *[]Report { return &c.Reports })
	drop(s, func(c *Chart) *[]Finding { return &c.Findings })
	drop(s, func(c *Chart) *[]Booking { return &c.Bookings })
	drop(s, func(c *Chart) *[]Encounter { return &c.Encounters })
	drop(s, func(c *Chart) *[]Attempt { return &c.Attempts })
	drop(s, func(c *Chart) *[]Ruling { return &c.Rulings })
	drop(s, func(c *Chart) *[]Kidney { return &c.Kidney })
	drop(s, func(c *Chart) *[]Diagnosis { return &c.Diagnoses })
}

// details tries to do without what says more about a fact.
func (s *shrinker) details() {
	if s.chart.DeadDate != "" {
		s.attempt(func(c *Chart) { c.DeadDate = "" })
	}
	if s.chart.DeadTrue {
		s.attempt(func(c *Chart) { c.DeadTrue = false })
	}
	if s.chart.Sex != "" {
		s.attempt(func(c *Chart) { c.Sex = "" })
	}
	blank(s, func(c *Chart) *[]Finding { return &c.Findings }, func(f *Finding) *string { return &f.Measure })
	studies := func(c *Chart) *[]Study { return &c.Studies }
	blank(s, studies, func(f *Study) *string { return &f.UID })
	blank(s, studies, func(f *Study) *string { return &f.Accession })
	blank(s, studies, func(f *Study) *string { return &f.Updated })
	rulings := func(c *Chart) *[]Ruling { return &c.Rulings }
	blank(s, rulings, func(f *Ruling) *string { return &f.Back })
	blank(s, rulings, func(f *Ruling) *string { return &f.Until })
}

// drop tries to leave out each entry of a list.
func drop[T any](s *shrinker, list func(*Chart) *[]T) {
	for i := len(*list(&s.chart)) - 1; i >= 0; i-- {
		s.attempt(func(c *Chart) {
			all := *list(c)
			*list(c) = append(append([]T{}, all[:i]...), all[i+1:]...)
		})
	}
}

// blank tries to empty a text of each entry of a list.
func blank[T any](s *shrinker, list func(*Chart) *[]T, text func(*T) *string) {
	for i := range *list(&s.chart) {
		if *text(&(*list(&s.chart))[i]) == "" {
			continue
		}
		s.attempt(func(c *Chart) {
			all := append([]T{}, *list(c)...)
			*text(&all[i]) = ""
			*list(c) = all
		})
	}
}
