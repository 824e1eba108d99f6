package export

import (
	"fmt"
	"strings"

	"perennial/internal/fhir"
	"perennial/internal/protocol"
)

// applies is a condition for people and in short form. Both are extensions: the
// languages that R4 has for expressions cannot say it.
func applies(words, short string) []condition {
	parts := []extension{{URL: "text", ValueString: fhir.Tidy(capital(words))}, {URL: "short", ValueString: fhir.Tidy(short)}}
	return []condition{{Extension: []extension{{URL: ConditionURL, Extension: parts}}, Kind: "applicability"}}
}

// conditionText is a condition of a protocol for people.
func conditionText(c *protocol.Condition) string {
	if len(c.Any) > 0 {
		var parts []string
		for i := range c.Any {
			parts = append(parts, conditionText(&c.Any[i]))
		}
		return strings.Join(parts, ", or ")
	}
	text := c.Subject()
	switch {
	case c.Event != "":
		text = "re-intervention: " + c.Event
	case c.Growth > 0:
		text += " by " + millimetres(c.Growth) + " or more"
		if c.Across {
			text += ", measured with different modalities"
		}
	}
	if len(c.Types) > 0 {
		text += " (" + strings.Join(c.Types, ", ") + ")"
	}
	if c.AtLeast > 0 {
		text += " of " + millimetres(c.AtLeast) + " or more"
	}
	if c.Below > 0 {
		text += ", but less than " + millimetres(c.Below)
	}
	if len(c.Seen) > 0 {
		text += ", seen on " + kindsText(c.Seen)
	}
	if c.With != nil {
		text += ", together with " + conditionText(c.With) + " on the same scan"
	}
	return text + c.Limits()
}

// conditionShort is a condition in one line that a program can take apart.
func conditionShort(c *protocol.Condition) string {
	if len(c.Any) > 0 {
		var parts []string
		for i := range c.Any {
			parts = append(parts, conditionShort(&c.Any[i]))
		}
		return "any(" + strings.Join(parts, "; ") + ")"
	}
	var parts []string
	say := func(given bool, format string, args ...any) {
		if given {
			parts = append(parts, fmt.Sprintf(format, args...))
		}
	}
	say(c.Finding != "", "finding=%s", c.Finding)
	say(len(c.Types) > 0, "types=%s", strings.Join(c.Types, ","))
	say(c.AtLeast > 0, "at-least-mm=%s", strings.TrimSuffix(millimetres(c.AtLeast), " mm"))
	say(c.Below > 0, "below-mm=%s", strings.TrimSuffix(millimetres(c.Below), " mm"))
	say(c.Growth > 0, "growth-mm=%s", strings.TrimSuffix(millimetres(c.Growth), " mm"))
	say(len(c.Of) > 0, "of=%s", strings.Join(c.Of, ","))
	say(c.Across, "across=yes")
	say(c.Event != "", "event=%s", c.Event)
	var seen []string
	for _, k := range c.Seen {
		seen = append(seen, k.String())
	}
	say(len(seen) > 0, "seen=%s", strings.Join(seen, ","))
	say(c.Later, "first-scan=no")
	say(c.Sex != "", "sex=%s", c.Sex)
	say(c.If != "", "if=%s", c.If)
	if c.With != nil {
		parts = append(parts, "with("+conditionShort(c.With)+")")
	}
	return strings.Join(parts, " ")
}

// millimetres writes tenths of a millimetre.
func millimetres(tenths int) string {
	if tenths%10 == 0 {
		return fmt.Sprintf("%d mm", tenths/10)
	}
	return fmt.Sprintf("%d.%d mm", tenths/10, tenths%10)
}

// classesApply is the condition of what is for some classes of a protocol only.
func classesApply(classes []string) []condition {
	if len(classes) == 0 {
		return nil
	}
	return applies("implants of the class "+strings.Join(classes, " or "), "class="+strings.Join(classes, ","))
}
