package fhir

// DiagnosticReport is the slim record of a DiagnosticReport. Attached documents are kept by title, not by content.
type DiagnosticReport struct {
	Header
	Identifier        []Identifier      `json:"identifier,omitempty"`
	BasedOn           []Reference       `json:"basedOn,omitempty"`
	Status            string            `json:"status"`
	Category          []CodeableConcept `json:"category,omitempty"`
	Code              CodeableConcept   `json:"code,omitzero"`
	Subject           Reference         `json:"subject,omitzero"`
	Encounter         Reference         `json:"encounter,omitzero"`
	EffectiveDateTime string            `json:"effectiveDateTime,omitempty"`
	EffectivePeriod   *Period           `json:"effectivePeriod,omitempty"`
	Issued            string            `json:"issued,omitempty"` // instant
	Result            []Reference       `json:"result,omitempty"`
	ImagingStudy      []Reference       `json:"imagingStudy,omitempty"`
	Conclusion        string            `json:"conclusion,omitempty"`
	ConclusionCode    []CodeableConcept `json:"conclusionCode,omitempty"`
	PresentedForm     []Attachment      `json:"presentedForm,omitempty"`
}

// Attachment names a document; its data is never kept.
type Attachment struct {
	ContentType string `json:"contentType,omitempty"`
	URL         string `json:"url,omitempty"`
	Title       string `json:"title,omitempty"`
	Creation    string `json:"creation,omitempty"` // dateTime
}

// Observation is the slim record of an Observation.
type Observation struct {
	Header
	Identifier        []Identifier      `json:"identifier,omitempty"`
	BasedOn           []Reference       `json:"basedOn,omitempty"`
	PartOf            []Reference       `json:"partOf,omitempty"`
	Status            string            `json:"status"`
	Category          []CodeableConcept `json:"category,omitempty"`
	Code              CodeableConcept   `json:"code,omitzero"`
	Subject           Reference         `json:"subject,omitzero"`
	Focus             []Reference       `json:"focus,omitempty"`
	EffectiveDateTime string            `json:"effectiveDateTime,omitempty"`
	EffectivePeriod   *Period           `json:"effectivePeriod,omitempty"`
	EffectiveInstant  string            `json:"effectiveInstant,omitempty"`
	Issued            string            `json:"issued,omitempty"` // instant
	Performer         []Reference       `json:"performer,omitempty"`
	Value
	Interpretation []CodeableConcept `json:"interpretation,omitempty"`
	BodySite       CodeableConcept   `json:"bodySite,omitzero"`
	Method         CodeableConcept   `json:"method,omitzero"`
	Device         Reference         `json:"device,omitzero"`
	DerivedFrom    []Reference       `json:"derivedFrom,omitempty"`
	Component      []Component       `json:"component,omitempty"`
}

// Value is what was observed: at most one of the value fields is sent, or the reason why none is.
type Value struct {
	ValueQuantity        *Quantity        `json:"valueQuantity,omitempty"`
	ValueCodeableConcept *CodeableConcept `json:"valueCodeableConcept,omitempty"`
	ValueString          string           `json:"valueString,omitempty"`
	ValueBoolean         *bool            `json:"valueBoolean,omitempty"`
	ValueInteger         Decimal          `json:"valueInteger,omitempty"`
	ValueDateTime        string           `json:"valueDateTime,omitempty"`
	DataAbsentReason     CodeableConcept  `json:"dataAbsentReason,omitzero"`
}

// Component is one part of an observation that has several.
type Component struct {
	Code CodeableConcept `json:"code,omitzero"`
	Value
	Interpretation []CodeableConcept `json:"interpretation,omitempty"`
}
