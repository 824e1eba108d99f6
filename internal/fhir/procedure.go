package fhir

// Procedure is the slim record of a Procedure. Of contained resources only Devices are kept.
type Procedure struct {
	Header
	Contained         ContainedDevices  `json:"contained,omitempty"`
	Identifier        []Identifier      `json:"identifier,omitempty"`
	BasedOn           []Reference       `json:"basedOn,omitempty"`
	PartOf            []Reference       `json:"partOf,omitempty"`
	Status            string            `json:"status"`
	StatusReason      CodeableConcept   `json:"statusReason,omitzero"`
	Category          CodeableConcept   `json:"category,omitzero"`
	Code              CodeableConcept   `json:"code,omitzero"`
	Subject           Reference         `json:"subject,omitzero"`
	PerformedDateTime string            `json:"performedDateTime,omitempty"`
	PerformedMasked   *Masked           `json:"_performedDateTime,omitempty"`
	PerformedPeriod   *Period           `json:"performedPeriod,omitempty"`
	PerformedString   string            `json:"performedString,omitempty"`
	PerformedAge      *Quantity         `json:"performedAge,omitempty"`
	PerformedRange    *Range            `json:"performedRange,omitempty"`
	Performer         []Performer       `json:"performer,omitempty"`
	Location          Reference         `json:"location,omitzero"`
	ReasonCode        []CodeableConcept `json:"reasonCode,omitempty"`
	ReasonReference   []Reference       `json:"reasonReference,omitempty"`
	BodySite          []CodeableConcept `json:"bodySite,omitempty"`
	Outcome           CodeableConcept   `json:"outcome,omitzero"`
	Report            []Reference       `json:"report,omitempty"`
	FocalDevice       []FocalDevice     `json:"focalDevice,omitempty"`
	UsedReference     []Reference       `json:"usedReference,omitempty"`
	UsedCode          []CodeableConcept `json:"usedCode,omitempty"`
}

// Performer is who did it, and for which organization.
type Performer struct {
	Function   CodeableConcept `json:"function,omitzero"`
	Actor      Reference       `json:"actor,omitzero"`
	OnBehalfOf Reference       `json:"onBehalfOf,omitzero"`
}

// FocalDevice is a device that the procedure implanted, removed or changed.
type FocalDevice struct {
	Action      CodeableConcept `json:"action,omitzero"`
	Manipulated Reference       `json:"manipulated,omitzero"`
}
