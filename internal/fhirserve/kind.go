package fhirserve

import (
	"slices"

	"perennial/internal/export"
	"perennial/internal/fhir"
)

// Types that are served.
const (
	planDefinition     = "PlanDefinition"
	activityDefinition = "ActivityDefinition"
	carePlan           = "CarePlan"
	serviceRequest     = "ServiceRequest"
	flag               = "Flag"
	provenance         = "Provenance"
	task               = "Task"
)

// kind is a type that is served, with what it can be searched by beside _id and
// _lastUpdated.
type kind struct {
	name   string
	params []string
	about  string
}

// kinds are all types, by name.
func kinds() []kind {
	patients := []string{"identifier", "patient", "status", "subject"}
	return []kind{
		{activityDefinition, []string{"status", "url", "version"}, "A visit that a protocol asks for."},
		{carePlan, patients, "The surveillance schedule of one implant. It proposes and orders nothing."},
		{flag, []string{"identifier", "patient", "subject"}, "A patient who is presumed lost or lost to follow-up."},
		{planDefinition, []string{"identifier", "status", "url", "version"}, "A surveillance protocol."},
		{provenance, []string{"target"}, "Why a CarePlan, ServiceRequest or Flag is there: rules and facts."},
		{serviceRequest, patients, "A visit that is overdue, open, booked or next: a proposal, never an order. When the visit is done, excused or missed it is gone."},
		{task, patients, "A work item. A status that a person has set stands."},
	}
}

// kindNamed finds a type; nil where it is not served.
func kindNamed(name string) *kind {
	list := kinds()
	if at := slices.IndexFunc(list, func(k kind) bool { return k.name == name }); at >= 0 {
		return &list[at]
	}
	return nil
}

// paramTypes are the R4 types of the search parameters, with what is to be known
// about them.
func paramTypes() map[string][2]string {
	return map[string][2]string{
		"_id":          {"token", ""},
		"_lastUpdated": {"date", "Prefixes eq, ge, gt, le and lt. The time of the last change of the plan or work item behind the resource."},
		"identifier":   {"token", ""},
		"patient":      {"reference", "The id of the patient on the server that perennial reads from: p1 or Patient/p1."},
		"status":       {"token", ""},
		"subject":      {"reference", "As patient."},
		"target":       {"reference", ""},
		"url":          {"uri", ""},
		"version":      {"token", ""},
	}
}

// entry is a resource, as the index knows it. It is never changed.
type entry struct {
	typ     string
	id      string
	status  string
	patient string // id of the record; empty for a protocol
	target  string // of a Provenance: type and id
	key     string // of the work item, or the hash of the protocol
	url     string // of a protocol
	version string
	at      int64 // milliseconds since 1970
}

// identified says whether a resource has an identifier; an empty system is any.
func (e *entry) identified(site, system, value string, anySystem bool) bool {
	has := func(s, v string) bool { return (anySystem || s == system) && (v == value || value == "" && !anySystem) }
	switch e.typ {
	case carePlan:
		return has(export.CarePlanSystem+":"+site, e.id)
	case serviceRequest:
		return has(export.VisitSystem+":"+site, e.id)
	case flag:
		return has(export.FlagSystem+":"+site, e.id)
	case planDefinition:
		return has(export.ContentSystem, e.key)
	case task:
		return has(fhir.TokenSystem(site), e.id) || has(fhir.WorkSystem, e.key)
	}
	return false
}

// statusSystem is the system of the codes of a status.
func statusSystem(typ string) string {
	switch typ {
	case task:
		return "http://hl7.org/fhir/task-status"
	case planDefinition, activityDefinition:
		return "http://hl7.org/fhir/publication-status"
	case flag:
		return "http://hl7.org/fhir/flag-status"
	}
	return "http://hl7.org/fhir/request-status"
}
