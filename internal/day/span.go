package day

// Span is a date as it was sent: the first and the last day that the text may
// mean. A whole date has First == Last; a month or a year is a range; the
// zero value is no date.
type Span struct {
	First, Last Day
}

// On is the span of one whole day.
func On(d Day) Span { return Span{d, d} }

// Known says whether there is a date at all.
func (s Span) Known() bool { return s.First > 0 }

// Exact says whether the span is one whole day.
func (s Span) Exact() bool { return s.First > 0 && s.First == s.Last }

// Add moves both ends by the offset, each from its own day.
func (s Span) Add(o Offset) Span {
	if s.First == s.Last {
		return On(s.First.Add(o))
	}
	return Span{s.First.Add(o), s.Last.Add(o)}
}

// Plus moves both ends by n days.
func (s Span) Plus(n int) Span { return Span{s.First.Plus(n), s.Last.Plus(n)} }

// Within says whether the whole span lies in the closed range from..to.
func (s Span) Within(from, to Day) bool { return s.First >= from && s.Last <= to }

// Meets says whether some day of the span lies in the closed range from..to.
func (s Span) Meets(from, to Day) bool { return s.First <= to && s.Last >= from }

// Before orders spans by first day, then by last.
func (s Span) Before(t Span) bool {
	if s.First != t.First {
		return s.First < t.First
	}
	return s.Last < t.Last
}

// Apart gives the least number of days that may lie between two spans, zero
// where they may be the same day.
func (s Span) Apart(t Span) int {
	switch {
	case s.Last < t.First:
		return int(t.First - s.Last)
	case t.Last < s.First:
		return int(s.First - t.Last)
	}
	return 0
}

// String writes a whole date as YYYY-MM-DD and a range as first..last.
func (s Span) String() string {
	if s.First == s.Last {
		return s.First.String()
	}
	return s.First.String() + ".." + s.Last.String()
}

// Text writes the span for people.
func (s Span) Text() string {
	if s.First == s.Last {
		return s.First.Text()
	}
	return s.First.Text() + " to " + s.Last.Text()
}
