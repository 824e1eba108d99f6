package protocol

import (
	"strconv"
	"strings"

	"perennial/internal/day"
	"perennial/internal/yamldoc"
)

func (p *parser) triggers(top *yamldoc.Section) []Trigger {
	var out []Trigger
	for _, s := range top.Maps("triggers") {
		t := Trigger{ID: p.id(s, "id"), Classes: p.classes(s)}
		for _, before := range out {
			if t.ID != "" && t.ID == before.ID {
				s.Report("id", "the trigger id %q stands twice", t.ID)
			}
		}
		if when := s.Map("when"); when != nil {
			t.When = p.condition(when, false)
		} else {
			s.Report("when", "the condition is missing; such a trigger never fires")
		}
		if then := s.Map("then"); then != nil {
			t.Then = p.effect(then)
		} else {
			s.Report("then", "is missing; what follows is expected: review, visit, series, withhold or note")
		}
		t.Cite = p.cite(s)
		s.Done()
		p.whenAt = append(p.whenAt, at(s, "when"))
		out = append(out, t)
	}
	return out
}

// condition reads what must hold. On the first scan (only_if) an operation
// cannot be asked for.
func (p *parser) condition(s *yamldoc.Section, firstScan bool) Condition {
	if s.Has("any") {
		return p.anyOf(s, firstScan)
	}
	c := p.subject(s, "event")
	c.Event, c.Across, c.Seen = s.Text("event"), s.Bool("across", false), p.kinds(s, "seen")
	if c.Event != "" {
		p.word(at(s, "event"), "event", c.Event, events())
	}
	if c.Sex = s.Text("sex"); c.Sex != "" {
		p.word(at(s, "sex"), "sex", c.Sex, sexes())
	}
	if c.If = s.Text("if"); c.If != "" {
		p.word(at(s, "if"), "condition of the patient", c.If, conditions())
	}
	c.Later = !s.Bool("first_scan", true)
	if with := s.Map("with"); with != nil {
		two := p.subject(with)
		p.agree(with)
		with.Done()
		c.With = &two
	}
	p.agree(s)
	if c.Event != "" && firstScan {
		s.Report("event", "a scan shows findings, not operations; this never holds")
	}
	if c.Later && firstScan {
		s.Report("first_scan", "this asks what the first scan shows; it would never hold")
	}
	s.Done()
	return c
}

// subject reads what finding is asked for, and how much of it; others are the keys
// that may stand in its place.
func (p *parser) subject(s *yamldoc.Section, others ...string) Condition {
	c := Condition{Finding: s.Text("finding"), Growth: p.length(s, "growth"), AtLeast: p.length(s, "at_least"), Below: p.length(s, "below"),
		Of: p.words(s, "of", "measure", measures())}
	known := c.Finding != "" && p.word(at(s, "finding"), "finding", c.Finding, findings())
	c.Types = p.words(s, "types", "type of "+c.Finding, typesOf(c.Finding))
	p.one(s, append([]string{"finding", "growth"}, others...))
	if c.Finding == "sac-diameter" && c.AtLeast == 0 && !s.Has("at_least") {
		s.Report("finding", `a diameter by itself is nothing to act on; add "at_least", or use "growth"`)
	}
	if s.Has("of") && (known || s.Has("event")) && c.Finding != "sac-diameter" && !s.Has("growth") {
		s.Report("of", `only a diameter has a measure; "of" stands beside "growth" or "finding: sac-diameter"`)
	}
	if c.Below > 0 && c.AtLeast > 0 && c.Below <= c.AtLeast {
		s.Report("below", "nothing is at least %s and below %s", length(c.AtLeast), length(c.Below))
	}
	return c
}

// one checks that a condition asks for exactly one of the keys.
func (p *parser) one(s *yamldoc.Section, keys []string) {
	n := 0
	for _, key := range keys {
		if s.Has(key) {
			n++
		}
	}
	list := `"` + strings.Join(keys, `", "`) + `"`
	switch {
	case n == 0 && len(keys) == 2:
		s.Report("", `the condition is empty; "finding" or "growth" is expected here`)
	case n == 0:
		s.Allow("any")
		s.Report("", `the condition is empty; one of %s or "any" is expected`, list)
	case n > 1:
		s.Report("", `a condition asks for one of %s; use two triggers, or "any"`, list)
	}
}

// agree reports parts of a condition that have no effect together: they would
// look like a rule and be none.
func (p *parser) agree(s *yamldoc.Section) {
	only := func(key, with string) {
		if s.Has(key) && !s.Has(with) {
			s.Report(key, "%q has a meaning only beside %q", key, with)
		}
	}
	only("types", "finding")
	only("at_least", "finding")
	only("below", "at_least")
	only("across", "growth")
	if s.Has("types") && s.Has("at_least") {
		s.Report("at_least", `a condition has "types" or "at_least", not both; use "any"`)
	}
	for _, key := range []string{"seen", "first_scan", "with"} {
		if s.Has(key) && s.Has("event") {
			s.Report(key, "an operation is not seen on a study")
		}
	}
	for _, key := range []string{"sex", "if"} {
		if s.Has(key) && s.Has("event") {
			s.Report(key, "%q is asked of a finding; a rule for an operation is for every patient", key)
		}
	}
}

// anyOf reads a list of conditions of which one must hold.
func (p *parser) anyOf(s *yamldoc.Section, firstScan bool) Condition {
	var c Condition
	list := s.Maps("any")
	for _, one := range list {
		if one.Has("any") {
			one.Report("any", `"any" inside "any" is not read; write one list`)
			continue
		}
		if one.Has("event") && !firstScan {
			one.Report("event", `an operation cannot stand in "any"; write a trigger of its own`)
		}
		c.Any = append(c.Any, p.condition(one, firstScan))
	}
	if len(list) == 0 {
		s.Report("any", "the condition is empty; it would never hold")
	}
	for _, key := range s.Keys() {
		if key != "any" {
			s.Allow(key)
			s.Report(key, `%q cannot stand beside "any"; write it into each condition`, short(key))
		}
	}
	return c
}

func (p *parser) effect(s *yamldoc.Section) Effect {
	e := Effect{Withhold: s.Int("withhold", 0, 1, MaxWindow), Confirm: s.Bool("confirm", false), Note: s.Text("note")}
	if r := s.Map("review"); r != nil {
		e.Review = &Review{Within: p.days(r, "within", 0), Urgency: r.NeedOneOf("urgency", urgencies()...)}
		r.Done()
	}
	if v := s.Map("visit"); v != nil {
		e.Visit = p.added(v)
	}
	if r := s.Map("series"); r != nil {
		e.Series = p.addedSeries(r)
	}
	switch {
	case e.Review == nil && s.Has("withhold"):
		s.Report("withhold", "imaging is withheld only while a review is open; add a review")
	case e.Confirm && e.Visit == nil:
		s.Report("confirm", `"confirm" says what the added visit is for; add a visit`)
	case e.Visit != nil && e.Series != nil:
		s.Report("series", "a trigger adds a visit or a series, not both; write a trigger of its own")
	case e.Review == nil && e.Visit == nil && e.Series == nil && e.Note == "":
		s.Report("", "nothing follows; review, visit, series or note is expected")
	}
	s.Done()
	return e
}

func (p *parser) added(s *yamldoc.Section) *Added {
	a := &Added{At: p.offset(s, "at", true), Open: p.days(s, "opens", 0), Close: p.days(s, "closes", 1), Ways: p.waysOf(s), Needs: p.territory(s, "needs"), Again: s.Bool("again", false)}
	target := daysOf(a.At)
	switch {
	case !s.Has("opens") || !s.Has("closes"):
	case a.Open > a.Close:
		s.Report("opens", "the window opens on day %d after it closes on day %d", a.Open, a.Close)
	case !a.At.Zero() && (target < a.Open || target > a.Close):
		s.Report("at", "the target (%s) lies outside the window, day %d to %d", a.At, a.Open, a.Close)
	}
	s.Done()
	return a
}

// longestAdded is the number of months after which an added series has ended.
const longestAdded = 120

// addedSeries reads a row of added visits.
func (p *parser) addedSeries(s *yamldoc.Section) *AddedSeries {
	r := &AddedSeries{Every: p.months(s, "every"), Until: p.months(s, "until"), Before: p.days(s, "before", 0), After: p.days(s, "after", 0),
		Ways: p.waysOf(s), Needs: p.territory(s, "needs"), Instead: s.Bool("instead", false)}
	apart := daysOf(day.Offset{Months: r.Every})
	switch {
	case r.Every == 0 || r.Until == 0:
	case r.Until%r.Every != 0:
		s.Report("until", "%s is no whole number of times %s; the last visit is then not told", months(r.Until), months(r.Every))
	case r.Until > longestAdded:
		s.Report("until", "a series that a trigger adds ends within ten years; write a protocol of its own for more")
	case apart <= r.Before+r.After:
		s.Report("before", "the windows of the added visits overlap: %d days lie between them, at least %d are needed", apart, r.Before+r.After+1)
	}
	s.Done()
	return r
}

// months reads a duration of whole months or years.
func (p *parser) months(s *yamldoc.Section, key string) int {
	o := p.offset(s, key, true)
	if o.Days != 0 {
		s.Report(key, "whole months or years are expected here, such as P6M")
		return 0
	}
	return o.Months
}

// length reads a length with its unit, "5 mm" or "0.5 cm", into tenths of a
// millimetre. Zero where absent or, after a report, where it is not one.
func (p *parser) length(s *yamldoc.Section, key string) int {
	text := strings.TrimSpace(s.Text(key))
	if text == "" {
		if s.Has(key) && !p.listed(s, key) {
			s.Report(key, `a length such as "5 mm" is expected here`)
		}
		return 0
	}
	number := strings.TrimRight(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ%° ")
	unit := strings.TrimSpace(text[len(number):])
	scale := 0
	switch unit {
	case "mm":
		scale = 10
	case "cm":
		scale = 100
	case "":
		p.report(at(s, key), number+" mm", "the unit is missing: a length is written with mm or cm")
		return 0
	default:
		p.report(at(s, key), yamldoc.Nearest(unit, []string{"mm", "cm"}), "unknown unit %q: a length is written with mm or cm", short(unit))
		return 0
	}
	n, ok := tenths(number, scale)
	if !ok {
		s.Report(key, "a length above zero and up to 300 mm, to a tenth of a millimetre, is expected here, not %q", short(text))
	}
	return n
}

// listed says whether a list or map stands where a text should; that is
// reported already.
func (p *parser) listed(s *yamldoc.Section, key string) bool {
	n := s.Node(key)
	return n.Kind == yamldoc.List || n.Kind == yamldoc.Map
}

// tenths gives number × scale, exactly; false where it is no whole number, or
// not within 1 to 3000.
func tenths(number string, scale int) (int, bool) {
	whole, part, point := strings.Cut(number, ".")
	if point && part == "" || len(whole) > 4 || len(part) > 2 || strings.ContainsAny(number, "+-") {
		return 0, false
	}
	n, err := strconv.Atoi(whole + (part + "00")[:2])
	if err != nil || n*scale%100 != 0 {
		return 0, false
	}
	n = n * scale / 100
	return n, n >= 1 && n <= 3000
}

// peek is an offset that was read and, if bad, reported before.
func (p *parser) peek(s *yamldoc.Section, key string) day.Offset {
	o, err := day.ParseOffset(s.Text(key))
	if err != nil {
		return day.Offset{}
	}
	return o
}
