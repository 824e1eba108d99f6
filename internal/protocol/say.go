package protocol

import (
	"fmt"
	"strings"

	"perennial/internal/day"
)

// Text is the condition in words: "endoleak Ia or Ib, seen on duplex".
func (c *Condition) Text() string {
	if len(c.Any) > 0 {
		var list []string
		for i := range c.Any {
			list = append(list, c.Any[i].Text())
		}
		return strings.Join(list, ", or ")
	}
	text := strings.ReplaceAll(c.Finding, "-", " ")
	switch {
	case c.Event != "":
		text = map[string]string{"relining": "a graft is added or relined", "occlusion": "coils or an embolisation", "explant": "the implant is taken out"}[c.Event]
	case c.Growth > 0 && c.Across:
		text = "growth by " + length(c.Growth) + " or more, but measured by another method"
	case c.Growth > 0:
		text = "growth by " + length(c.Growth) + " or more against the first or the lowest value"
	case c.AtLeast > 0:
		text += " of " + length(c.AtLeast) + " or more"
	case len(c.Types) == 1 && c.Types[0] == "unknown":
		text += " of a type that is not told"
	case len(c.Types) > 0:
		text += " " + or(c.Types)
	}
	return text + c.more()
}

// more is what else must hold, in words.
func (c *Condition) more() string {
	text := ""
	if c.Below > 0 {
		text += " and less than " + length(c.Below)
	}
	if len(c.Of) > 0 {
		text += " (" + or(c.Of) + ")"
	}
	if len(c.Seen) > 0 {
		var kinds []string
		for _, k := range c.Seen {
			kinds = append(kinds, k.String())
		}
		text += ", seen on " + or(kinds)
	}
	if c.With != nil {
		text += ", together with " + c.With.Text()
	}
	if c.Later {
		text += ", not on the first scan"
	}
	if c.Sex != "" {
		text += ", unless the patient is not " + c.Sex
	}
	if c.If != "" {
		text += ", where there is a " + c.If
	}
	return text
}

// Text is what a trigger proposes, in words.
func (e *Effect) Text() string {
	var list []string
	if e.Review != nil {
		within := "within " + dayCount(e.Review.Within)
		if e.Review.Within == 0 {
			within = "the same day"
		}
		list = append(list, fmt.Sprintf("a person looks %s (%s)", within, e.Review.Urgency))
	}
	if v := e.Visit; v != nil {
		what := "an added visit"
		if e.Confirm {
			what = "a visit that confirms it"
		}
		list = append(list, fmt.Sprintf("%s %s after it, day %d to %d", what, span(v.At), v.Open, v.Close))
	}
	if r := e.Series; r != nil {
		text := fmt.Sprintf("added visits every %s for %s, from %d days before to %d days after", months(r.Every), months(r.Until), r.Before, r.After)
		if r.Instead {
			text += ", instead of the calendar's visits of that time"
		}
		list = append(list, text)
	}
	if e.Withhold > 0 {
		list = append(list, "routine imaging is not proposed meanwhile, for "+dayCount(e.Withhold)+" at most")
	}
	if e.Note != "" {
		list = append(list, e.Note)
	}
	return strings.Join(list, "; ")
}

// months is a number of months in words.
func months(n int) string { return span(day.Offset{Months: n}) }

// length is tenths of a millimetre as millimetres.
func length(tenths int) string {
	if tenths%10 == 0 {
		return fmt.Sprintf("%d mm", tenths/10)
	}
	return fmt.Sprintf("%d.%d mm", tenths/10, tenths%10)
}

// span is an offset in words.
func span(o day.Offset) string {
	switch {
	case o.Months == 0:
		return dayCount(o.Days)
	case o.Months%12 == 0 && o.Days == 0:
		return many(o.Months/12, "year")
	case o.Days == 0:
		return many(o.Months, "month")
	}
	return o.String()
}

func many(n int, word string) string {
	if n == 1 {
		return "a " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func dayCount(n int) string {
	if n == 1 {
		return "a day"
	}
	return fmt.Sprintf("%d days", n)
}

func or(words []string) string {
	n := len(words) - 1
	if n < 1 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:n], ", ") + " or " + words[n]
}
