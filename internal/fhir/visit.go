package fhir

// Encounter is the slim record of an Encounter.
type Encounter struct {
	Header
	Identifier  []Identifier      `json:"identifier,omitempty"`
	Status      string            `json:"status"`
	Class       Coding            `json:"class,omitzero"`
	Type        []CodeableConcept `json:"type,omitempty"`
	ServiceType CodeableConcept   `json:"serviceType,omitzero"`
	Subject     Reference         `json:"subject,omitzero"`
	Appointment []Reference       `json:"appointment,omitempty"`
	Period      Period            `json:"period,omitzero"`
	ReasonCode  []CodeableConcept `json:"reasonCode,omitempty"`
}

// Appointment is the slim record of an Appointment.
type Appointment struct {
	Header
	Identifier        []Identifier      `json:"identifier,omitempty"`
	Status            string            `json:"status"`
	CancelationReason CodeableConcept   `json:"cancelationReason,omitzero"`
	ServiceCategory   []CodeableConcept `json:"serviceCategory,omitempty"`
	ServiceType       []CodeableConcept `json:"serviceType,omitempty"`
	Specialty         []CodeableConcept `json:"specialty,omitempty"`
	AppointmentType   CodeableConcept   `json:"appointmentType,omitzero"`
	ReasonCode        []CodeableConcept `json:"reasonCode,omitempty"`
	ReasonReference   []Reference       `json:"reasonReference,omitempty"`
	Description       string            `json:"description,omitempty"`
	Start             string            `json:"start,omitempty"` // instant
	End               string            `json:"end,omitempty"`   // instant
	RequestedPeriod   []Period          `json:"requestedPeriod,omitempty"`
	BasedOn           []Reference       `json:"basedOn,omitempty"`
	Participant       []Participant     `json:"participant,omitempty"`
}

// Participant is who or what an appointment is for or with.
type Participant struct {
	Actor  Reference `json:"actor,omitzero"`
	Status string    `json:"status,omitempty"` // accepted, declined, tentative, needs-action
}
