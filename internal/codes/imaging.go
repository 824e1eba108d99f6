package codes

// Kind is what an imaging examination is.
type Kind uint8

// The kinds. The zero Kind is not known.
const (
	KindUnknown Kind = iota
	CTAngiogram
	CTContrast        // contrast, arterial phase not told
	CTPlain           // without contrast
	CTUnknownContrast // contrast not told
	MRAngiogram
	MR
	Duplex        // a duplex examination that its code calls complete, or does not call limited
	DuplexLimited // limited, or ultrasound of which a duplex is not told
	Radiograph
	Angiogram // catheter angiogram or fluoroscopy in the theatre
	OtherImaging
)

// kindNames gives the names in protocols and output, in the order of the constants.
func kindNames() []string {
	return []string{"unknown", "ct-angiogram", "ct-contrast", "ct-plain", "ct-unknown-contrast", "mr-angiogram", "mr",
		"duplex", "duplex-limited", "radiograph", "angiogram", "other"}
}

// String gives the name that protocols and outputs use.
func (k Kind) String() string {
	if n := kindNames(); int(k) < len(n) {
		return n[k]
	}
	return "unknown"
}

// family is the machine that makes a kind, by its DICOM modality; empty where
// none is certain.
func (k Kind) family() string {
	switch k {
	case CTAngiogram, CTContrast, CTPlain, CTUnknownContrast:
		return "CT"
	case MRAngiogram, MR:
		return "MR"
	case Duplex, DuplexLimited:
		return "US"
	case Radiograph:
		return "DX"
	case Angiogram:
		return "XA"
	}
	return ""
}

// vague says whether a kind leaves open what a pattern on text may still tell.
func (k Kind) vague() bool { return k == CTUnknownContrast || k == MR || k == DuplexLimited }

// Territory is a set of body regions that a study shows.
type Territory uint16

// The regions.
const (
	Head    Territory = 1 << iota
	Neck              // the arteries of the neck
	Arch              // ascending aorta and aortic arch
	Chest             // descending thoracic aorta to the celiac axis
	Abdomen           // celiac axis to the aortic bifurcation
	Pelvis            // iliac arteries to the femoral heads
	Legs              // femoral arteries to the feet
	Heart
	Arm
	Renal    // renal arteries
	Visceral // celiac and mesenteric arteries
	Carotid
)

// Territories are the names of the regions, in the order of the bits.
func Territories() []string {
	return []string{"head", "neck", "arch", "chest", "abdomen", "pelvis", "legs", "heart", "arm", "renal", "visceral", "carotid"}
}

// Has says whether all of need is in t.
func (t Territory) Has(need Territory) bool { return t&need == need }

// String lists the regions joined by "+"; empty for none.
func (t Territory) String() string {
	out := ""
	for i, n := range Territories() {
		if t&(1<<i) == 0 {
			continue
		}
		if out != "" {
			out += "+"
		}
		out += n
	}
	return out
}

// implied adds the arteries that lie in a region which a CT or MR shows whole.
// An ultrasound of the abdominal aorta does not show the renal arteries.
func implied(k Kind, t Territory) Territory {
	if f := k.family(); f != "CT" && f != "MR" {
		return t
	}
	if t&Abdomen != 0 {
		t |= Renal | Visceral
	}
	if t&Neck != 0 {
		t |= Carotid
	}
	return t
}

// Imaging is what an examination is and shows.
type Imaging struct {
	Kind     Kind
	Covers   Territory // zero: the region is not told
	Never    bool      // never satisfies a visit: coronary CT, pulmonary CTA, head, screening
	NonImage bool      // only reports, key objects and the like: no imaging, whatever its code (by Study only)
	Ask      string    // what a person must be asked
}

// Modality is what a DICOM modality code tells.
type Modality struct {
	Kind  Kind   // the most that the modality alone tells; KindUnknown for non-image series
	Image bool   // it makes images; false for SR, PR, KO, SEG, DOC, REG
	Ask   string // OT: may be a scanned outside study
}

// mergeImaging joins two readings of one concept: the more exact where they
// agree, the lesser where they do not. false: they contradict each other.
func mergeImaging(a, b Imaging) (Imaging, bool) {
	out, agree := a, true
	out.Kind, agree = mergeKind(a.Kind, b.Kind)
	if out.Covers = a.Covers & b.Covers; a.Covers == 0 || b.Covers == 0 {
		out.Covers = a.Covers | b.Covers
	} else if out.Covers == 0 {
		agree = false
	}
	out.Never = a.Never || b.Never
	if out.Ask == "" {
		out.Ask = b.Ask
	}
	if !agree {
		out.Ask = "the codes of the study contradict each other: what was done?"
	}
	return out, agree && a.Never == b.Never
}

// mergeKind is the kind that two codes for one examination leave.
func mergeKind(a, b Kind) (Kind, bool) {
	switch {
	case a == b:
		return a, true
	case a == OtherImaging || a == KindUnknown:
		return b, true
	case b == OtherImaging || b == KindUnknown:
		return a, true
	case a.family() != b.family():
		return OtherImaging, false
	case a.family() == "US":
		return DuplexLimited, true
	case a.family() == "MR":
		return MRAngiogram, true
	case a == CTUnknownContrast:
		return b, true
	case b == CTUnknownContrast:
		return a, true
	case a == CTPlain || b == CTPlain:
		return CTUnknownContrast, false
	}
	return CTAngiogram, true
}
