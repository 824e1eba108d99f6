package demo

import (
	"fmt"

	"perennial/internal/day"
	"perennial/internal/fhir"
)

// CPT numbers are written without their text: only numbers may be shipped.

// allOperations writes the operations with their devices and stays in hospital.
func (s *scribe) allOperations() {
	switch s.odd {
	case historyOnly:
		return
	case deviceOnly:
		s.device(1, s.indexOn, s.asOf.Plus(-40))
		return
	}
	for _, o := range s.operations {
		if o.kind == index {
			s.implant(o.on)
		} else {
			s.redo(o)
		}
		s.stay(o.on)
	}
}

// implantCode is the code of the index operation and our words for it.
func (c class) implantCode() (code, text string) {
	switch c {
	case evar:
		return "34705", "Stent graft of the abdominal aorta, bifurcated"
	case tevar:
		return "33881", "Stent graft of the descending thoracic aorta"
	case branched:
		return "34845", "Fenestrated stent graft of the abdominal aorta"
	case open:
		return "35081", "Open repair of the abdominal aorta"
	}
	return "37215", "Stent of the carotid artery"
}

// site is the code of the body site of a class and its words.
func (c class) site() (code, text string) {
	switch c {
	case tevar:
		return "113262008", "Thoracic aorta"
	case carotid:
		return "69105007", "Carotid artery"
	}
	return "7832008", "Abdominal aorta"
}

// implant writes the index operation. About one in seven is billed a second time
// in another system.
func (s *scribe) implant(on day.Day) {
	code, text := s.class.implantCode()
	site, place := s.class.site()
	if s.class == carotid && s.odd != sideless {
		place += ", right"
		if s.left {
			place = place[:len(place)-len("right")] + "left"
		}
	}
	performed := s.noon(on)
	switch s.odd {
	case monthOnly:
		performed = on.String()[:7]
	case yearOnly:
		performed = on.String()[:4]
	}
	p := s.procedure(concept(text, coding(cpt, code)), concept(place, coding(snomed, site)), performed)
	p.Subject = ref("Patient/" + s.owner)
	for model := range s.class.parts() {
		p.FocalDevice = append(p.FocalDevice, fhir.FocalDevice{Manipulated: ref(s.device(model+1, on, on))})
	}
	s.add(p, "Procedure", "", on)
	pcs := map[class]string{evar: "04V03DZ", tevar: "02VW3DZ", branched: "04V03EZ"}[s.class]
	if pcs != "" && s.odd == ordinary && s.dice.chance(0.14) {
		s.add(s.procedure(concept(text, coding(icd10pcs, pcs)), concept(place, coding(snomed, site)), on.String()), "Procedure", "", on.Plus(2))
	}
}

// procedure is a completed operation.
func (s *scribe) procedure(code, site fhir.CodeableConcept, performed string) *fhir.Procedure {
	return &fhir.Procedure{Status: "completed", Code: code, Subject: s.subject(), PerformedDateTime: performed,
		Performer: []fhir.Performer{{Actor: fhir.Reference{Display: Unit}}}, BodySite: []fhir.CodeableConcept{site}}
}

// redo writes a re-intervention or an open conversion.
func (s *scribe) redo(o operation) {
	code, text := "34710", "Extension of a stent graft of the abdominal aorta"
	switch {
	case o.kind == conversion:
		code, text = "34830", "Open operation after a stent graft"
	case o.kind == coils:
		code, text = "37242", "Embolisation for an endoleak"
	case s.class == tevar:
		code, text = "33886", "Extension of a stent graft of the thoracic aorta"
	}
	site, place := s.class.site()
	p := s.procedure(concept(text, coding(cpt, code)), concept(place, coding(snomed, site)), s.noon(o.on))
	if o.kind == coils {
		p.FocalDevice = []fhir.FocalDevice{{Manipulated: ref(s.device(coilModel, o.on, o.on))}}
	}
	s.add(p, "Procedure", "", o.on)
}

// parts is how many devices one implant has.
func (c class) parts() int {
	if c == evar || c == branched {
		return 3 // the body and two limbs
	}
	return 1
}

const coilModel = 9

// modelOf gives the number of a model, its name and what type of device it is.
// All are invented.
func (c class) modelOf(part int) (number int, name, kind string) {
	switch {
	case part == coilModel:
		return 90, "Harbour coil, model C", "Coil"
	case part > 1:
		return 20, "Harbour limb, model L", "Stent graft, limb"
	case c == tevar:
		return 30, "Harbour thoracic graft, model T", "Stent graft, thoracic"
	case c == branched:
		return 40, "Harbour branched graft, model F", "Stent graft, branched"
	case c == open:
		return 50, "Harbour tube graft, model P", "Vascular graft of cloth"
	case c == carotid:
		return 60, "Harbour neck stent, model N", "Stent"
	}
	return 10, "Harbour graft, model A", "Stent graft, abdominal"
}

// device writes one part with a GS1 label and gives its reference.
func (s *scribe) device(part int, implanted, recorded day.Day) string {
	number, name, kind := s.class.modelOf(part)
	made := implanted.Plus(-s.dice.between(60, 400))
	expires := made.Add(day.Offset{Months: 36})
	year, month, _ := made.Civil()
	lot, serial := fmt.Sprintf("HG%02d%02d%c", year%100, month, 'A'+rune(s.dice.below(6))), fmt.Sprintf("%07d", s.dice.below(10_000_000))
	y, m, d := expires.Civil()
	printed := fmt.Sprintf("(01)%s(17)%02d%02d%02d(10)%s(21)%s", gtin(number), y%100, m, d, lot, serial)
	typ := concept(kind)
	switch part {
	case coilModel:
		typ.Coding = []fhir.Coding{coding(snomed, "102314001")}
	default:
		if s.class == carotid {
			typ.Coding = []fhir.Coding{coding(snomed, "65818007")}
		}
	}
	return s.add(&fhir.Device{Status: "active", Manufacturer: "Harbour Grafts (invented)", LotNumber: lot, SerialNumber: serial,
		ManufactureDate: made.String(), ExpirationDate: expires.String(), Type: typ, Patient: ref("Patient/" + s.owner),
		Safety:     s.label(part),
		DeviceName: []fhir.DeviceName{{Name: name, Type: "user-friendly-name"}},
		UDICarrier: []fhir.UDICarrier{{DeviceIdentifier: gtin(number), Issuer: "http://hl7.org/fhir/NamingSystem/gs1-di",
			Jurisdiction: "http://hl7.org/fhir/NamingSystem/fda-udi", CarrierHRF: printed, EntryType: "barcode"}}}, "Device", "", recorded)
}

// stay writes the days in hospital.
func (s *scribe) stay(on day.Day) {
	out := on.Plus(s.dice.between(2, 6))
	e := &fhir.Encounter{Status: "finished", Class: coding(hl7+"v3-ActCode", "IMP"), Subject: s.subject(),
		ServiceType: concept("Vascular surgery"), Period: fhir.Period{Start: on.String(), End: out.String()}}
	switch {
	case s.death > 0 && out > s.death:
		e.Period.End = s.death.String()
	case out > s.asOf:
		e.Status, e.Period.End = "in-progress", ""
	}
	if s.odd == monthOnly || s.odd == yearOnly {
		return // who knows the stay would know the date
	}
	s.add(e, "Encounter", "", out)
}
