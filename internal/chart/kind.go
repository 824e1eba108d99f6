package chart

import "strings"

// Kind is what an imaging event is.
type Kind uint8

// Kinds of imaging. The zero value is not known.
const (
	KindUnknown Kind = iota
	CTAngiogram
	CTContrast
	CTPlain
	CTUnknownContrast
	MRAngiogram
	MR
	Duplex
	DuplexLimited
	Radiograph
	Angiogram
	OtherImaging
	// RetrievalReview is no imaging: a person decides whether a filter of the
	// vena cava can come out. No study is ever one.
	RetrievalReview
)

// kindNames are the names in protocols and output, in the order of the constants.
const kindNames = "unknown ct-angiogram ct-contrast ct-plain ct-unknown-contrast mr-angiogram mr duplex duplex-limited radiograph angiogram other retrieval-review"

// String gives the name that protocols and outputs use.
func (k Kind) String() string {
	names := strings.Fields(kindNames)
	if int(k) >= len(names) {
		return "unknown"
	}
	return names[k]
}

// ParseKind reads a name; false where there is no such kind.
func ParseKind(name string) (Kind, bool) {
	for i, n := range strings.Fields(kindNames) {
		if n == name && i > 0 {
			return Kind(i), true
		}
	}
	return KindUnknown, false
}

// Kinds are the names of all kinds, for messages.
func Kinds() []string { return strings.Fields(kindNames)[1:] }

// Modality groups kinds whose measurements may be compared: ct, mr,
// ultrasound, or empty.
func (k Kind) Modality() string {
	switch k {
	case CTAngiogram, CTContrast, CTPlain, CTUnknownContrast:
		return "ct"
	case MRAngiogram, MR:
		return "mr"
	case Duplex, DuplexLimited:
		return "ultrasound"
	}
	return ""
}

// fromModality says whether imaging of the kind can come from a modality, in
// the words of Study.Modality.
func (k Kind) fromModality(modality string) bool {
	switch k {
	case Angiogram:
		return modality == "angiogram"
	case Radiograph:
		return modality == "radiograph"
	case OtherImaging:
		return true
	}
	return modality == "" || k.Modality() == modality
}

// Territory is a set of body regions that a study shows or a protocol wants.
type Territory uint16

// The regions.
const (
	Head Territory = 1 << iota
	Neck
	Arch
	Chest // the thoracic aorta down to the celiac axis
	Abdomen
	Pelvis
	Legs
	Heart
	Arm
	Renal
	Visceral
	Carotid
)

// territoryNames are the names of the regions, in the order of the bits.
const territoryNames = "head neck arch chest abdomen pelvis legs heart arm renal visceral carotid"

// ParseTerritory reads the name of one region.
func ParseTerritory(name string) (Territory, bool) {
	for i, n := range strings.Fields(territoryNames) {
		if n == name {
			return 1 << i, true
		}
	}
	return 0, false
}

// Territories are the names of all regions, for messages.
func Territories() []string { return strings.Fields(territoryNames) }

// Has says whether all of need is in t.
func (t Territory) Has(need Territory) bool { return t&need == need }

// String lists the regions, joined by "+".
func (t Territory) String() string {
	var out []string
	for i, n := range strings.Fields(territoryNames) {
		if t&(1<<i) != 0 {
			out = append(out, n)
		}
	}
	return strings.Join(out, "+")
}
