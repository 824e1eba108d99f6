package codes

import "strings"

// Concept is a FHIR CodeableConcept as sent.
type Concept struct {
	Codings []Coding
	Text    string
}

// Series is what one series of a study says of itself.
type Series struct {
	Modality Coding
	Site     Coding
	Text     string // description
}

// Study is all that an ImagingStudy and its order say of what it is. The slices
// are only read.
type Study struct {
	Procedure  []Concept // procedureCode
	Order      []Concept // codes of the requests that it is based on
	Modalities []Coding  // of the study
	Series     []Series  // may be left out where Procedure decides
	Text       string    // description of the study
}

// Study decides what a study is, in the order of procedureCode, order code,
// series modality and body site, patterns on text. Several procedure codes are
// parts of one study: what they cover adds up, within the best kind. false
// where no rule knows it: the result then holds what little is known (NonImage,
// or the kind by modality) and a person must be asked.
//
// The images have the last word against a code: a CT angiogram by its code
// whose images are all ultrasound is an ultrasound, and is asked about. Body
// sites and text fill in what a code leaves open, and take nothing away.
func (b *Book) Study(s Study) (Imaging, Rule, bool) {
	seen := b.images(s)
	if seen.only {
		return Imaging{Kind: OtherImaging, NonImage: true}, Rule{How: "modality: reports and documents only"}, false
	}
	out, rule, ok := b.concepts(s.Procedure)
	if !ok {
		if out, rule, ok = b.concepts(s.Order); ok {
			rule.How = "order " + rule.How
		}
	}
	if ok {
		return b.checked(out, rule, s, seen)
	}
	return b.bySeries(s, seen)
}

// concepts joins the concepts of one study.
func (b *Book) concepts(cs []Concept) (Imaging, Rule, bool) {
	var out Imaging
	var rule Rule
	known := false
	for i := range cs {
		im, r, ok := find(&b.imaging, b, cs[i].Codings, mergeImaging)
		switch {
		case !ok:
		case !known:
			out, rule, known = im, r, true
		default:
			out, rule = together(out, rule, im, r)
		}
	}
	return out, rule, known
}

// together joins two parts of one study: the better kind decides, and only
// parts of that kind add their territory.
func together(a Imaging, ra Rule, b Imaging, rb Rule) (Imaging, Rule) {
	if worth(b) < worth(a) {
		a, ra, b, rb = b, rb, a, ra
	}
	if worth(a) == worth(b) {
		a.Covers |= b.Covers
		ra.Weak = ra.Weak || rb.Weak
	}
	if ra.Clash == "" {
		ra.Clash = rb.Clash
	}
	return a, ra
}

// worth orders kinds for together: the constants' own order, what never counts
// and what is not known last.
func worth(i Imaging) int {
	switch {
	case i.Never:
		return 100
	case i.Kind == KindUnknown:
		return 50
	}
	return int(i.Kind)
}

// images is what the modalities of a study tell.
type images struct {
	kind Kind   // the kind by modality alone, OtherImaging if none; KindUnknown where no modality is known
	from string // the modality code that decided
	ask  string
	only bool // modalities are known, and none makes images
}

// images joins the modalities of the study and its series. An XA in the study
// makes it an angiogram: a CT in the theatre is no surveillance.
func (b *Book) images(s Study) images {
	var out images
	known, makes := false, false
	add := func(c Coding) {
		m, ok := b.Modality(c)
		if !ok {
			return
		}
		known = true
		if !m.Image {
			return
		}
		makes = true
		if out.ask == "" {
			out.ask = m.Ask
		}
		if order(m.Kind) < order(out.kind) {
			out.kind, out.from = m.Kind, c.Code
		}
	}
	for i := range s.Modalities {
		add(s.Modalities[i])
	}
	for i := range s.Series {
		add(s.Series[i].Modality)
	}
	out.only = known && !makes
	return out
}

// order is the order in which modalities of one study name it.
func order(k Kind) int {
	switch k {
	case Angiogram:
		return 0
	case CTUnknownContrast:
		return 1
	case MR:
		return 2
	case DuplexLimited:
		return 3
	case Radiograph:
		return 4
	case OtherImaging:
		return 5
	}
	return 6
}

// checked holds what a code says against the images and fills in the region.
func (b *Book) checked(out Imaging, rule Rule, s Study, seen images) (Imaging, Rule, bool) {
	if f := out.Kind.family(); f != "" && seen.kind != KindUnknown && f != seen.kind.family() {
		out, rule = contradicted(out, rule, seen)
	}
	if out.Covers != 0 || out.Never {
		return out, rule, true
	}
	if t, from := b.shown(s.Series); t != 0 {
		out.Covers, rule.Weak = implied(out.Kind, t), true
		rule.How += ", body site " + from
	} else if out.Ask == "" {
		out.Ask = "which part of the body does the study show?"
	}
	return out, rule, true
}

// contradicted is what is left of a code that the images do not bear out. A
// scanned outside study (OT) may be anything; else the images decide the kind.
func contradicted(out Imaging, rule Rule, seen images) (Imaging, Rule) {
	if seen.kind == OtherImaging && seen.ask != "" {
		out.Kind, out.Ask = demoted(out.Kind), seen.ask
		return out, rule
	}
	rule.Clash = rule.How + " and modality " + seen.from + " say different things"
	out.Ask = "the code says " + out.Kind.String() + ", the images are " + seen.from + ": what was done?"
	if out.Kind = seen.kind; out.Covers&(Abdomen|Neck) != 0 && implied(out.Kind, Abdomen) == Abdomen {
		out.Covers &^= Renal | Visceral | Carotid // these were implied by a CT or MR
	}
	return out, rule
}

// demoted is what is left of a kind when the images cannot confirm it.
func demoted(k Kind) Kind {
	switch k.family() {
	case "CT":
		return CTUnknownContrast
	case "MR":
		return MR
	case "US":
		return DuplexLimited
	}
	return k
}

// shown joins the body sites of all series, and says which told something.
func (b *Book) shown(series []Series) (Territory, string) {
	var t Territory
	from := ""
	for i := range series {
		c := series[i].Site
		site, _, ok := b.BodySite(c.System, c.Code)
		if !ok && c.Text != "" {
			site, _, ok = b.BodySite("", c.Text)
		}
		if !ok || site.Covers == 0 || t.Has(site.Covers) {
			continue
		}
		t |= site.Covers
		from = strings.TrimPrefix(from+"+"+firstWord(c.Code, c.Text), "+")
	}
	return t, from
}

func firstWord(words ...string) string {
	for _, w := range words {
		if w != "" {
			return w
		}
	}
	return ""
}

// bySeries decides by modality and body site, then lets a pattern on text say
// more where the modality leaves it open.
func (b *Book) bySeries(s Study, seen images) (Imaging, Rule, bool) {
	textual, textRule, told := b.studyText(s)
	if seen.kind == KindUnknown {
		return textual, textRule, told
	}
	out := Imaging{Kind: seen.kind, Ask: seen.ask}
	rule := Rule{How: "modality " + seen.from, Weak: true}
	if t, from := b.shown(s.Series); t != 0 {
		out.Covers = implied(out.Kind, t)
		rule.How += ", body site " + from
	}
	if told && (out.Kind.vague() || out.Covers == 0) {
		return refine(out, rule, textual, textRule)
	}
	settled := out.Kind == Radiograph || out.Kind == Angiogram || out.Kind == OtherImaging && out.Ask == ""
	return out, rule, settled || out.Covers != 0 && out.Kind != OtherImaging
}

// refine lets the text tell what the modality leaves open, if it is about the
// same machine; otherwise it is a contradiction.
func refine(out Imaging, rule Rule, textual Imaging, textRule Rule) (Imaging, Rule, bool) {
	if f := textual.Kind.family(); f != "" && f != out.Kind.family() {
		rule.Clash = textRule.How + " and " + rule.How + " say different things"
		return out, rule, out.Covers != 0
	}
	if textual.Kind == KindUnknown {
		textual.Kind = out.Kind
	}
	if textual.Covers == 0 {
		textual.Covers = out.Covers
	}
	if textual.Ask == "" {
		textual.Ask = out.Ask
	}
	textRule.How += " (" + rule.How + ")"
	return textual, textRule, true
}

// studyText tries the patterns on all texts of a study, the study's own first.
func (b *Book) studyText(s Study) (Imaging, Rule, bool) {
	if len(b.imaging.texts) == 0 {
		return Imaging{}, Rule{}, false
	}
	if i, r, ok := findText(&b.imaging, nil, s.Text); ok {
		return i, r, true
	}
	for _, list := range [2][]Concept{s.Procedure, s.Order} {
		for _, c := range list {
			if i, r, ok := findText(&b.imaging, c.Codings, c.Text); ok {
				return i, r, true
			}
		}
	}
	for _, x := range s.Series {
		if i, r, ok := findText(&b.imaging, nil, x.Text); ok {
			return i, r, true
		}
	}
	return Imaging{}, Rule{}, false
}
