package fhir

// known says whether a code is in the R4 value set that binds the status of a resource type.
// Source: HL7 FHIR R4 (4.0.1), the required bindings of each type's status; see testdata/fhir/statuses.tsv.
func known(typ, status string) bool {
	switch typ {
	case "Procedure", "Communication":
		return oneOf(status, "preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown")
	case "ImagingStudy":
		return oneOf(status, "registered", "available", "cancelled", "entered-in-error", "unknown")
	case "DiagnosticReport":
		return oneOf(status, "registered", "partial", "preliminary", "final", "amended", "corrected", "appended", "cancelled", "entered-in-error", "unknown")
	case "Observation":
		return oneOf(status, "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown")
	case "Encounter":
		return oneOf(status, "planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown")
	case "Appointment":
		return oneOf(status, "proposed", "pending", "booked", "arrived", "fulfilled", "cancelled", "noshow", "entered-in-error", "checked-in", "waitlist")
	case "ServiceRequest":
		return oneOf(status, "draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown")
	case "Device":
		return oneOf(status, "active", "inactive", "entered-in-error", "unknown")
	case "DeviceUseStatement":
		return oneOf(status, "active", "completed", "entered-in-error", "intended", "stopped", "on-hold")
	}
	return knownOther(typ, status)
}

// knownOther is known for paperwork and research.
func knownOther(typ, status string) bool {
	switch typ {
	case "DocumentReference":
		return oneOf(status, "current", "superseded", "entered-in-error")
	case "Task":
		return oneOf(status, "draft", "requested", "received", "accepted", "rejected", "ready", "cancelled", "in-progress", "on-hold", "failed", "completed", "entered-in-error")
	case "MedicationStatement":
		return oneOf(status, "active", "completed", "entered-in-error", "intended", "stopped", "on-hold", "unknown", "not-taken")
	case "MedicationRequest":
		return oneOf(status, "active", "on-hold", "cancelled", "completed", "entered-in-error", "stopped", "draft", "unknown")
	case "ResearchSubject":
		return oneOf(status, "candidate", "eligible", "follow-up", "ineligible", "not-registered", "off-study", "on-study",
			"on-study-intervention", "on-study-observation", "pending-on-study", "potential-candidate", "screening", "withdrawn")
	case "ResearchStudy":
		return oneOf(status, "active", "administratively-completed", "approved", "closed-to-accrual", "closed-to-accrual-and-intervention",
			"completed", "disapproved", "in-review", "temporarily-closed-to-accrual", "temporarily-closed-to-accrual-and-intervention", "withdrawn")
	}
	return false
}

// oneOf says whether s is one of the codes.
func oneOf(s string, codes ...string) bool {
	for _, c := range codes {
		if s == c {
			return true
		}
	}
	return false
}

// status refuses a required status that is missing or not in its value set.
func (h *Header) status(status string) *Quarantine {
	switch {
	case status == "":
		return h.refuse("status", missing)
	case !known(h.ResourceType, status):
		return h.refuse("status", "is not a status that R4 has for this type")
	}
	return nil
}

// statusOf refuses a bad status, and a resource that does not say whose it is.
func (h *Header) statusOf(status, field string, patient *Reference) *Quarantine {
	if q := h.status(status); q != nil {
		return q
	}
	return h.owner(field, patient)
}

// owner refuses a resource that must name its patient and does not.
func (h *Header) owner(field string, patient *Reference) *Quarantine {
	if patient.IsZero() {
		return h.refuse(field, "is missing, so nobody can tell whose it is")
	}
	return nil
}

// refuse makes the quarantine of one field.
func (h *Header) refuse(field, what string) *Quarantine {
	return &Quarantine{Type: h.ResourceType, ID: h.ID, Field: field, What: what}
}

const (
	missing      = "is missing"
	releaseShape = "has the shape of another FHIR release than R4"
	noCode       = "is a coding without a code"
	noConcept    = "has neither a code nor a text"
)

func (*Skipped) check() *Quarantine              { return nil }
func (*Patient) check() *Quarantine              { return nil }
func (r *Procedure) check() *Quarantine          { return r.statusOf(r.Status, "subject", &r.Subject) }
func (r *DeviceUseStatement) check() *Quarantine { return r.statusOf(r.Status, "subject", &r.Subject) }
func (r *DiagnosticReport) check() *Quarantine   { return r.status(r.Status) }
func (r *Observation) check() *Quarantine        { return r.status(r.Status) }
func (r *Encounter) check() *Quarantine          { return r.status(r.Status) }
func (r *Communication) check() *Quarantine      { return r.status(r.Status) }
func (r *Task) check() *Quarantine               { return r.status(r.Status) }
func (r *ResearchStudy) check() *Quarantine      { return r.status(r.Status) }
func (r *DocumentReference) check() *Quarantine  { return r.status(r.Status) }
func (r *Condition) check() *Quarantine          { return r.owner("subject", &r.Subject) }
func (r *AllergyIntolerance) check() *Quarantine { return r.owner("patient", &r.Patient) }
func (r *ResearchSubject) check() *Quarantine {
	return r.statusOf(r.Status, "individual", &r.Individual)
}

func (r *ImagingStudy) check() *Quarantine {
	if q := r.statusOf(r.Status, "subject", &r.Subject); q != nil {
		return q
	}
	for i := range r.Modality {
		if r.Modality[i].Code == "" {
			return r.refuse("modality", noCode)
		}
	}
	return r.checkSeries()
}

// checkSeries refuses a study whose series do not say what they are.
func (r *ImagingStudy) checkSeries() *Quarantine {
	for i := range r.Series {
		if r.Series[i].Modality.Code == "" {
			return r.refuse("series.modality", noCode)
		}
	}
	return nil
}

func (r *Device) check() *Quarantine {
	if r.Status == "" {
		return nil // optional in R4
	}
	return r.status(r.Status)
}

func (r *ServiceRequest) check() *Quarantine { return r.statusOf(r.Status, "subject", &r.Subject) }

func (r *Appointment) check() *Quarantine {
	for i := range r.ServiceType {
		if r.ServiceType[i].IsZero() {
			return r.refuse("serviceType", noConcept)
		}
	}
	return r.status(r.Status)
}

// InError says that the resource is marked entered-in-error: what it said is taken back.
func InError(r Resource) bool {
	const mark = "entered-in-error"
	switch r := r.(type) {
	case *Condition:
		return hasCode(r.VerificationStatus, mark)
	case *AllergyIntolerance:
		return hasCode(r.VerificationStatus, mark)
	}
	return Status(r) == mark
}

// Status is the resource's status element, "" for a type that has none.
func Status(r Resource) string {
	switch r := r.(type) {
	case *Procedure:
		return r.Status
	case *ImagingStudy:
		return r.Status
	case *DiagnosticReport:
		return r.Status
	case *Observation:
		return r.Status
	case *Encounter:
		return r.Status
	case *Appointment:
		return r.Status
	case *ServiceRequest:
		return r.Status
	case *Communication:
		return r.Status
	case *Device:
		return r.Status
	case *DeviceUseStatement:
		return r.Status
	case *ResearchSubject:
		return r.Status
	case *ResearchStudy:
		return r.Status
	case *DocumentReference:
		return r.Status
	case *Task:
		return r.Status
	case *MedicationStatement:
		return r.Status
	case *MedicationRequest:
		return r.Status
	}
	return ""
}

// hasCode says whether a concept holds a code, in whatever system.
func hasCode(c CodeableConcept, code string) bool {
	for i := range c.Coding {
		if c.Coding[i].Code == code {
			return true
		}
	}
	return false
}
