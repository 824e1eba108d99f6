// Package fhir reads the few FHIR R4 resources that perennial uses, and keeps of each a slim record.
//
// # Design
//
// Reading has two steps that meet in [Raw]:
//
//   - [Read] takes any input apart into resources. It recognises what it gets by content: one resource, a
//     Bundle (also hundreds of megabytes on one line), NDJSON, a JSON array, JSON objects one after the other,
//     each also gzipped. It holds at most one resource in memory and hands out slices of its own buffer. What
//     it cannot read becomes an [Issue]; the rest goes on.
//   - [Decode] (safe to keep) and [Decoder] (no copies, for bulk work) turn one body into the slim record of
//     its type. Every record has only the fields that the engine or a page could use; text and dates stay as
//     they were sent.
//
// # What is trusted
//
// A body is refused with a [Quarantine], naming the field and the reason, when it is not a JSON object or not
// UTF-8, when its resourceType is missing, when a field that is read has the wrong JSON type (an object where a
// list belongs counts, as do quoted decimals), when a required status is missing or not in the R4 value set,
// when the patient it must name is missing, and when it has the shape of another FHIR release. Fields that are
// not read do not matter. Member names are case-sensitive. Of a member that is given twice the last one counts.
// [Salvage] finds the type, id, version and patient of a body that was refused, so that somebody can be asked.
//
// # What is not checked
//
// The fast decoder skips values that are not read by matching quotes and brackets only: a slip inside a skipped
// value passes, but the body as a whole must end as one complete object, so a cut line never passes. The whole
// body must be valid UTF-8, skipped or not. Depth needs no limit: nested values are counted, never descended
// into, no record contains its own type, and Bundles are followed one level deep.
//
// # Writing
//
// [NewTask] and [NewBatch] write what is sent, with the generated models where their output is valid: never Task.input
// and output, which they write with every variant of the value at once. All that is written passes [Lint], which looks
// for what other validators let pass (empty objects, two variants of a choice) and knows the shape of a Task of ours.
// [ParsePage], [ParseOutcome] and [ParseCapability] read what a server answers with; no free text of an outcome is kept.
//
// # Size
//
// One resource over 16 MB is reported and skipped while it streams past. A record that was read is never written back to a
// server: what is left out here would be deleted there.
package fhir

import (
	"slices"
	"strings"
)

// Resource is one decoded resource: a pointer to one of the record types of this package, or *[Skipped].
type Resource interface {
	// Head gives the fields that every resource has. Never nil.
	Head() *Header
	// check says whether the record can be trusted, after its JSON was decoded without an error.
	check() *Quarantine
}

// Header holds what every resource has.
type Header struct {
	ResourceType string `json:"resourceType"`
	ID           string `json:"id,omitempty"`
	Meta         Meta   `json:"meta,omitzero"`
}

// Head gives the header itself.
func (h *Header) Head() *Header { return h }

// Ref is the local reference "Type/id", or "Type" alone for a resource without an id.
func (h *Header) Ref() string {
	if h.ID == "" {
		return h.ResourceType
	}
	return h.ResourceType + "/" + h.ID
}

// Meta is the resource's version and labels, as sent.
type Meta struct {
	VersionID   string   `json:"versionId,omitempty"`
	LastUpdated string   `json:"lastUpdated,omitempty"` // instant
	Source      string   `json:"source,omitempty"`
	Profile     []string `json:"profile,omitempty"`
	Security    []Coding `json:"security,omitempty"`
}

// IsZero says whether nothing was said; an empty list says nothing.
func (m Meta) IsZero() bool {
	return m.VersionID == "" && m.LastUpdated == "" && m.Source == "" && len(m.Profile) == 0 && len(m.Security) == 0
}

// Test says that the record was made for tests: the label HTEST (HL7 v3 ActReason). It takes a patient out of lists, so
// only the code system's own names count.
func (m *Meta) Test() bool {
	return slices.ContainsFunc(m.Security, func(c Coding) bool {
		return c.Code == "HTEST" && slices.Contains([]string{"http://terminology.hl7.org/CodeSystem/v3-ActReason", "http://hl7.org/fhir/v3/ActReason", "urn:oid:2.16.840.1.113883.5.8"}, strings.TrimSuffix(c.System, "/"))
	})
}

// Restricted says that the record is confidential beyond the usual: the labels R and V (HL7 v3 Confidentiality), of
// whatever system, because it only holds something back.
func (m *Meta) Restricted() bool {
	return slices.ContainsFunc(m.Security, func(c Coding) bool { return c.Code == "R" || c.Code == "V" })
}

// Coding is one code of one system, as sent.
type Coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// CodeableConcept is a concept in any number of codes, with its text, as sent.
type CodeableConcept struct {
	Coding []Coding `json:"coding,omitempty"`
	Text   string   `json:"text,omitempty"`
}

// IsZero says that the concept holds neither a code nor text: it was missing, or has a shape that R4 does not know.
func (c CodeableConcept) IsZero() bool { return len(c.Coding) == 0 && c.Text == "" }

// Reference points to another resource, as sent; [Reference.Parse] takes it apart.
type Reference struct {
	Reference  string      `json:"reference,omitempty"`
	Type       string      `json:"type,omitempty"`
	Identifier *Identifier `json:"identifier,omitempty"`
	Display    string      `json:"display,omitempty"`
}

// IsZero says that the reference is missing or says nothing.
func (r Reference) IsZero() bool { return r == Reference{} }

// Identifier is a business identifier, as sent.
type Identifier struct {
	Use      string          `json:"use,omitempty"`
	Type     CodeableConcept `json:"type,omitzero"`
	System   string          `json:"system,omitempty"`
	Value    string          `json:"value,omitempty"`
	Period   Period          `json:"period,omitzero"`
	Assigner Assigner        `json:"assigner,omitzero"`
}

// Assigner is the organization that gave an identifier.
type Assigner struct {
	Reference string `json:"reference,omitempty"`
	Display   string `json:"display,omitempty"`
}

// Period is a span of time; either end may be missing.
type Period struct {
	Start string `json:"start,omitempty"` // dateTime
	End   string `json:"end,omitempty"`   // dateTime
}

// Quantity is a measured amount; Value is the number's text.
type Quantity struct {
	Value      Decimal `json:"value,omitempty"`
	Comparator string  `json:"comparator,omitempty"`
	Unit       string  `json:"unit,omitempty"`
	System     string  `json:"system,omitempty"`
	Code       string  `json:"code,omitempty"`
}

// Range is a pair of amounts; either may be missing.
type Range struct {
	Low  *Quantity `json:"low,omitempty"`
	High *Quantity `json:"high,omitempty"`
}

// Annotation is a note with its author and time.
type Annotation struct {
	AuthorReference *Reference `json:"authorReference,omitempty"`
	AuthorString    string     `json:"authorString,omitempty"`
	Time            string     `json:"time,omitempty"` // dateTime
	Text            string     `json:"text,omitempty"`
}

// Masked is what stands in for a value that was left out on purpose: the extensions of a primitive.
type Masked struct {
	Extension []Extension `json:"extension,omitempty"`
}

// Extension is an extension with a code as its value; other values are not kept.
type Extension struct {
	URL       string `json:"url,omitempty"`
	ValueCode string `json:"valueCode,omitempty"`
}

// Skipped stands for a resource of a type that perennial does not read. Only its type, id and meta are known.
type Skipped struct{ Header }
