package fhir

// Condition is the slim record of a Condition.
type Condition struct {
	Header
	Identifier         []Identifier      `json:"identifier,omitempty"`
	ClinicalStatus     CodeableConcept   `json:"clinicalStatus,omitzero"`
	VerificationStatus CodeableConcept   `json:"verificationStatus,omitzero"`
	Category           []CodeableConcept `json:"category,omitempty"`
	Code               CodeableConcept   `json:"code,omitzero"`
	BodySite           []CodeableConcept `json:"bodySite,omitempty"`
	Subject            Reference         `json:"subject,omitzero"`
	OnsetDateTime      string            `json:"onsetDateTime,omitempty"`
	OnsetAge           *Quantity         `json:"onsetAge,omitempty"`
	OnsetPeriod        *Period           `json:"onsetPeriod,omitempty"`
	OnsetRange         *Range            `json:"onsetRange,omitempty"`
	OnsetString        string            `json:"onsetString,omitempty"`
	AbatementDateTime  string            `json:"abatementDateTime,omitempty"`
	AbatementAge       *Quantity         `json:"abatementAge,omitempty"`
	AbatementPeriod    *Period           `json:"abatementPeriod,omitempty"`
	AbatementRange     *Range            `json:"abatementRange,omitempty"`
	AbatementString    string            `json:"abatementString,omitempty"`
	RecordedDate       string            `json:"recordedDate,omitempty"` // dateTime
}

// AllergyIntolerance is the slim record of an AllergyIntolerance.
type AllergyIntolerance struct {
	Header
	Identifier         []Identifier      `json:"identifier,omitempty"`
	ClinicalStatus     CodeableConcept   `json:"clinicalStatus,omitzero"`
	VerificationStatus CodeableConcept   `json:"verificationStatus,omitzero"`
	Type               string            `json:"type,omitempty"`     // allergy, intolerance
	Category           []string          `json:"category,omitempty"` // food, medication, environment, biologic
	Criticality        string            `json:"criticality,omitempty"`
	Code               CodeableConcept   `json:"code,omitzero"`
	Patient            Reference         `json:"patient,omitzero"`
	RecordedDate       string            `json:"recordedDate,omitempty"` // dateTime
	Reaction           []AllergyReaction `json:"reaction,omitempty"`
}

// AllergyReaction is one reaction that was seen.
type AllergyReaction struct {
	Substance     CodeableConcept   `json:"substance,omitzero"`
	Manifestation []CodeableConcept `json:"manifestation,omitempty"`
	Severity      string            `json:"severity,omitempty"`
}
