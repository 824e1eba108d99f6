package export

import "perennial/internal/fhir"

// The types are those parts of R4 4.0.1 that are written; names and order of the
// elements are R4's.

type definition struct {
	ResourceType    string            `json:"resourceType"`
	ID              string            `json:"id"`
	Extension       []extension       `json:"extension,omitempty"`
	URL             string            `json:"url"`
	Identifier      []fhir.Identifier `json:"identifier,omitempty"`
	Version         string            `json:"version"`
	Name            string            `json:"name"`
	Title           string            `json:"title"`
	Type            *concept          `json:"type,omitempty"` // of a PlanDefinition
	Status          string            `json:"status"`
	Description     string            `json:"description"`
	Usage           string            `json:"usage,omitempty"`
	RelatedArtifact []artifact        `json:"relatedArtifact,omitempty"`
	Kind            string            `json:"kind,omitempty"`     // of an ActivityDefinition, as those that follow
	Code            *concept          `json:"code,omitempty"`     //
	Intent          string            `json:"intent,omitempty"`   //
	BodySite        []concept         `json:"bodySite,omitempty"` //
	Action          []action          `json:"action,omitempty"`   // of a PlanDefinition
}

type concept = fhir.CodeableConcept

type extension struct {
	Extension   []extension `json:"extension,omitempty"`
	URL         string      `json:"url"`
	ValueString string      `json:"valueString,omitempty"`
}

type artifact struct {
	Type     string `json:"type"`
	Label    string `json:"label,omitempty"`
	Display  string `json:"display,omitempty"`
	Citation string `json:"citation,omitempty"`
}

type action struct {
	ID                  string          `json:"id"`
	Extension           []extension     `json:"extension,omitempty"`
	Title               string          `json:"title"`
	TextEquivalent      string          `json:"textEquivalent,omitempty"`
	Priority            string          `json:"priority,omitempty"`
	Code                []concept       `json:"code,omitempty"`
	Documentation       []artifact      `json:"documentation,omitempty"`
	Condition           []condition     `json:"condition,omitempty"`
	RelatedAction       []relatedAction `json:"relatedAction,omitempty"`
	TimingTiming        *timing         `json:"timingTiming,omitempty"`
	GroupingBehavior    string          `json:"groupingBehavior,omitempty"`
	DefinitionCanonical string          `json:"definitionCanonical,omitempty"`
	Action              []action        `json:"action,omitempty"`
}

type condition struct {
	Extension []extension `json:"extension"`
	Kind      string      `json:"kind"`
}

type relatedAction struct {
	ActionID       string         `json:"actionId"`
	Relationship   string         `json:"relationship"`
	OffsetDuration *fhir.Quantity `json:"offsetDuration,omitempty"`
}

type timing struct {
	Repeat repeat `json:"repeat"`
}

type repeat struct {
	BoundsDuration *fhir.Quantity `json:"boundsDuration,omitempty"`
	Period         fhir.Decimal   `json:"period"`
	PeriodUnit     string         `json:"periodUnit"`
}

type carePlan struct {
	ResourceType          string            `json:"resourceType"`
	ID                    string            `json:"id"`
	Identifier            []fhir.Identifier `json:"identifier"`
	InstantiatesCanonical []string          `json:"instantiatesCanonical,omitempty"`
	Status                string            `json:"status"`
	Intent                string            `json:"intent"`
	Category              []concept         `json:"category"`
	Title                 string            `json:"title"`
	Description           string            `json:"description"`
	Subject               fhir.Reference    `json:"subject"`
	Period                *fhir.Period      `json:"period,omitempty"`
	Created               string            `json:"created"`
	Author                fhir.Reference    `json:"author"`
	SupportingInfo        []fhir.Reference  `json:"supportingInfo,omitempty"`
	Activity              []activity        `json:"activity,omitempty"`
	Note                  []fhir.Annotation `json:"note,omitempty"`
}

type activity struct {
	Reference fhir.Reference `json:"reference"`
}

type serviceRequest struct {
	ResourceType          string            `json:"resourceType"`
	ID                    string            `json:"id"`
	Identifier            []fhir.Identifier `json:"identifier"`
	InstantiatesCanonical []string          `json:"instantiatesCanonical,omitempty"`
	BasedOn               []fhir.Reference  `json:"basedOn,omitempty"`
	Status                string            `json:"status"`
	Intent                string            `json:"intent"`
	Priority              string            `json:"priority,omitempty"`
	Code                  concept           `json:"code"`
	Subject               fhir.Reference    `json:"subject"`
	OccurrencePeriod      fhir.Period       `json:"occurrencePeriod"`
	AuthoredOn            string            `json:"authoredOn"`
	Requester             fhir.Reference    `json:"requester"`
	ReasonCode            []concept         `json:"reasonCode,omitempty"`
	SupportingInfo        []fhir.Reference  `json:"supportingInfo,omitempty"`
	BodySite              []concept         `json:"bodySite,omitempty"`
	Note                  []fhir.Annotation `json:"note"`
}

type flag struct {
	ResourceType string            `json:"resourceType"`
	ID           string            `json:"id"`
	Identifier   []fhir.Identifier `json:"identifier"`
	Status       string            `json:"status"`
	Code         concept           `json:"code"`
	Subject      fhir.Reference    `json:"subject"`
	Period       *fhir.Period      `json:"period,omitempty"`
	Author       fhir.Reference    `json:"author"`
}

type communication struct {
	ResourceType string            `json:"resourceType"`
	ID           string            `json:"id"`
	Identifier   []fhir.Identifier `json:"identifier"`
	Status       string            `json:"status"`
	StatusReason *concept          `json:"statusReason,omitempty"`
	Category     []concept         `json:"category"`
	Medium       []concept         `json:"medium,omitempty"`
	Subject      fhir.Reference    `json:"subject"`
	About        []fhir.Reference  `json:"about,omitempty"`
	Sent         string            `json:"sent,omitempty"`
	Sender       fhir.Reference    `json:"sender"`
	Note         []fhir.Annotation `json:"note,omitempty"`
}

type provenance struct {
	ResourceType string           `json:"resourceType"`
	ID           string           `json:"id"`
	Target       []fhir.Reference `json:"target"`
	Recorded     string           `json:"recorded"`
	Policy       []string         `json:"policy,omitempty"`
	Reason       []concept        `json:"reason,omitempty"`
	Activity     concept          `json:"activity"`
	Agent        []agent          `json:"agent"`
	Entity       []entity         `json:"entity,omitempty"`
}

type agent struct {
	Type concept        `json:"type"`
	Who  fhir.Reference `json:"who"`
}

type entity struct {
	Role string         `json:"role"`
	What fhir.Reference `json:"what"`
}
