package export

import (
	"fmt"
	"time"

	"perennial/internal/fhir"
)

// AuditSystem is the system by which what an AuditEvent is about is known where it
// is no Task; ":" and the id of the site follow.
const AuditSystem = "urn:perennial:decision"

// Happened is an entry of the audit trail about a patient.
type Happened struct {
	Seq         uint64 // its number in the trail
	Part        int    // of what it tells
	At          time.Time
	Who         string // who did it; empty: the program by itself
	Made        bool   // something was made; else it was changed
	Failed      bool
	Patient     string   // key
	Identifiers []string // of the patient
	Task        string   // key of the work item whose Task it is about; empty: a decision
	Decision    string   // id of the decision
}

type auditEvent struct {
	ResourceType string        `json:"resourceType"`
	ID           string        `json:"id"`
	Type         fhir.Coding   `json:"type"`
	Subtype      []fhir.Coding `json:"subtype"`
	Action       string        `json:"action"`
	Recorded     string        `json:"recorded"`
	Outcome      string        `json:"outcome"`
	Agent        []auditAgent  `json:"agent"`
	Source       auditSource   `json:"source"`
	Entity       []auditEntity `json:"entity"`
}

type auditAgent struct {
	Type      *concept       `json:"type,omitempty"`
	Who       fhir.Reference `json:"who"`
	Requestor bool           `json:"requestor"`
}

type auditSource struct {
	Observer fhir.Reference `json:"observer"`
	Type     []fhir.Coding  `json:"type"`
}

type auditEntity struct {
	What fhir.Reference `json:"what"`
	Type fhir.Coding    `json:"type"`
	Role fhir.Coding    `json:"role"`
}

// Code systems of an AuditEvent (HL7 FHIR R4 4.0.1; DICOM PS3.16).
const (
	auditType   = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	restful     = "http://hl7.org/fhir/restful-interaction"
	dicomCodes  = "http://dicom.nema.org/resources/ontology/DCM"
	sourceTypes = "http://terminology.hl7.org/CodeSystem/security-source-type"
	entityTypes = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	objectRoles = "http://terminology.hl7.org/CodeSystem/object-role"
)

// AuditEvent writes an entry of the audit trail after the patterns of IHE BALP for
// RESTful creations and updates: what asked, what was asked, the patient and the
// resource. It holds no name of a patient and nothing of what was decided.
func AuditEvent(o *Options, h Happened) (Resource, error) {
	e := auditEvent{ResourceType: "AuditEvent", ID: fhir.Token(o.Site, fmt.Sprintf("audit|%d|%d", h.Seq, h.Part)), Type: fhir.Coding{System: auditType, Code: "rest", Display: "RESTful Operation"},
		Subtype: []fhir.Coding{{System: restful, Code: "update"}}, Action: "U", Recorded: h.At.UTC().Format("2006-01-02T15:04:05.000Z"), Outcome: "0",
		Source: auditSource{Observer: program(), Type: []fhir.Coding{{System: sourceTypes, Code: "4", Display: "Application Server"}}}}
	if h.Made {
		e.Subtype[0].Code, e.Action = "create", "C"
	}
	if h.Failed {
		e.Outcome = "8"
	}
	if h.Who != "" {
		e.Agent = append(e.Agent, auditAgent{Who: fhir.Reference{Display: fhir.Tidy(h.Who)}, Requestor: true})
	}
	client := concept{Coding: []fhir.Coding{{System: dicomCodes, Code: "110153", Display: "Source Role ID"}}}
	server := concept{Coding: []fhir.Coding{{System: dicomCodes, Code: "110152", Display: "Destination Role ID"}}}
	e.Agent = append(e.Agent, auditAgent{&client, program(), h.Who == ""}, auditAgent{&server, h.receiver(), false})
	e.Entity = []auditEntity{
		{fhir.PointToPatient(h.Patient, h.Identifiers), fhir.Coding{System: entityTypes, Code: "1", Display: "Person"}, fhir.Coding{System: objectRoles, Code: "1", Display: "Patient"}},
		{h.what(o.Site), fhir.Coding{System: entityTypes, Code: "2", Display: "System Object"}, fhir.Coding{System: objectRoles, Code: "4", Display: "Domain Resource"}}}
	w := written{}
	w.add(e.ResourceType, e.ID, &e)
	if w.err != nil {
		return Resource{}, w.err
	}
	return w.list[0], nil
}

// program is this program as an agent.
func program() fhir.Reference { return fhir.Reference{Type: "Device", Display: fhir.AuthorName} }

// receiver is where it was written.
func (h *Happened) receiver() fhir.Reference {
	if h.Task != "" {
		return fhir.Reference{Type: "Device", Display: "what takes the Tasks"}
	}
	return program()
}

// what refers to the Task or the decision.
func (h *Happened) what(site string) fhir.Reference {
	if h.Task != "" {
		return fhir.Reference{Type: "Task", Identifier: &fhir.Identifier{System: fhir.TokenSystem(site), Value: fhir.Token(site, h.Task)}}
	}
	return fhir.Reference{Type: "Basic", Identifier: &fhir.Identifier{System: AuditSystem + ":" + site, Value: fhir.Token(site, "decision|"+h.Decision)}}
}
