package protocol

import (
	"slices"

	"perennial/internal/chart"
	"perennial/internal/yamldoc"
)

// row is a series with the places of its parts.
type row struct {
	Series
	place    place
	stepAt   []place
	repeatAt place
}

func (p *parser) series(top *yamldoc.Section) []row {
	if !top.Has("series") {
		top.Report("series", "is missing; a protocol without visits surveys nobody")
	}
	var out []row
	for _, s := range top.Maps("series") {
		out = append(out, p.row(s))
	}
	return out
}

func (p *parser) row(s *yamldoc.Section) row {
	out := row{place: at(s, "")}
	out.ID, out.Classes = p.id(s, "id"), p.classes(s)
	out.Strata = p.words(s, "strata", "risk stratum", append(chart.Strata(), chart.StratumNone))
	out.Ladder = s.Bool("ladder", true)
	out.Rolling = s.OneOf("anchor", anchors()...) == "last-imaging"
	for _, one := range s.Maps("steps") {
		out.Steps = append(out.Steps, p.step(one))
		out.stepAt = append(out.stepAt, at(one, ""))
	}
	out.Prefix = s.Text("prefix")
	out.Repeat, out.repeatAt = p.repeat(s)
	switch {
	case out.Repeat != nil && out.Prefix == "":
		s.Report("prefix", "is missing; repeats are named by it: prefix y makes y2, y3, …")
	case !onlyLetters(out.Prefix):
		s.Report("prefix", "a prefix holds small letters only, %q does not", short(out.Prefix))
	case out.Repeat == nil && len(out.Steps) == 0:
		s.Report("steps", "the series has no visit: it needs steps or a repeat")
	}
	s.Done()
	return out
}

func onlyLetters(text string) bool {
	for _, c := range text {
		if c < 'a' || c > 'z' {
			return false
		}
	}
	return len(text) <= 20
}

func (p *parser) step(s *yamldoc.Section) Step {
	out := Step{ID: p.id(s, "id"), At: p.offset(s, "at", true), Before: p.days(s, "before", 0), After: p.days(s, "after", 0),
		Ways: p.waysOf(s), Needs: p.territory(s, "needs")}
	if c := s.Map("only_if"); c != nil {
		one := p.condition(c, true)
		out.OnlyIf = &one
	}
	if also := s.Map("also"); also != nil {
		out.Also = &Also{Kinds: p.kinds(also, "kinds"), Within: p.days(also, "within", 1)}
		if !also.Has("kinds") {
			also.Report("kinds", "is missing; the kinds of imaging that are asked for beside it are expected")
		}
		also.Done()
	}
	out.Cite = p.cite(s)
	s.Done()
	return out
}

// repeat reads the repeating step. A series that ends must say so ("repeat:
// none"): a forgotten line would end a patient's surveillance.
func (p *parser) repeat(of *yamldoc.Section) (*Repeat, place) {
	n, w := of.Node("repeat"), at(of, "repeat")
	if n == nil || n.Kind == yamldoc.Null {
		p.report(w, "", `is missing; write the repeating step, or "repeat: none" for a series that ends`)
		return nil, w
	}
	if n.Kind == yamldoc.Scalar && n.Value == "none" {
		return nil, w
	}
	s := of.Map("repeat")
	out := &Repeat{From: p.offset(s, "from", true), Every: p.offset(s, "every", true), Until: p.offset(s, "until", false),
		Before: p.days(s, "before", 0), After: p.days(s, "after", 0), Ways: p.waysOf(s), Needs: p.territory(s, "needs"), Cite: p.cite(s)}
	if out.Every.Days > 0 || out.Every.Months%12 > 0 {
		s.Report("every", "repeats are a whole number of years apart (P1Y, P12M, P5Y): their ids count years")
	}
	for _, key := range []string{"from", "until"} {
		if o := p.peek(s, key); o.Days > 0 {
			s.Report(key, "a repeat is counted in months or years, not in days")
		}
	}
	if !out.Until.Zero() && out.Until.Months < out.From.Months {
		s.Report("until", "it ends (%s) before it begins (%s)", out.Until, out.From)
	}
	s.Done()
	return out, w
}

// readWays reads the named ways that steps refer to.
func (p *parser) readWays(top *yamldoc.Section) {
	s := top.Map("ways")
	if s == nil {
		return
	}
	for _, name := range s.Keys() {
		p.ways[name] = p.listOfWays(s, name)
	}
	s.Done()
}

// waysOf reads the ways of a step: the name of a list at the top, or a list.
func (p *parser) waysOf(s *yamldoc.Section) []Way {
	n := s.Node("ways")
	if n == nil || n.Kind == yamldoc.Null {
		p.report(at(s, "ways"), "", "is missing; without a way nothing can ever satisfy the visit")
		return nil
	}
	if n.Kind != yamldoc.Scalar {
		return p.listOfWays(s, "ways")
	}
	if !p.word(at(s, "ways"), "name of ways", n.Value, sorted(p.ways)) {
		return nil
	}
	return slices.Clone(p.ways[n.Value])
}

func (p *parser) listOfWays(s *yamldoc.Section, key string) []Way {
	n := s.Node(key)
	if n.Kind == yamldoc.List && len(n.Items) == 0 || n.Kind == yamldoc.Null {
		p.report(at(s, key), "", "the list of ways is empty; without a way nothing can ever satisfy the visit")
		return nil
	}
	var out []Way
	var places []place
	for _, one := range s.Maps(key) {
		out = append(out, p.way(one))
		places = append(places, at(one, ""))
	}
	p.redundant(out, places)
	if len(out) > 0 && !slices.ContainsFunc(out, func(w Way) bool { return !w.Acceptance }) {
		p.report(at(s, key), "", "every way waits for a person's acceptance; at least one must count by itself")
	}
	return out
}

func (p *parser) way(s *yamldoc.Section) Way {
	out := Way{Kinds: p.kinds(s, "kinds"), With: p.kinds(s, "with"), Acceptance: s.Bool("acceptance", false)}
	if !s.Has("kinds") {
		s.Report("kinds", "is missing; the kinds of imaging are expected")
	}
	if s.Has("with") {
		out.Within = p.days(s, "within", 1)
	} else if s.Has("within") {
		s.Allow("within")
		s.Report("within", `"within" belongs to a set of two studies; "with" is missing`)
	}
	s.Done()
	return out
}

// redundant reports a single-study way that a way before or after it makes
// pointless: the same kind twice, or accepted and plain at once.
func (p *parser) redundant(ways []Way, places []place) {
	for i := range ways {
		for j := range ways[:i] {
			a, b := &ways[j], &ways[i]
			if len(a.With) > 0 || len(b.With) > 0 {
				continue
			}
			for _, k := range b.Kinds {
				if slices.Contains(a.Kinds, k) {
					p.report(places[i], "", "%s stands in another way of this list already%s", k, whyRedundant(a, b))
				}
			}
		}
	}
	p.pointlessSets(ways, places)
}

func whyRedundant(a, b *Way) string {
	if a.Acceptance != b.Acceptance {
		return ", once with acceptance and once without; only the one without has an effect"
	}
	return ""
}

// pointlessSets reports a set of which one study alone satisfies.
func (p *parser) pointlessSets(ways []Way, places []place) {
	alone := func(k chart.Kind) bool {
		return slices.ContainsFunc(ways, func(w Way) bool { return len(w.With) == 0 && !w.Acceptance && slices.Contains(w.Kinds, k) })
	}
	for i := range ways {
		w := &ways[i]
		if len(w.With) == 0 {
			continue
		}
		for _, k := range append(slices.Clone(w.Kinds), w.With...) {
			if alone(k) {
				p.report(places[i], "", "%s alone satisfies already; the set has no effect", k)
			}
		}
	}
}
