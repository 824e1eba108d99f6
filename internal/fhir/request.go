package fhir

// ServiceRequest is the slim record of an order.
type ServiceRequest struct {
	Header
	Identifier         []Identifier      `json:"identifier,omitempty"`
	BasedOn            []Reference       `json:"basedOn,omitempty"`
	Status             string            `json:"status"`
	Intent             string            `json:"intent,omitempty"`
	Category           []CodeableConcept `json:"category,omitempty"`
	Priority           string            `json:"priority,omitempty"`
	DoNotPerform       *bool             `json:"doNotPerform,omitempty"` // true turns the order into its opposite
	Code               CodeableConcept   `json:"code,omitzero"`
	OrderDetail        []CodeableConcept `json:"orderDetail,omitempty"`
	Subject            Reference         `json:"subject,omitzero"`
	OccurrenceDateTime string            `json:"occurrenceDateTime,omitempty"`
	OccurrencePeriod   *Period           `json:"occurrencePeriod,omitempty"`
	OccurrenceTiming   *Timing           `json:"occurrenceTiming,omitempty"`
	AuthoredOn         string            `json:"authoredOn,omitempty"` // dateTime
	ReasonCode         []CodeableConcept `json:"reasonCode,omitempty"`
	ReasonReference    []Reference       `json:"reasonReference,omitempty"`
	BodySite           []CodeableConcept `json:"bodySite,omitempty"`
}

// Timing is when something repeats; only its named events and its bounds are kept.
type Timing struct {
	Event  []string `json:"event,omitempty"` // dateTime
	Repeat struct {
		BoundsPeriod *Period `json:"boundsPeriod,omitempty"`
	} `json:"repeat,omitzero"`
}

// Communication is the slim record of a message or call; what was said is not kept.
type Communication struct {
	Header
	Identifier   []Identifier      `json:"identifier,omitempty"`
	BasedOn      []Reference       `json:"basedOn,omitempty"`
	InResponseTo []Reference       `json:"inResponseTo,omitempty"`
	Status       string            `json:"status"`
	StatusReason CodeableConcept   `json:"statusReason,omitzero"`
	Category     []CodeableConcept `json:"category,omitempty"`
	Medium       []CodeableConcept `json:"medium,omitempty"`
	Subject      Reference         `json:"subject,omitzero"`
	Topic        CodeableConcept   `json:"topic,omitzero"`
	About        []Reference       `json:"about,omitempty"`
	Sent         string            `json:"sent,omitempty"`     // dateTime
	Received     string            `json:"received,omitempty"` // dateTime
	Recipient    []Reference       `json:"recipient,omitempty"`
	Sender       Reference         `json:"sender,omitzero"`
	ReasonCode   []CodeableConcept `json:"reasonCode,omitempty"`
}

// Task is the slim record of a Task, for reading what people did with it.
type Task struct {
	Header
	Identifier      []Identifier    `json:"identifier,omitempty"`
	BasedOn         []Reference     `json:"basedOn,omitempty"`
	Status          string          `json:"status"`
	StatusReason    CodeableConcept `json:"statusReason,omitzero"`
	BusinessStatus  CodeableConcept `json:"businessStatus,omitzero"`
	Intent          string          `json:"intent,omitempty"`
	Priority        string          `json:"priority,omitempty"`
	Code            CodeableConcept `json:"code,omitzero"`
	Focus           Reference       `json:"focus,omitzero"`
	For             Reference       `json:"for,omitzero"`
	ExecutionPeriod Period          `json:"executionPeriod,omitzero"`
	LastModified    string          `json:"lastModified,omitempty"` // dateTime
	Owner           Reference       `json:"owner,omitzero"`
	Note            []Annotation    `json:"note,omitempty"`
}
