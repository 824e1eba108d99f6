package intake

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// What is read here is shown beside a scan with contrast medium, and changes no
// schedule: so plain names of substances are enough, where no code tells.

// doses reads the dose-length products of an observation and its components.
func (in *input) doses(r *fhir.Observation, own codes.Lab, on day.Span) {
	in.dose(r, own, &r.Value, on)
	for i := range r.Component {
		what, _, _ := in.m.Book.Lab(in.coded(&r.Component[i].Code))
		in.dose(r, what, &r.Component[i].Value, on)
	}
}

// dose reads one value in tenths of a mGy·cm; a unit that no rule reads is
// refused with a question.
func (in *input) dose(r *fhir.Observation, what codes.Lab, v *fhir.Value, on day.Span) {
	if !strings.HasPrefix(what.What, "dlp") || v.ValueQuantity == nil || v.ValueQuantity.Value == "" {
		return
	}
	q := v.ValueQuantity
	perUnit := doseUnit(q, what.Unit)
	tenths, whole := scaled(string(q.Value), max(perUnit, 1), 1)
	switch {
	case perUnit == 0:
		in.doubt("other", "The dose of a CT (dose-length product) has a unit that no rule reads. What was measured?", on)
		return
	case !whole || tenths <= 0 || tenths > 1000000 || q.Comparator != "":
		in.doubt("other", "The dose of a CT (dose-length product) cannot be right. What was measured?", on)
		return
	}
	in.s.Doses = append(in.s.Doses, chart.Dose{Source: in.src, Study: doseStudy(r), Tenths: tenths, Total: what.What == "dlp", On: on})
}

// doseUnit is the unit in tenths of a mGy·cm; 0 where it is not known.
func doseUnit(q *fhir.Quantity, usual string) int64 {
	unit := q.Code
	if unit == "" {
		unit = q.Unit
	}
	if unit == "" {
		unit = usual
	}
	switch strings.NewReplacer(" ", "", "·", ".", "*", ".", "⋅", ".").Replace(unit) {
	case "mGy.cm", "mGycm", "mGy-cm", "cm.mGy":
		return 10
	case "Gy.cm", "Gycm":
		return 10000
	case "mGy.m":
		return 1000
	}
	return 0
}

// doseStudy is the study that a dose is of: a dose summary names it as part of
// what, or as its focus.
func doseStudy(r *fhir.Observation) string {
	if ref := studyOf(r); ref != "" {
		return ref
	}
	for i := range r.Focus {
		if ref := r.Focus[i].Parse(); ref.Type == "ImagingStudy" {
			return ref.String()
		}
	}
	return ""
}

// taken reads that a patient takes metformin, by a statement.
func (in *input) taken(r *fhir.MedicationStatement) {
	in.of(r.Subject)
	m := in.metformin(&r.MedicationCodeableConcept, &r.MedicationReference)
	if m == nil {
		return
	}
	m.Over = r.Status == "completed" || r.Status == "stopped" || r.Status == "not-taken" || r.Status == "on-hold"
	m.On = in.on(r.EffectiveDateTime)
	if r.EffectivePeriod != nil {
		m.On, m.To = in.on(r.EffectivePeriod.Start), in.on(r.EffectivePeriod.End)
	}
	if !m.On.Known() {
		m.On = in.on(r.DateAsserted)
	}
}

// ordered reads that metformin was prescribed.
func (in *input) ordered(r *fhir.MedicationRequest) {
	in.of(r.Subject)
	if r.Intent == "proposal" || r.Intent == "option" || r.DoNotPerform != nil && *r.DoNotPerform {
		return
	}
	if m := in.metformin(&r.MedicationCodeableConcept, &r.MedicationReference); m != nil {
		m.Over = r.Status == "completed" || r.Status == "stopped" || r.Status == "cancelled" || r.Status == "on-hold" || r.Status == "draft"
		m.On = in.on(r.AuthoredOn)
	}
}

// metformin makes the fact where the medicine is metformin: by its substance in
// ATC, RxNorm or SNOMED CT, or by its international name, alone or combined.
func (in *input) metformin(c *fhir.CodeableConcept, ref *fhir.Reference) *chart.Medicine {
	rxnorm := slices.ContainsFunc(c.Coding, func(k fhir.Coding) bool { return k.Code == "6809" && strings.Contains(k.System, "rxnorm") })
	if !rxnorm && !hasCode(c, "A10BA02", "372567009", "109081006") && !names(c, ref.Display, "metformin") {
		return nil
	}
	in.s.Medicine = &chart.Medicine{Source: in.src, What: "metformin"}
	return in.s.Medicine
}

// names says whether a concept, or one more text, has one of the words.
func names(c *fhir.CodeableConcept, more string, words ...string) bool {
	texts := []string{c.Text, more}
	for i := range c.Coding {
		texts = append(texts, c.Coding[i].Display)
	}
	for _, text := range texts {
		text = strings.ToLower(text)
		for _, w := range words {
			if strings.Contains(text, w) && !strings.Contains(text, "no "+w) && !strings.Contains(text, "not "+w) && !strings.HasPrefix(text, "no ") {
				return true
			}
		}
	}
	return false
}

// contrastWords name a contrast medium in an allergy: the word itself in the
// languages that share it, and the international names of the substances.
// Iodine as such, povidone-iodine and shellfish are none, and never will be.
func contrastWords() []string {
	return append(iodinatedWords(), "contrast", "kontrast", "gado", "x-ray dye", "iv dye", "ct dye")
}

func iodinatedWords() []string {
	return []string{"iodinated contrast", "iodised contrast", "iodized contrast", "iohexol", "iodixanol", "iopamidol", "iopromid", "iomeprol", "ioversol", "iobitridol", "ioxaglat",
		"ioxitalam", "iotalam", "iothalam", "diatrizo", "amidotrizo"}
}

// agent says which sort of contrast medium the words name; empty where they
// do not tell.
func agent(c *fhir.CodeableConcept) string {
	switch iodine, gadolinium := names(c, "", iodinatedWords()...), names(c, "", "gado"); {
	case iodine && !gadolinium:
		return "iodinated"
	case gadolinium && !iodine:
		return "gadolinium"
	}
	return ""
}

// magnet is the MR safety of a device by its label (the FHIR value set
// device-safety, codes of the NCI Thesaurus). Of labels that contradict one
// another the most cautious counts.
func magnet(safety []fhir.CodeableConcept) string {
	best := ""
	for _, label := range [...][2]string{{"C106045", "safe"}, {"C106046", "conditional"}, {"C113844", "unstated"}, {"C106047", "unsafe"}} {
		for i := range safety {
			if hasCode(&safety[i], label[0]) {
				best = label[1]
			}
		}
	}
	return best
}
