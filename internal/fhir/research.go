package fhir

// ResearchSubject is the slim record of a patient's part in a study.
type ResearchSubject struct {
	Header
	Identifier []Identifier `json:"identifier,omitempty"`
	Status     string       `json:"status"`
	Period     Period       `json:"period,omitzero"`
	Study      Reference    `json:"study,omitzero"`
	Individual Reference    `json:"individual,omitzero"`
}

// ResearchStudy is the slim record of a study.
type ResearchStudy struct {
	Header
	Identifier []Identifier `json:"identifier,omitempty"`
	Title      string       `json:"title,omitempty"`
	Status     string       `json:"status"`
	Period     Period       `json:"period,omitzero"`
}

// DocumentReference is the slim record of a document; its content is never kept.
type DocumentReference struct {
	Header
	Identifier []Identifier      `json:"identifier,omitempty"`
	Status     string            `json:"status"`
	DocStatus  string            `json:"docStatus,omitempty"`
	Type       CodeableConcept   `json:"type,omitzero"`
	Category   []CodeableConcept `json:"category,omitempty"`
	Subject    Reference         `json:"subject,omitzero"`
	Date       string            `json:"date,omitempty"` // instant
	Content    []DocumentContent `json:"content,omitempty"`
	Context    DocumentContext   `json:"context,omitzero"`
}

// DocumentContent is one form of a document.
type DocumentContent struct {
	Attachment Attachment `json:"attachment,omitzero"`
}

// DocumentContext says when the documented service took place and what else belongs to it.
type DocumentContext struct {
	Encounter []Reference `json:"encounter,omitempty"`
	Period    Period      `json:"period,omitzero"`
	Related   []Reference `json:"related,omitempty"`
}

// IsZero says whether nothing was said; an empty list says nothing.
func (d DocumentContext) IsZero() bool {
	return len(d.Encounter) == 0 && d.Period == Period{} && len(d.Related) == 0
}
