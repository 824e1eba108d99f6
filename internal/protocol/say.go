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
	text := c.Subject()
	switch {
	case c.Event != "":
		text = map[string]string{"relining": "a graft is added or relined", "occlusion": "coils or an embolisation", "explant": "the implant is taken out"}[c.Event]
	case c.Growth > 0 && c.Across:
		text += " by " + length(c.Growth) + " or more, but measured by another method"
	case c.Growth > 0:
		text += " by " + length(c.Growth) + " or more against the first or the lowest value"
	case c.AtLeast > 0 && c.Below > 0:
		text += " of " + length(c.AtLeast) + " or more, but less than " + length(c.Below)
	case c.AtLeast > 0:
		text += " of " + length(c.AtLeast) + " or more"
	case len(c.Types) == 1 && c.Types[0] == "unknown":
		text += " of a type that is not told"
	case len(c.Types) > 0:
		text += " " + or(c.Types)
	}
	return text + c.more()
}

// Subject is what a condition is about, in words: "endoleak", "aortic arch
// diameter", "growth of the sac diameter"; empty for an operation.
func (c *Condition) Subject() string {
	var list []string
	for _, m := range c.Of {
		list = append(list, measureText(m))
	}
	of := or(list)
	switch {
	case c.Growth > 0 && of == "":
		return "growth"
	case c.Growth > 0:
		return "growth of the " + of + " diameter"
	case of != "":
		return of + " diameter"
	}
	return strings.ReplaceAll(c.Finding, "-", " ")
}

// measureText names what a diameter is taken of.
func measureText(measure string) string {
	switch measure {
	case "arch":
		return "aortic arch"
	case "ascending", "descending", "abdominal":
		return measure + " aortic"
	}
	return measure
}

// more is what else must hold, in words.
func (c *Condition) more() string {
	text := ""
	if len(c.Seen) > 0 {
		var kinds []string
		for _, k := range c.Seen {
			kinds = append(kinds, k.String())
		}
		text += ", seen on " + or(kinds)
	}
	if c.With != nil {
		text += ", together with " + c.With.Text() + " on the same scan"
	}
	return text + c.Limits()
}

// Limits is when and in whom a condition holds, in words, each part after a comma:
// ", not on the first scan after the operation, in women …"; empty where always and in all.
func (c *Condition) Limits() string {
	text := ""
	if c.Later {
		text += ", not on the first scan after the operation"
	}
	switch c.Sex {
	case "female":
		text += ", in women and where the sex is not known"
	case "male":
		text += ", in men and where the sex is not known"
	}
	if c.If != "" {
		text += ", in patients with a " + c.If
	}
	return text
}

// Text names the imaging: "duplex or MR angiogram".
func (a *Also) Text() string {
	var names []string
	for _, k := range a.Kinds {
		names = append(names, strings.ReplaceAll(k.String(), "-", " "))
	}
	return or(names)
}

// Text is what a trigger proposes, in words.
func (e *Effect) Text() string { return strings.Join(e.Parts(), "; ") }

// Parts are the parts of what a trigger proposes, each in words: the review, the
// added visits, what is withheld, the note.
func (e *Effect) Parts() []string {
	var list []string
	if r := e.Review; r != nil {
		within := "within " + dayCount(r.Within)
		if r.Within == 0 {
			within = "the same day"
		}
		list = append(list, fmt.Sprintf("a person looks %s (%s)", within, r.Urgency))
	}
	if v := e.Visit; v != nil {
		what := "an added visit"
		if e.Confirm {
			what = "a visit that confirms it"
		}
		list = append(list, fmt.Sprintf("%s %s after it, day %d to %d", what, span(v.At), v.Open, v.Close))
	}
	if r := e.Series; r != nil {
		list = append(list, r.Text())
	}
	if e.Withhold > 0 {
		list = append(list, "routine imaging is not proposed meanwhile, for "+dayCount(e.Withhold)+" at most")
	}
	if e.Note != "" {
		list = append(list, e.Note)
	}
	return list
}

// Text is a row of added visits, in words.
func (r *AddedSeries) Text() string {
	text := fmt.Sprintf("an added visit %s after it", months(r.Every))
	if r.Until > r.Every {
		text = fmt.Sprintf("added visits every %s for %s after it", strings.TrimPrefix(months(r.Every), "a "), months(r.Until))
	}
	text += fmt.Sprintf(", %s before to %s after the target", dayCount(r.Before), dayCount(r.After))
	if r.Instead {
		text += ", in place of the calendar's visits of that time"
	}
	return text
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
