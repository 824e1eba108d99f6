package codes

// Book is a loaded code book. It never changes; any number of goroutines may
// use it. The zero Book knows nothing; make one with Load.
type Book struct {
	systems    systems
	operations domain[Operation]
	devices    domain[Device]
	imaging    domain[Imaging]
	modalities domain[Modality]
	findings   domain[Finding]
	answers    domain[Answer]
	sites      domain[Site]
	labs       domain[Lab]
	services   domain[Service]
	categories domain[Service]
	channels   domain[Channel]
	remarks    domain[Finding]
	entries    []Entry
	hash       string
}

// Hash identifies the content of all documents that the book was made of, as
// 64 hexadecimal digits: it goes into the basis of every plan.
func (b *Book) Hash() string { return b.hash }

// Entry is one code of the book, for listings and reviews.
type Entry struct {
	On         string // operation, device, imaging, …
	System     string // short name or URI; empty where the site's map has none
	Code       string
	Means      string // in our own words
	Source     string // where the meaning was read, or that it is from memory
	VerifiedBy string // who checked it against the licensed original
	VerifiedOn string // YYYY-MM-DD; empty where not yet verified
	Site       bool   // of the site's map
	File       string
	Line       int
}

// Entries lists every code in force in the order of the documents. Patterns of
// codes are listed code by code.
func (b *Book) Entries() []Entry { return append([]Entry(nil), b.entries...) }

// Operation tells what a Procedure's code means. A code that the book knows
// only as imaging gives RoleImaging.
func (b *Book) Operation(cs []Coding, text string) (Operation, Rule, bool) {
	if o, r, ok := find(&b.operations, b, cs, mergeOperation); ok {
		return o, r, true
	}
	if _, r, ok := find(&b.imaging, b, cs, mergeImaging); ok {
		return Operation{Role: RoleImaging}, r, true
	}
	return findText(&b.operations, cs, text)
}

// Imaging tells what one concept (a procedureCode, the code of an order, a
// report or a service) examines.
func (b *Book) Imaging(cs []Coding, text string) (Imaging, Rule, bool) {
	if i, r, ok := find(&b.imaging, b, cs, mergeImaging); ok {
		return i, r, true
	}
	return findText(&b.imaging, cs, text)
}

// Device tells what a Device.type means.
func (b *Book) Device(cs []Coding, text string) (Device, Rule, bool) {
	if d, r, ok := find(&b.devices, b, cs, firstOf[Device]); ok {
		return d, r, true
	}
	return findText(&b.devices, cs, text)
}

// Finding tells what an Observation.code, a conclusionCode, or the code of a
// Condition or AllergyIntolerance says.
func (b *Book) Finding(cs []Coding, text string) (Finding, Rule, bool) {
	if f, r, ok := find(&b.findings, b, cs, firstOf[Finding]); ok {
		return f, r, true
	}
	return findText(&b.findings, cs, text)
}

// Remark tells whether the text of a report looks like a finding. It is only
// ever a reason to ask a person: free text changes no schedule.
func (b *Book) Remark(text string) (Finding, Rule, bool) {
	return findText(&b.remarks, nil, text)
}

// Answer tells a coded or plainly worded value: present, absent, patent …
func (b *Book) Answer(cs []Coding, text string) (Answer, Rule, bool) {
	if a, r, ok := find(&b.answers, b, cs, firstOf[Answer]); ok {
		return a, r, true
	}
	if a, ok := ParseAnswer(text); ok {
		return a, Rule{How: "plain word"}, true
	}
	return "", Rule{}, false
}

// Lab tells what a laboratory code measures.
func (b *Book) Lab(cs []Coding) (Lab, Rule, bool) {
	return find(&b.labs, b, cs, firstOf[Lab])
}

// BodySite tells what a body site code or a DICOM Body Part Examined word
// (under no or any local system) shows. Weak wherever the system is not known.
func (b *Book) BodySite(system, code string) (Site, Rule, bool) {
	s := b.sites.look(b, system, code)
	if s == nil && system != "" {
		s = b.sites.look(b, "", code)
	}
	if s == nil {
		return Site{}, Rule{}, false
	}
	return s.what, s.rule, true
}

// Modality tells what a DICOM modality code says. The system is not looked at:
// many senders have it wrong, and within an ImagingStudy the code is enough.
func (b *Book) Modality(c Coding) (Modality, bool) {
	if s := b.modalities.look(b, "", c.Code); s != nil {
		return s.what, true
	}
	return Modality{}, false
}

// Service tells what an Appointment's serviceType, reasonCode or description is
// for. A code known as imaging is a service for that imaging.
func (b *Book) Service(cs []Coding, text string) (Service, Rule, bool) {
	if i, r, ok := find(&b.imaging, b, cs, mergeImaging); ok {
		return Service{Imaging: true, Study: i}, r, true
	}
	if s, r, ok := find(&b.services, b, cs, firstOf[Service]); ok {
		return s, r, true
	}
	if s, r, ok := findText(&b.services, cs, text); ok {
		return s, r, true
	}
	if i, r, ok := findText(&b.imaging, cs, text); ok {
		return Service{Imaging: true, Study: i}, r, true
	}
	return Service{}, Rule{}, false
}

// Category tells whether a DiagnosticReport or DocumentReference category is
// imaging.
func (b *Book) Category(cs []Coding) (Service, Rule, bool) {
	return find(&b.categories, b, cs, firstOf[Service])
}

// Channel tells the way of a Communication from its medium.
func (b *Book) Channel(cs []Coding) (Channel, Rule, bool) {
	return find(&b.channels, b, cs, firstOf[Channel])
}

// Ranks of slots: the higher decides.
const (
	rankBare        = iota // code without a system
	rankSiteBare           // the same, of the site's map
	rankPattern            // shipped pattern of codes
	rankCode               // shipped code
	rankSitePattern        // the site's pattern of codes
	rankSite               // the site's code
)

// slot is one meaning of one code under one system.
type slot[T comparable] struct {
	system systemID
	rank   int8
	what   T
	rule   Rule
}

// domain is the part of the book for one kind of concept.
type domain[T comparable] struct {
	codes map[string][]slot[T] // by code; the slots of a code by rank, highest first
	texts []textRule[T]        // the site's first
}

// textRule is a pattern on text.
type textRule[T comparable] struct {
	match  *pattern
	unless *pattern // may be nil
	what   T
	rule   Rule
}

func (t *textRule[T]) fits(s *searched) bool {
	return s.text != "" && t.match.fits(s) && (t.unless == nil || !t.unless.fits(s))
}

// look finds the meaning of one code; nil where there is none. The pointer is
// into the book and must not be written through.
func (d *domain[T]) look(b *Book, system, code string) *slot[T] {
	slots := d.codes[code]
	if slots == nil {
		var buf [maxTidy]byte
		tidy, ok := tidyCode(buf[:0], code)
		if !ok {
			return nil
		}
		if slots = d.codes[string(tidy)]; slots == nil {
			return nil
		}
	}
	id := b.systems.id(system)
	for i := range slots {
		if slots[i].system == id {
			return &slots[i]
		}
	}
	return nil
}

// find joins what the codings of one concept say. A higher rank decides alone;
// equals are merged.
func find[T comparable](d *domain[T], b *Book, cs []Coding, merge func(a, b T) (T, bool)) (T, Rule, bool) {
	var best *slot[T]
	var out T
	clash := ""
	for i := range cs {
		s := d.look(b, cs[i].System, cs[i].Code)
		switch {
		case s == nil || s == best:
		case best == nil || level(s.rank) > level(best.rank):
			best, out, clash = s, s.what, ""
		case level(s.rank) < level(best.rank) || s.what == out:
		default:
			merged, agree := merge(out, s.what)
			if !agree {
				clash = best.rule.How + " and " + s.rule.How + " say different things"
			}
			if out = merged; merged == s.what {
				best = s
			}
		}
	}
	if best == nil {
		return out, Rule{}, false
	}
	rule := best.rule
	rule.Clash = clash
	return out, rule, true
}

// level is what of a rank counts between different codings of a concept.
func level(rank int8) int8 {
	switch {
	case rank >= rankSitePattern:
		return 2
	case rank >= rankPattern:
		return 1
	}
	return 0
}

// firstOf keeps the first reading.
func firstOf[T comparable](a, b T) (T, bool) { return a, a == b }

// findText tries the patterns on the text, then on the displays.
func findText[T comparable](d *domain[T], cs []Coding, text string) (T, Rule, bool) {
	var none T
	if len(d.texts) == 0 {
		return none, Rule{}, false
	}
	var few [4]searched
	all := append(few[:0], search(text))
	for i := range cs {
		if cs[i].Text != text {
			all = append(all, search(cs[i].Text))
		}
	}
	for i := range d.texts {
		t := &d.texts[i]
		for j := range all {
			if t.fits(&all[j]) {
				return t.what, t.rule, true
			}
		}
	}
	return none, Rule{}, false
}
