package store

import (
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// reasonRecord is how a reason is stored.
type reasonRecord struct {
	Rule  string   `json:"rule"`
	Facts []string `json:"facts,omitempty"`
	Cite  string   `json:"cite,omitempty"`
	From  spanRec  `json:"from,omitzero"`
	To    spanRec  `json:"to,omitzero"`
	Days  int      `json:"days,omitempty"`
	Word  string   `json:"word,omitempty"`
}

// spanRec is how a span is stored: as its text where it is a day, a month or a
// year, else as first and last day.
type spanRec string

func spanOf(s day.Span) spanRec {
	switch {
	case !s.Known():
		return ""
	case s.Exact():
		return spanRec(s.First.String())
	}
	return spanRec(s.First.String() + "/" + s.Last.String())
}

// span reads a stored span.
func (t spanRec) span() day.Span {
	const whole = len("2006-01-02")
	switch len(t) {
	case whole:
		return day.On(dayOf(string(t)))
	case 2*whole + 1:
		return day.Span{First: dayOf(string(t[:whole])), Last: dayOf(string(t[whole+1:]))}
	}
	return day.Span{}
}

// dayOf reads a stored day; zero where it is none.
func dayOf(text string) day.Day {
	s, err := day.ParseDate(text)
	if err != nil {
		return 0
	}
	return s.First
}

func reasonsOf(list []surveil.Reason) []reasonRecord {
	var out []reasonRecord
	for _, r := range list {
		out = append(out, reasonRecord{r.Rule, r.Facts, r.Cite, spanOf(r.From), spanOf(r.To), r.Days, r.Word})
	}
	return out
}

func reasons(list []reasonRecord) []surveil.Reason {
	var out []surveil.Reason
	for _, r := range list {
		out = append(out, surveil.Reason{Rule: r.Rule, Facts: r.Facts, Cite: r.Cite, From: r.From.span(), To: r.To.span(), Days: r.Days, Word: r.Word})
	}
	return out
}
