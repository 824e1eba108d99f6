package codes

import (
	"slices"

	"perennial/internal/yamldoc"
)

// readOperation reads role, class, zone, side and ask.
func readOperation(s *yamldoc.Section) Operation {
	o := Operation{
		Role:  Role(s.NeedOneOf("role", names(Roles())...)),
		Class: Class(s.OneOf("class", names(Classes())...)),
		Zone:  Zone(s.OneOf("zone", names(Zones())...)),
		Side:  readSide(s),
		Ask:   s.Text("ask"),
	}
	if o.Zone == "" {
		o.Zone = o.Class.Zone()
	}
	if o.Class == "" && (o.Role == RoleImplant || o.Role == RoleHistory) && !s.Has("class") {
		s.Report("", "an implant has a class; unknown, where the code does not tell it")
	}
	if o.Side != "" && o.Zone != "" && !o.Zone.Sided() {
		s.Report("side", "the zone %s has no sides", o.Zone)
	}
	return o
}

func readSide(s *yamldoc.Section) Side {
	return Side(s.OneOf("side", string(Left), string(Right), string(Bilateral)))
}

// readDevice reads role, class, zone and ask.
func readDevice(s *yamldoc.Section) Device {
	d := Device{
		Role:  Role(s.NeedOneOf("role", string(RoleImplant), string(RoleOcclusion), string(RoleNone))),
		Class: Class(s.OneOf("class", names(Classes())...)),
		Zone:  Zone(s.OneOf("zone", names(Zones())...)),
		Ask:   s.Text("ask"),
	}
	if d.Zone == "" {
		d.Zone = d.Class.Zone()
	}
	if d.Class == "" && d.Role == RoleImplant && !s.Has("class") {
		s.Report("", "an implant has a class; unknown, where the type does not tell it")
	}
	return d
}

// readKind reads the word for a kind of imaging.
func readKind(s *yamldoc.Section, key string) Kind {
	word := s.OneOf(key, kindNames()[1:]...)
	return Kind(max(0, slices.Index(kindNames(), word)))
}

// readTerritory reads a list of regions; whole-aorta and whole-body are short
// for several.
func readTerritory(s *yamldoc.Section, key string) Territory {
	var t Territory
	for _, w := range s.SomeOf(key, append(Territories(), "whole-aorta", "whole-body")...) {
		switch w {
		case "whole-aorta":
			t |= Arch | Chest | Abdomen | Pelvis
		case "whole-body":
			t |= Head | Neck | Arch | Chest | Abdomen | Pelvis | Legs
		default:
			t |= 1 << slices.Index(Territories(), w)
		}
	}
	return t
}

// readImaging reads kind, covers, never and ask.
func readImaging(s *yamldoc.Section) Imaging {
	i := Imaging{Kind: readKind(s, "kind"), Never: s.Bool("never", false), Ask: s.Text("ask")}
	if !s.Has("kind") {
		s.Report("", "kind is missing; one of the kinds of imaging is expected")
	}
	i.Covers = implied(i.Kind, readTerritory(s, "covers"))
	return i
}

// readModality reads kind, image and ask.
func readModality(s *yamldoc.Section) Modality {
	m := Modality{Kind: readKind(s, "kind"), Image: s.Bool("image", true), Ask: s.Text("ask")}
	if m.Image == (m.Kind == KindUnknown) {
		s.Report("", "a modality that makes images has a kind, another (image: no) has none")
	}
	return m
}

// readFinding reads finding, leak, measure, answer, where and ask.
func readFinding(s *yamldoc.Section) Finding {
	f := Finding{
		What:    What(s.NeedOneOf("finding", names(Whats())...)),
		Leak:    Leak(s.OneOf("leak", names(Leaks())...)),
		Measure: s.Text("measure"),
		Answer:  Answer(s.OneOf("answer", names(Answers())...)),
		Where:   readTerritory(s, "where"),
		Ask:     s.Text("ask"),
	}
	if f.Leak != "" && f.What != Endoleak {
		s.Report("leak", "only an endoleak has a type of leak")
	}
	if f.Measure != "" && f.What != SacDiameter {
		s.Report("measure", "only a sac-diameter has a measure")
	}
	return f
}

// readSite reads covers, zone and side.
func readSite(s *yamldoc.Section) Site {
	return Site{Covers: readTerritory(s, "covers"), Zone: Zone(s.OneOf("zone", names(Zones())...)), Side: readSide(s)}
}

// readLab reads lab, unit and equation.
func readLab(s *yamldoc.Section) Lab {
	return Lab{
		What:     s.NeedOneOf("lab", "creatinine", "egfr", "dlp", "dlp-part"),
		Unit:     s.NeedOneOf("unit", "mg/dL", "umol/L", "mL/min/{1.73_m2}", "mGy.cm"),
		Equation: s.OneOf("equation", "ckd-epi-2021", "ckd-epi-2009", "mdrd"),
	}
}

// readService reads imaging, kind, covers, never and ask.
func readService(s *yamldoc.Section) Service {
	v := Service{Imaging: s.Bool("imaging", true)}
	v.Study = Imaging{Kind: readKind(s, "kind"), Never: s.Bool("never", false), Ask: s.Text("ask")}
	v.Study.Covers = implied(v.Study.Kind, readTerritory(s, "covers"))
	return v
}
