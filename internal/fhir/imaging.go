package fhir

// ImagingStudy is the slim record of an ImagingStudy. Series are kept without instances, and counts are not
// read: real ones are often wrong.
type ImagingStudy struct {
	Header
	Identifier         []Identifier      `json:"identifier,omitempty"`
	Status             string            `json:"status"`
	Modality           []Coding          `json:"modality,omitempty"`
	Subject            Reference         `json:"subject,omitzero"`
	Encounter          Reference         `json:"encounter,omitzero"`
	Started            string            `json:"started,omitempty"` // dateTime, often partial or missing
	BasedOn            []Reference       `json:"basedOn,omitempty"`
	ProcedureReference Reference         `json:"procedureReference,omitzero"`
	ProcedureCode      []CodeableConcept `json:"procedureCode,omitempty"`
	ReasonCode         []CodeableConcept `json:"reasonCode,omitempty"`
	Description        string            `json:"description,omitempty"`
	// Series is filled by [Decode]; [Decoder.Decode] leaves it nil, and [Decoder.LoadSeries] fills it then.
	Series []Series `json:"series,omitempty"`

	raw []byte // the series as sent, part of the body, until they are loaded
}

// Series is one series of a study.
type Series struct {
	UID         string `json:"uid,omitempty"`
	Modality    Coding `json:"modality,omitzero"`
	BodySite    Coding `json:"bodySite,omitzero"`
	Laterality  Coding `json:"laterality,omitzero"`
	Description string `json:"description,omitempty"`
	Started     string `json:"started,omitempty"` // dateTime
}
