package demo

import (
	"fmt"
	"strings"

	"perennial/internal/day"
	"perennial/internal/fhir"
)

// Systems of codes, as the standards write them.
const (
	snomed   = "http://snomed.info/sct"
	loinc    = "http://loinc.org"
	cpt      = "http://www.ama-assn.org/go/cpt"
	icd10pcs = "http://www.cms.gov/Medicare/Coding/ICD10"
	dcm      = "http://dicom.nema.org/resources/ontology/DCM"
	own      = "urn:perennial:codes"
	ucum     = "http://unitsofmeasure.org"
	hl7      = "http://terminology.hl7.org/CodeSystem/"
)

// scribe writes down one life. The id of each resource is made of the record
// number, so that a change to one life leaves the ids of the others alone.
type scribe struct {
	*person
	id    string // of the patient's resource
	owner string // of the resource that the operation is on: another one for a merged record
	out   []fhir.Resource
	count map[string]int

	rulings []ruling // decisions about what is written
}

// say gives the resources of one person.
func say(p *person) []fhir.Resource { return write(p).out }

// write writes down one life. Call it once for each life: it draws from the dice.
func write(p *person) *scribe {
	id := strings.ToLower(recordNumber(p.number))
	s := &scribe{person: p, id: id, owner: id, count: map[string]int{}}
	if p.odd == merged {
		s.owner = id + "-old"
	}
	s.patients()
	if p.class != none {
		s.diagnosis()
		s.allOperations()
	}
	s.allScans()
	s.visits()
	s.letters()
	s.kidneys()
	return s
}

// add keeps a resource and fills its header; an id that is empty is made.
func (s *scribe) add(r fhir.Resource, typ, id string, on day.Day) string {
	if id == "" {
		s.count[typ]++
		id = fmt.Sprintf("%s-%d", s.id, s.count[typ])
	}
	h := r.Head()
	h.ResourceType, h.ID = typ, id
	h.Meta = fhir.Meta{VersionID: "1", LastUpdated: min(on, s.asOf).String() + "T13:50:00Z"}
	s.out = append(s.out, r)
	return typ + "/" + id
}

// noon is a time near noon on a day.
func (s *scribe) noon(on day.Day) string {
	return fmt.Sprintf("%sT%02d:%02d:00Z", on, 10+s.dice.below(3), s.dice.below(12)*5)
}

func ref(to string) fhir.Reference { return fhir.Reference{Reference: to} }

func (s *scribe) subject() fhir.Reference { return ref("Patient/" + s.id) }

func coding(system, code string) fhir.Coding { return fhir.Coding{System: system, Code: code} }

func concept(text string, codings ...fhir.Coding) fhir.CodeableConcept {
	return fhir.CodeableConcept{Coding: codings, Text: text}
}

// patients writes the record, and the older one that it replaces.
func (s *scribe) patients() {
	yes, no := true, false
	p := &fhir.Patient{Active: &yes, Gender: "male", BirthDate: s.born.String(),
		Identifier: []fhir.Identifier{{Use: "usual", System: RecordSystem, Value: recordNumber(s.number)}},
		Name:       []fhir.HumanName{{Use: "official", Family: s.family, Given: []string{s.given}}}}
	if s.female {
		p.Gender = "female"
	}
	if s.dice.chance(0.95) {
		p.Telecom = []fhir.ContactPoint{{System: "phone", Use: "home", Value: phoneNumber(s.dice)}}
		if s.dice.chance(0.3) {
			p.Telecom = append(p.Telecom, fhir.ContactPoint{System: "phone", Use: "mobile", Value: phoneNumber(s.dice)})
		}
	}
	changed := s.indexOn
	switch {
	case s.death == 0:
	case s.odd == bareDeath:
		p.DeceasedBoolean = &yes
	case s.odd == deathMonth:
		p.DeceasedDateTime = s.death.String()[:7]
	default:
		p.DeceasedDateTime = s.death.String()
	}
	if s.odd == merged {
		changed = s.asOf.Plus(-s.dice.between(10, 60))
		older := *p
		older.Active, older.Telecom = &no, nil
		older.Identifier = []fhir.Identifier{{Use: "old", System: RecordSystem, Value: recordNumber(s.number + 90000)}}
		older.Link = []fhir.PatientLink{{Other: s.subject(), Type: "replaced-by"}}
		p.Link = []fhir.PatientLink{{Other: ref("Patient/" + s.owner), Type: "replaces"}}
		s.add(&older, "Patient", s.owner, changed)
	}
	s.add(p, "Patient", s.id, max(changed, s.death))
}

// diagnosis writes why the operation was done, and for some an allergy and the
// part in a study.
func (s *scribe) diagnosis() {
	code, text := "233985008", "Aneurysm of the abdominal aorta"
	switch {
	case s.dissection:
		code, text = "308546005", "Dissection of the aorta"
	case s.class == tevar:
		code, text = "433068007", "Aneurysm of the thoracic aorta"
	case s.class == branched:
		code, text = "233984007", "Thoracoabdominal aneurysm"
	case s.class == carotid:
		return
	}
	before := s.indexOn.Plus(-s.dice.between(5, 90))
	s.condition(concept(text, coding(snomed, code)), before)
	if s.odd == historyOnly {
		s.condition(concept("Status after a stent graft of the abdominal aorta, done elsewhere", coding(snomed, "139941000119104")), s.asOf.Plus(-s.dice.between(30, 400)))
	}
	s.medicine(before)
	if s.dice.chance(0.035) {
		s.allergy(before)
	}
	if s.odd == enrolled {
		s.study()
	}
}

func (s *scribe) condition(code fhir.CodeableConcept, on day.Day) {
	s.add(&fhir.Condition{ClinicalStatus: concept("", coding(hl7+"condition-clinical", "active")),
		VerificationStatus: concept("", coding(hl7+"condition-ver-status", "confirmed")),
		Code:               code, Subject: s.subject(), RecordedDate: on.String()}, "Condition", "", on)
}

func (s *scribe) allergy(on day.Day) {
	a := &fhir.AllergyIntolerance{ClinicalStatus: concept("", coding(hl7+"allergyintolerance-clinical", "active")),
		VerificationStatus: concept("", coding(hl7+"allergyintolerance-verification", "confirmed")),
		Type:               "allergy", Category: []string{"medication"}, Criticality: "low", Code: concept("Contrast medium", coding(snomed, "293637006")),
		Patient: s.subject(), RecordedDate: on.String()}
	if s.dice.chance(0.3) {
		a.Criticality = "high"
	}
	s.add(a, "AllergyIntolerance", "", on)
}

// study writes the part in a study of an invented device.
func (s *scribe) study() {
	r := &fhir.ResearchSubject{Status: "on-study", Individual: s.subject(), Period: fhir.Period{Start: s.indexOn.Plus(-3).String()},
		Study: fhir.Reference{Type: "ResearchStudy", Identifier: &fhir.Identifier{System: StudySystem, Value: studyNumber}, Display: StudyName}}
	changed := s.indexOn
	if left := s.indexOn.Plus(s.dice.between(200, 1200)); left <= s.asOf && s.dice.chance(0.25) {
		r.Status, r.Period.End, changed = "withdrawn", left.String(), left
	}
	s.add(r, "ResearchSubject", "", changed)
}

// kidneys writes creatinine values, old and new; about one person in twelve has
// weak kidneys.
func (s *scribe) kidneys() {
	if !s.class.graft() || s.dice.chance(0.3) {
		return
	}
	level := s.dice.between(70, 130)
	if s.dice.chance(0.08) {
		level = s.dice.between(180, 260)
	}
	on := s.end().Plus(-s.dice.between(8, 700))
	if len(s.attempts) > 2 {
		on = min(on, s.gone.Plus(-100)) // who cannot be found gives no blood
	}
	for range s.dice.between(1, 3) {
		if on < s.indexOn.Plus(-30) {
			return
		}
		s.creatinine(on, level+s.dice.between(-8, 8))
		on = on.Plus(-s.dice.between(150, 400))
	}
}

// creatinine writes one value, given in hundredths of mg/dL; a fifth is sent in
// micromoles.
func (s *scribe) creatinine(on day.Day, hundredths int) {
	code, value, unit := "2160-0", fmt.Sprintf("%d.%02d", hundredths/100, hundredths%100), "mg/dL"
	if s.dice.chance(0.2) {
		code, value, unit = "14682-9", fmt.Sprint(hundredths*884/1000), "umol/L"
	}
	s.add(&fhir.Observation{Status: "final", Category: []fhir.CodeableConcept{concept("", coding(hl7+"observation-category", "laboratory"))},
		Code: concept("Creatinine", coding(loinc, code)), Subject: s.subject(), EffectiveDateTime: s.noon(on),
		Value: fhir.Value{ValueQuantity: &fhir.Quantity{Value: fhir.Decimal(value), Unit: unit, System: ucum, Code: unit}}}, "Observation", "", on)
}
